"""The points to look at first."""

from __future__ import annotations

import numpy as np
import pandas as pd

from survey.report.first_points import band_counts, first_points


def sites(**changes: object) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": ["a", "b", "c", "d", "e"],
            "switch_id": ["N", "N", "Q", "", "L"],
            "worst_switch_id": ["W", "W", "", "", "L"],
            "band": ["severe", "high", "high", "severe", "low"],
            "risk": [0.3, 0.2, 0.4, 0.9, 5.0],
            "priority": [50.0, 40.0, 60.0, 70.0, 90.0],
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
