"""Hazard, score, priority and band: limits first, then monotone in everything that should matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from survey.assess.score import (
    BANDS,
    band_of,
    hazard_from_screen,
    hazard_from_study,
    lowered_by_gang,
    lowered_by_load,
    priority,
    severity,
)
from survey.settings import ScoreSettings

S = ScoreSettings()
peaks = st.floats(0, 12)
shares = st.floats(0, 1)
hazards = st.floats(0, 100)
counts = st.integers(0, 10_000)


def test_severity_runs_from_nominal_to_the_full_peak():
    assert severity([0.5, 1.0, 2.5, 4.0, 9.0], peak_full_pu=4.0).tolist() == [0, 0, 0.5, 1, 1]


def test_hazard_of_a_sure_full_peak_is_100_and_of_a_rare_one_60():
    assert hazard_from_study(5.0, 1.0, settings=S) == 100
    assert hazard_from_study(5.0, 0.0, settings=S) == pytest.approx(60)


def test_moderate_begins_at_the_voltage_limit_however_rare():
    rare = hazard_from_study(1.25, 0.0, settings=S)
    assert BANDS[int(band_of(rare, settings=S))] == "moderate"


def test_screen_hazard_is_nothing_where_the_limit_clears_and_full_at_a_hundred_times():
    assert hazard_from_screen([0.0, 1.0, 10.0, 100.0, np.inf]).tolist() == [0, 0, 50, 100, 100]


def test_a_cut_point_belongs_to_the_upper_band():
    cuts = [0, S.moderate_from, S.high_from, S.severe_from, 100]
    assert [BANDS[i] for i in band_of(cuts, settings=S)] == ["low", "moderate", "high", "severe", "severe"]


def test_full_consequence_keeps_the_score_and_none_lowers_it():
    assert priority(80.0, customers=1e6, critical=True, settings=S) == pytest.approx(80)
    assert priority(80.0, customers=0, critical=False, settings=S) == pytest.approx(80 / 1.5)


@given(peaks, peaks, shares, shares)
def test_hazard_rises_with_peak_and_likelihood(peak_a, peak_b, chance_a, chance_b):
    low = hazard_from_study(min(peak_a, peak_b), min(chance_a, chance_b), settings=S)
    high = hazard_from_study(max(peak_a, peak_b), max(chance_a, chance_b), settings=S)
    assert 0 <= low <= high <= 100


@given(hazards, hazards, hazards)
def test_load_lowers_by_what_it_calms_but_never_below_its_trust(hazard, loaded_a, loaded_b):
    calm, less_calm = sorted([loaded_a, loaded_b])
    a = lowered_by_load(hazard, calm, settings=S)
    b = lowered_by_load(hazard, less_calm, settings=S)
    assert a <= b
    assert a >= hazard * (1 - S.load_trust)
    assert b >= less_calm


@given(hazards, st.booleans())
def test_a_gang_switch_only_lowers(hazard, gang):
    assert lowered_by_gang(hazard, gang, settings=S) <= hazard
    assert lowered_by_gang(hazard, False, settings=S) == hazard


@given(hazards, hazards, counts, counts, st.booleans(), st.booleans())
def test_priority_rises_with_score_customers_and_critical(a, b, few, many, one, other):
    low = priority(min(a, b), customers=min(few, many), critical=one and other, settings=S)
    high = priority(max(a, b), customers=max(few, many), critical=one or other, settings=S)
    assert 0 <= low <= high <= 100 + 1e-9


@given(hazards, hazards)
def test_bands_never_fall_as_hazard_rises(a, b):
    assert band_of(min(a, b), settings=S) <= band_of(max(a, b), settings=S)
