"""Fixtures that several folders of tests use."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browser import chromium
from selenium import webdriver


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    """One headless Chromium for all tests of pages."""
    with chromium() as driver:
        yield driver
