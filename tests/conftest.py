"""Fixtures that several folders of tests use."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from browser import chromium
from hypothesis import settings
from selenium import webdriver

from survey import loops
from survey.cache_folder import default_cache_dir
from survey.wrapped import NOT_A_TERMINAL

# how long one example takes says more of what else the machine does than of the survey
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


# One folder of compiled code for all processes, also for those that get a folder of curves of their own.
os.environ.setdefault("NUMBA_CACHE_DIR", str(default_cache_dir() / "compiled"))
# every survey that a test starts would compile all modules anew
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A process that surveys hundreds of small networks is quicker with compiled loops; commands in processes of their own
# take the survey's own threshold.
loops.SMALL = 2000


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
