"""Fixtures that several folders of tests use."""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

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
# take the survey's own thresholds.
loops.SMALL, loops.SMALL_TOGETHER = 2000, sys.maxsize
_calling = loops._Loop._calling


def _unseen(loop: loops._Loop, kind: str) -> Callable[..., Any]:
    """Loops are left out of what coverage counts, so that it need not watch them either: half of its time."""
    function = _calling(loop, kind)
    if kind == "plain":
        function.__code__ = function.__code__.replace(co_filename="<loop>")
    return function


loops._Loop._calling = _unseen


# the day, told to the test processes that are begun, so that midnight does not part them
DAY = int(os.environ.setdefault("SURVEY_TESTS_OF_DAY", str(datetime.now(UTC).toordinal())))


NOT_WATCHED = (
    ()
    if os.environ.get("SURVEY_WATCH_ALL")
    else frozenset(Path(__file__).with_name("not_watched.txt").read_text().split())
)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Of the cases of a test that is run by turns, one in so many a day, the first one today's and so on.

    ``SURVEY_ALL_TESTS=1`` runs all of them; so does naming a test. Coverage watches no test whose lines others walk.
    """
    for item in items:
        if item.nodeid.partition("[")[0] in NOT_WATCHED:
            item.add_marker("no_cover")
    if os.environ.get("SURVEY_ALL_TESTS") or any("::" in argument for argument in config.args):
        return
    cases: defaultdict[str, list[pytest.Item]] = defaultdict(list)
    for item in items:
        if item.get_closest_marker("by_turns"):
            cases[item.nodeid.partition("[")[0]].append(item)
    left = set()
    for several in cases.values():
        (turns,) = several[0].get_closest_marker("by_turns").args
        left |= {item for place, item in enumerate(several) if (place + DAY) % min(turns, len(several))}
    if left:
        config.hook.pytest_deselected(items=[item for item in items if item in left])
        items[:] = [item for item in items if item not in left]


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
