"""What the sheets say of worse states: fed from the other end of a loop, or with a ring opened."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sheet_survey import saved_survey, site_table, streets

from survey.report.reread import SavedSurvey
from survey.report.sheets import make_sheets
from survey.report.sheets.content import sheet_content
from survey.report.sheets.paper import paper
from survey.report.sheets.points import BALANCED, NO_LOAD, PointBlock, block_height, block_pages, point_blocks
from survey.report.sheets.states import worse_in_state
from survey.report.sheets.table import table_rows

LOOP = {"tie_switch_id": "T-1", "tie_open_id": "K-2", "tie_worst_id": "S-000", "tie_band": "severe"}
RING = {**LOOP, "tie_switch_id": "", "status": "looped", "switch_id": "", "worst_switch_id": "", "hold_kw": np.nan}


def survey(count: int = 1, **changes: object) -> SavedSurvey:
    return saved_survey(site_table(streets(count), **changes))


def blocks(saved: SavedSurvey, district: str | None = None) -> dict[str, PointBlock]:
    made = point_blocks(sheet_content(saved, district=district, feeder=None), units="metric")
    return {block.switch_id: block for block in made}


def pages(saved: SavedSurvey, out: Path) -> str:
    (path,) = make_sheets(saved, out=out)
    made = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    return " ".join(made.stdout.split())


def test_a_worse_state_stands_on_the_card_and_in_the_table(tmp_path: Path) -> None:
    saved = survey(**LOOP, band="moderate", hold_kw=74.0, tie_hold_kw=825.0)
    assert blocks(saved)["S-000"].warnings == ("With T-1 closed and K-2 open: HOLD 825 kW",)
    assert blocks(saved)["S-000"].hold == ("HOLD 74 kW", BALANCED + " (common practice alone: the study was left out)")
    text = pages(saved, tmp_path)
    assert "HOLD 74 kW" in text
    assert "With T-1 closed and K-2 open: HOLD 825 kW" in text
    (row,) = table_rows(saved.sites, units="metric")
    assert row.action == "See point S-000. With T-1 closed and K-2 open, at S-000: HOLD 825 kW"
    assert row.load == "74; then 825"


def test_a_state_that_no_load_cures_says_so(tmp_path: Path) -> None:
    saved = survey(**{**LOOP, "tie_worst_id": "T-1"}, band="high", hold_kw=85.0, tie_hold_kw=np.nan)
    made = blocks(saved)
    assert made["S-000"].warnings == ("With T-1 closed and K-2 open, at T-1: THREE-POLE ONLY",)
    assert (made["T-1"].hold, made["T-1"].state) == (NO_LOAD, "With T-1 closed and K-2 open")
    assert "With T-1 closed and K-2 open, at T-1: THREE-POLE ONLY" in pages(saved, tmp_path)
    assert table_rows(saved.sites, units="metric")[0].load == "85; then 3-pole"


@pytest.mark.parametrize(
    ("band", "tie_band", "hold", "tie_hold", "worse"),
    [
        ("high", "severe", 50.0, 50.0, True),
        ("high", "high", 50.0, 60.0, True),
        ("high", "high", 50.0, np.nan, True),
        ("high", "high", 50.0, 40.0, False),
        ("high", "high", np.nan, np.nan, False),
        ("low", "low", 50.0, 90.0, False),
        ("high", "", 50.0, np.nan, False),
    ],
)
def test_a_state_is_worse_by_its_band_or_its_load(band, tie_band, hold, tie_hold, worse) -> None:
    changes = {**LOOP, "band": band, "tie_band": tie_band, "hold_kw": hold, "tie_hold_kw": tie_hold}
    saved = survey(**changes)
    assert worse_in_state(saved.sites).tolist() == [worse]
    assert all(bool(block.warnings) == worse for block in blocks(saved).values())


def test_of_several_states_the_worst_is_told() -> None:
    changes = {**LOOP, "tie_open_id": ["K-2", "K-3", "K-4"], "tie_hold_kw": [30.0, 70.0, 50.0]}
    saved = survey(3, **changes, band="high", hold_kw=20.0)
    assert blocks(saved)["S-000"].warnings == ("With T-1 closed and K-3 open: HOLD 70 kW (the worst of 3 states)",)


def test_sites_on_a_ring_have_the_card_of_the_point_of_their_state(tmp_path: Path) -> None:
    saved = survey(3, **RING, band="severe", tie_hold_kw=[115.0, 90.0, 115.0], tie_cable_m=1475.0, tie_peak_pu=6.15)
    block = blocks(saved)["S-000"]
    assert (block.state, block.hold) == ("With K-2 open", ("HOLD 115 kW", BALANCED))
    assert (block.rows, set(block.bands)) == ((0, 1, 2), {"severe then"})
    assert block.reason[:2] == ("1,475 m of cable behind it", "up to 6.2 times normal voltage")
    text = pages(saved, tmp_path)
    assert "With K-2 open" in text
    assert "1 T-0000 S-000" in text
    (row,) = table_rows(saved.sites.iloc[:1].assign(action="With K-2 open, at S-000: open and close."), units="metric")
    assert row.action == "With K-2 open, at S-000: HOLD 115 kW. See point S-000"


def test_a_site_without_a_point_in_the_normal_state_keeps_what_is_said_of_that() -> None:
    told = "No action in the normal state. With K-2 open, at S-000: open and close; or hold at least 17 kW."
    saved = survey(**{**RING, "status": "no_single_pole"}, band="low", tie_hold_kw=17.0, action=told)
    (row,) = table_rows(saved.sites, units="metric")
    assert row.action == "No action in the normal state. With K-2 open, at S-000: HOLD 17 kW"
    assert (row.load, row.band) == ("then 17", "No single-pole point")
    assert blocks(saved)["S-000"].hold[0] == "HOLD 17 kW"


def test_where_a_point_rings_in_the_normal_state_its_own_load_stands_above_that_of_the_state() -> None:
    saved = survey(**RING, band="severe", tie_hold_kw=115.0)
    points = saved.switching_points.assign(state="closed", hazard=55.0, hold_kw=75.0)
    block = blocks(replace(saved, switching_points=points))["S-000"]
    assert (block.state, block.hold[0]) == ("", "HOLD 75 kW")
    assert block.warnings == ("With K-2 open: HOLD 115 kW",)
    block = blocks(replace(saved, switching_points=points.assign(state="open")))["S-000"]
    assert (block.state, block.hold[0], block.about) == ("With K-2 open", "HOLD 115 kW", "normally open")


def test_a_worse_state_of_a_site_of_another_district_counts() -> None:
    changes = {**LOOP, "tie_band": ["", "severe"], "tie_worst_id": ["", "S-000"]}
    saved = survey(2, **changes, district=["Harbour", ""], band="high", hold_kw=20.0, tie_hold_kw=[np.nan, 70.0])
    assert blocks(saved, "Harbour")["S-000"].warnings == ("With T-1 closed and K-2 open: HOLD 70 kW",)


def test_blocks_with_warnings_are_higher_and_pages_hold_fewer() -> None:
    saved = survey(40, **LOOP, band="high", hold_kw=20.0, tie_hold_kw=90.0)
    content = sheet_content(saved, district=None, feeder=None)
    made = point_blocks(content, units="metric")
    body = paper("tabloid").body
    parts = block_pages(made, body=body)
    assert [block for part in parts for block in part] == made
    assert all(sum(map(block_height, part)) <= body.height for part in parts)
    calm = block_pages([replace(block, warnings=()) for block in made], body=body)
    assert len(parts[0]) < len(calm[0])


def test_the_load_of_a_state_is_never_cut_off_by_long_ids(tmp_path: Path) -> None:
    ids = {"tie_switch_id": "T" * 400, "tie_open_id": "K" * 400, "tie_worst_id": "W" * 400}
    saved = survey(2, **{**LOOP, **ids}, band="high", hold_kw=20.0, tie_hold_kw=825.0)
    assert blocks(saved)["S-000"].warnings[0].endswith(": HOLD 825 kW")
    assert pages(saved, tmp_path).count("HOLD 825 kW") >= 2
    assert all("HOLD 825 kW" in row.action for row in table_rows(saved.sites, units="metric"))
