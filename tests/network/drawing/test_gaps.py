"""Ends that almost meet and cables that stand there twice are said, not mended."""

from __future__ import annotations

import pandas as pd
import pytest
from exports import _cable, tables, write_gpkg

from survey.pipeline import run_survey
from survey.settings import build_settings


def survey(tmp_path, *more, **network):
    layers = tables()
    layers["cables"] = pd.concat([layers["cables"], pd.DataFrame(more)], ignore_index=True)
    path = write_gpkg(tmp_path / "net.gpkg", layers)
    return run_survey(path, settings=build_settings({"study": {"run": False}, "network": network}))


def finding(result, rule):
    rows = result.findings[result.findings.rule == rule]
    return None if rows.empty else rows.iloc[0]


def test_a_gap_is_told_with_the_tolerance_that_would_close_it(tmp_path):
    # 1.23 m short of the dead end of C9, which itself ends at nothing
    far = _cable("C8", [(300, 300), (380, 300)])
    near = _cable("C9", [(381.23, 300), (460, 300)])
    found = finding(survey(tmp_path, far, near), "near_miss")
    assert found.ids.split() == ["C8", "C9"]
    assert "by 1.23 to 1.23 m" in found.message
    assert "network.snap_m = 1.3" in found.message
    assert found.severity == "warning"


def test_with_that_tolerance_the_ends_are_joined(tmp_path):
    far = _cable("C8", [(300, 300), (380, 300)])
    near = _cable("C9", [(381.23, 300), (460, 300)])
    result = survey(tmp_path, far, near, snap_m=1.3)
    assert finding(result, "near_miss") is None


def test_ends_at_sites_and_far_ends_are_no_gaps(tmp_path):
    lone = _cable("C8", [(300, 300), (380, 300)])
    result = survey(tmp_path, lone)
    assert finding(result, "near_miss") is None
    assert result.record["health"]["near_misses"] == 0


@pytest.mark.parametrize("points", [[(200, 80), (300, 80)], [(300, 80), (200, 80)]], ids=["same way", "reversed"])
def test_a_cable_drawn_twice_is_told_and_counts_as_parallel(tmp_path, points):
    result = survey(tmp_path, _cable("C2b", points))
    found = finding(result, "drawn_twice")
    assert found.ids.split() == ["C2", "C2b"]
    assert finding(result, "ring_drawn_twice").message.endswith("; take out the double records")
    assert result.switching_points.set_index("switch_id").exposed_cable_m["R1"] == pytest.approx(380, abs=0.2)


def test_conductors_of_other_phases_on_one_line_are_no_twins(tmp_path):
    line = [(300, 0), (300, 90)]
    result = survey(tmp_path, {**_cable("CA", line), "phases": "AB"}, {**_cable("CB", line), "phases": "C"})
    assert finding(result, "drawn_twice") is None


def test_parallel_cables_on_lines_of_their_own_are_not_twins(tmp_path):
    result = survey(tmp_path, _cable("C2b", [(200, 80), (250, 83), (300, 80)]))
    assert finding(result, "drawn_twice") is None
    assert finding(result, "closed_ring").message.endswith("; record the open point")
