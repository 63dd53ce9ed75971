"""The crew's pages: one load to hold for each switching point."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sheet_survey import saved_survey, site_table, streets, town

from survey.report.sheets import make_sheets
from survey.report.sheets.content import sheet_content
from survey.report.sheets.points import NO_LOAD, _place, _reason, _words, point_blocks, read_strip
from survey.report.sheets.view import whole_length


def blocks(**changes: object):
    saved = saved_survey(site_table(streets(12), **changes))
    return point_blocks(sheet_content(saved, district=None, feeder=None), units="metric")


def test_a_block_for_every_point_that_sets_a_score_first_rank_first() -> None:
    worst = ["S-002"] * 5 + ["S-000"] * 3 + ["S-001"] * 4
    made = blocks(worst_switch_id=worst, band=["severe"] * 8 + ["low"] * 4, hold_kw=[20.0] * 5 + [31.2] * 7)
    assert [(block.switch_id, block.rows) for block in made] == [("S-002", (0, 1, 2, 3, 4)), ("S-000", (5, 6, 7))]
    assert [block.hold[0] for block in made] == ["HOLD 20 kW", "HOLD 32 kW"]
    assert "balanced on all three phases, when opening as well as when closing" in made[0].hold[1]


def test_where_no_load_cures_only_three_poles_do() -> None:
    assert {block.hold for block in blocks(hold_kw=np.nan, band="severe")} == {NO_LOAD}


def test_what_was_assumed_is_told_once() -> None:
    (block,) = blocks(worst_switch_id="S-000", band="high", notes="core assumed; loss from the table")
    assert block.assumed == "core assumed; loss from the table"


def test_what_an_arrester_takes_and_the_single_phase_rating_there_are_told() -> None:
    (block,) = blocks(worst_switch_id="S-000", band="high", arrester_w=[40.0] * 11 + [2039.9], one_phase_kva=75.0)
    assert block.reason[-1] == "2,040 W in one arrester, 75 kVA single-phase a phase"
    (block,) = blocks(worst_switch_id="S-000", band="high", arrester_w=np.nan, one_phase_kva=0.0)
    assert not any("arrester" in line or "single-phase" in line for line in block.reason)


def test_a_site_that_is_not_assessed_has_no_block() -> None:
    assert blocks(status="not_susceptible", band="low") == []


@pytest.mark.parametrize("page", ["letter", "a3"])
def test_nothing_is_smaller_than_seven_points(tmp_path: Path, page: str) -> None:
    (path,) = make_sheets(town(40), out=tmp_path, district="Harbour", page=page)
    made = subprocess.run(
        ["pdftohtml", "-xml", "-i", "-stdout", "-zoom", "1", path], capture_output=True, text=True, check=True
    )
    sizes = [int(size) for size in re.findall(r'<fontspec [^>]*size="(\d+)"', made.stdout)]
    assert sizes
    assert min(sizes) >= 7


def test_a_strip_is_read_back_and_its_middle_left_out_when_long() -> None:
    stops = read_strip("/S-1 | 28.5 m cable | @T-1 | 30 m overhead | 12 m cable | =G-1 | +2 sites, 40 m cable | @T-2")
    assert [(stop.kind, stop.text, stop.before) for stop in stops] == [
        ("/", "S-1", []),
        ("@", "T-1", [(28.5, True)]),
        ("=", "G-1", [(30.0, False), (12.0, True)]),
        ("+", "2 sites, 40 m cable", []),
        ("@", "T-2", []),
    ]
    long = read_strip(" | ".join(["/S", *(f"9 m cable | @T{i}" for i in range(30))]))
    assert [stop.text for stop in long[-2:]] == ["23 more", "T29"]


def test_the_place_is_the_address_where_one_is_recorded() -> None:
    saved = town(8)
    points = saved.switching_points.assign(address=["Mill Lane 4", *[""] * (len(saved.switching_points) - 1)])
    content = sheet_content(replace(saved, switching_points=points), district="Harbour", feeder=None)
    first, second = (block.place for block in point_blocks(content, units="metric")[:2])
    assert first[0] == "Mill Lane 4"
    assert first[1:] == _place({"lat": content.points["lat"].iloc[0], "lon": content.points["lon"].iloc[0]}, beside="")
    assert len(second) == 1


@pytest.mark.parametrize(
    ("strip", "said"),
    [
        ("/S-1 | 77 m cable | @T-1", "144 m of cable behind it, 67 m of it to no site"),
        ("/S-1 | 77 m cable | +@T-2, 66.5 m cable | @T-1", "144 m of cable behind it"),
        ("", "144 m of cable behind it"),
    ],
)
def test_cable_that_the_strip_does_not_show_is_told(strip, said) -> None:
    assert _reason({"exposed_cable_m": 144.0, "strip": strip}, units="metric")[0] == said


def test_halves_are_rounded_as_on_the_map_and_labels_of_a_strip_get_shorter_before_they_are_cut() -> None:
    assert [whole_length(length, units="metric") for length in (42.5, 43.5, 1234.4)] == ["43 m", "44 m", "1,234 m"]
    assert whole_length(10, units="us") == "33 ft"
    assert _words("T-12-0066, 44.5 m cable", "metric") == ["T-12-0066, 45 m cable", "T-12-0066, 45 m"]
    assert _words("2 sites, 6 m overhead", "us")[0] == "2 sites, 20 ft o/h"


def test_sites_of_other_districts_or_feeders_behind_a_point_are_counted(tmp_path: Path) -> None:
    changes = {"worst_switch_id": "S-000", "switch_id": "S-000", "feeder": ["F-1"] * 11 + ["F-2"], "band": "high"}
    saved = saved_survey(site_table(streets(12), **changes, district=["Harbour"] * 9 + ["", "", "Hill"]))
    (block,) = point_blocks(sheet_content(saved, district="Harbour", feeder=None), units="metric")
    assert (block.rows, block.beyond) == (tuple(range(9)), "and 1 more of Hill, 2 more of no district")
    (block,) = point_blocks(sheet_content(saved, district=None, feeder="F-1"), units="metric")
    assert block.beyond == "and 1 more of feeder F-2"
    (block,) = point_blocks(sheet_content(saved, district=None, feeder=None), units="metric")
    assert block.beyond == ""
    (path,) = make_sheets(saved, out=tmp_path, district="Harbour")
    made = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    text = " ".join(made.stdout.split())
    assert "and 5 more, see the table" in text
    assert "and 1 more of Hill, 2 more of no district" in text
