"""The list of deliberate faults is current: each text stands once where the list says, and its tests exist."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FAULTS = tomllib.loads((ROOT / "tests/planted_faults.toml").read_text())["fault"]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault["name"])
def test_it_can_be_planted(fault: dict[str, str]) -> None:
    text = (ROOT / fault["file"]).read_text()
    assert text.count(fault["found"]) == 1
    assert fault["planted"] != fault["found"]
    assert all((ROOT / tests).exists() for tests in fault["tests"])
