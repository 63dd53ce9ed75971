"""Bands and ranks tell sites apart: on the sample and on two large invented utilities (``judged/make_judged.py``)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from survey.assess.score import BANDS, NO, UNKNOWN, YES, band_of, severity
from survey.settings import Settings

JUDGED = Path(__file__).parent / "judged"
NAMES = ("sample", "plain", "recorded")


@pytest.fixture(params=NAMES)
def assessed(request):
    sites = pd.read_csv(JUDGED / f"{request.param}.csv")
    return sites[sites["status"] == "assessed"].reset_index(drop=True)


def test_no_band_holds_more_than_half_and_the_top_one_at_most_a_third(assessed):
    share = assessed["band"].value_counts(normalize=True)
    assert len(assessed) > 70
    assert share.max() <= 0.5
    assert share.get("severe", 0.0) <= 1 / 3


def test_the_hazard_kept_is_what_the_formulas_and_the_cut_points_give_now(assessed):
    """At no load, under one of the three readings of arresters; a load may only raise it."""
    settings = Settings()
    readings = [
        severity(
            assessed["worst_peak_pu"],
            assessed["arrester_s"].fillna(np.inf),
            arrester=reading,
            voltage_limit_pu=settings.limits.voltage_pu,
            settings=settings.score,
        )
        for reading in (YES, UNKNOWN, NO)
    ]
    hazard = assessed["hazard"].to_numpy()
    assert np.isclose(readings, hazard, atol=1e-4).any(axis=0).mean() > 0.97
    assert (hazard >= np.min(readings, axis=0) - 1e-4).all()
    assert [BANDS[k] for k in band_of(hazard)] == assessed["band"].tolist()


def test_ties_are_rare(assessed):
    risk = assessed.loc[assessed["risk"] > 0, "risk"].to_numpy()
    assert (np.diff(risk) <= 0).all()
    tied = np.isclose(risk[1:], risk[:-1], rtol=1e-9)
    alone = ~(np.append(tied, False) | np.append(False, tied))
    assert len(risk) > 50
    assert alone.mean() >= 0.95
