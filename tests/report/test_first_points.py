"""The points to look at first."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from survey.console import _print_first
from survey.report.first_points import band_counts, first_points


def sites(**changes: object) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": ["a", "b", "c", "d", "e"],
            "switch_id": ["N", "N", "Q", "", "L"],
            "worst_switch_id": ["W", "W", "", "", "L"],
            "status": ["assessed", "assessed", "assessed", "looped", "assessed"],
            "band": ["severe", "high", "high", "severe", "low"],
            "risk": [0.3, 0.2, 0.4, 0.9, 5.0],
            "priority": [50.0, 40.0, 60.0, 70.0, 90.0],
            "tie_band": ["severe", "severe", "", "severe", "high"],
            **changes,
        }
    )


def test_points_by_the_risk_of_the_urgent_sites_whose_score_they_set():
    assert [(name, own["site_id"].tolist()) for name, own in first_points(sites())] == [("W", ["a", "b"]), ("Q", ["c"])]


def test_without_an_urgent_site_all_count_and_without_risk_the_priority():
    found = first_points(sites(band="low", risk=np.nan))
    assert [name for name, _ in found] == ["W", "L", "Q"]


def test_nothing_to_look_at():
    assert first_points(sites(risk=0.0)) == []


def test_counts_in_words():
    assert band_counts(sites().iloc[:3]) == "1 severe and 2 high sites"
    assert band_counts(sites().iloc[:1]) == "1 severe site"


def test_the_terminal_gives_the_figures_of_the_point_as_the_map_and_the_sheets_do(capsys):
    """Not those of its urgent sites: one of a lower band behind it can ring higher."""
    urgent = sites(worst_device="cutout", switch_device="", worst_peak_pu=2.0, worst_cable_m=50.0)
    points = pd.DataFrame({"switch_id": ["W", "Q"], "exposed_cable_m": [50.0, np.nan], "peak_pu": [3.5, np.nan]})
    _print_first(urgent, points)
    told = capsys.readouterr().out
    assert "cutout W: 1 severe and 1 high sites, 50 m of cable behind it, up to 3.5 pu: a, b" in told
    assert "cutout Q: 1 high site: c" in told
    assert "Rings       1 severe site once the ring is opened, see action: d" in told
    assert re.search(r"Back-fed +1 severe and 1 high sites that are of a lower band .* see\s+action: b, e", told, re.S)
