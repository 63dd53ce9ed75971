"""The page on the model says what is there."""

from __future__ import annotations

import re
from pathlib import Path

from test_integrators import SATURATED, random_cases
from test_ngspice import CASES
from test_ngspice import CLAMPED as NGSPICE_CLAMPED

PAGE = Path(__file__).parents[2] / "survey" / "data" / "model.md"


def test_every_picture_is_there_and_named():
    named = re.findall(r"\]\((.+?\.png)\)", PAGE.read_text())
    drawn = {path.resolve() for path in (PAGE.parents[2] / "reports" / "model").glob("*.png")}
    assert {(PAGE.parent / name).resolve() for name in named} == drawn
    assert len(drawn) == 6


def test_the_number_of_points_checked_is_that_of_the_tests():
    text = " ".join(PAGE.read_text().split())
    assert f"a second time: {len(random_cases() + SATURATED)} points" in text
    assert f"ngspice on {len(CASES)} operating points" in text
    assert f"on {len(NGSPICE_CLAMPED)} with arresters" in text
