"""Fixtures that several folders of tests use."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browser import chromium
from hypothesis import settings
from selenium import webdriver

from survey.wrapped import NOT_A_TERMINAL

# how long one example takes says more of what else the machine does than of the survey
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


@pytest.fixture(scope="session", autouse=True)
def width() -> Iterator[None]:
    """A terminal as wide as text that goes into a file, wherever the tests run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(NOT_A_TERMINAL))
        yield


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    """One headless Chromium for all tests of pages."""
    with chromium() as driver:
        yield driver
