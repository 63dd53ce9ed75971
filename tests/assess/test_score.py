"""Severity, score, consequence, priority and band: limits first, then monotone in everything that should matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from survey.assess.score import (
    BANDS,
    HIGH_FROM,
    NO,
    SEVERE_FROM,
    UNKNOWN,
    YES,
    band_of,
    consequence,
    lowered_by_gang,
    lowered_by_load,
    priority,
    severity,
    severity_of_peak,
    severity_of_screen,
    severity_of_seconds,
)
from survey.settings import ScoreSettings

S = ScoreSettings(
    severe_s=20, high_s=900, high_peak_pu=2.2, severe_peak_pu=4.0, load_trust=0.3, gang_trust=0.8,
    customers_half=40, customers_weight=0.6, rating_half_kva=300, rating_weight=0.1, critical_weight=0.35,
)  # fmt: skip
"""Away from the defaults, so that no two weights and no share and its complement are alike."""
LIMIT = 1.25
peaks = st.floats(0, 9.9)
times = st.floats(0.02, 80_000)
shares = st.floats(0, 1)
hazards = st.floats(0, 100)
counts = st.integers(0, 10_000)


def band(hazard):
    return BANDS[int(band_of(hazard))]


def of_peak(peak):
    return severity_of_peak(peak, voltage_limit_pu=LIMIT, settings=S)


def of_seconds(seconds):
    return severity_of_seconds(seconds, settings=S)


def test_bands_begin_where_the_cut_points_say():
    assert [band(of_peak(x)) for x in (0, 1.25, 1.2501, 2.199, 2.2, 3.99, 4.0, 50)] == [
        "low", "low", "moderate", "moderate", "high", "high", "severe", "severe",
    ]  # fmt: skip
    assert [band(of_seconds(x)) for x in (np.inf, 86_400, 80_000, 901, 900, 21, 20, 1e-6)] == [
        "low", "low", "moderate", "moderate", "high", "high", "severe", "severe",
    ]  # fmt: skip


def test_scales_are_logarithmic_between_cut_points():
    assert of_peak(np.sqrt(2.2 * 4.0)) == pytest.approx((HIGH_FROM + SEVERE_FROM) / 2)
    assert of_seconds(np.sqrt(20 * 900)) == pytest.approx((HIGH_FROM + SEVERE_FROM) / 2)


def both(peak, seconds, arrester):
    return float(severity(peak, seconds, arrester=arrester, voltage_limit_pu=LIMIT, settings=S))


def test_arresters_decide_which_reading_counts_and_unknown_is_the_worse():
    assert both(5.0, np.inf, NO) == of_peak(5.0)
    assert both(5.0, 100.0, YES) == of_seconds(100.0)
    assert both(1.8, 2.0, UNKNOWN) == of_seconds(2.0)
    assert both(5.0, np.inf, UNKNOWN) == of_peak(5.0)


def test_an_arrester_that_takes_nothing_or_little_leaves_what_is_over_the_limit():
    assert band(both(1.6, np.inf, YES)) == "moderate"
    assert both(1.6, np.inf, YES) == of_peak(1.6)
    assert band(both(6.0, np.inf, YES)) == "moderate"
    assert both(1.2, np.inf, YES) == 0


@given(peaks, peaks, times, st.sampled_from([YES, UNKNOWN, NO]))
def test_severity_rises_with_the_peak(a, b, seconds, arrester):
    assert both(min(a, b), seconds, arrester) <= both(max(a, b), seconds, arrester)


@given(peaks, times, times, st.sampled_from([YES, UNKNOWN, NO]))
def test_severity_falls_with_the_time(peak, a, b, arrester):
    assert both(peak, max(a, b), arrester) <= both(peak, min(a, b), arrester)


@given(st.floats(1.26, 9.9), st.floats(1.26, 9.9))
def test_nothing_that_can_be_is_at_the_top_of_the_scale(a, b):
    assert of_peak(max(a, b)) < 100
    apart = abs(np.log(a) - np.log(b))
    assert (of_peak(a) != of_peak(b)) if apart > 1e-9 else (of_peak(a) == pytest.approx(of_peak(b), rel=1e-6))


def test_screen_is_calm_up_to_its_limit_and_full_at_a_hundred_times():
    assert severity_of_screen([0.0, 0.5, 1.0, 10.0, 100.0, np.inf]).tolist() == [0, 0, 0, 50, 100, 100]


@given(hazards, hazards)
def test_load_protects_at_most_the_share_that_is_trusted(bare, loaded):
    lowered = lowered_by_load(bare, loaded, settings=S)
    assert lowered >= 0.7 * bare
    assert lowered >= loaded
    assert lowered in (loaded, pytest.approx(0.7 * bare))


def test_a_three_pole_device_between_protects_by_its_share():
    assert lowered_by_gang([10.0, 10.0], [True, False], settings=S).tolist() == pytest.approx([2.0, 10.0])


def test_consequence_counts_each_part_with_its_own_weight():
    def weight(customers=0, critical=False, kva=0.0):
        return float(consequence(customers, critical, rating_va=kva * 1e3, settings=S))

    assert weight() == 1
    assert weight(customers=40) == pytest.approx(1.3)
    assert weight(critical=True) == pytest.approx(1.35)
    assert weight(kva=300) == pytest.approx(1.05)
    assert weight(1000, critical=True, kva=900) == pytest.approx(1 + 0.6 * 1000 / 1040 + 0.35 + 0.075)


@given(counts, counts, st.booleans())
def test_consequence_rises_with_customers_and_has_no_ceiling_that_is_met(a, b, critical):
    low, high = (consequence(n, critical, rating_va=0.0, settings=S) for n in sorted((a, b)))
    assert low < high or a == b


def test_priority_is_risk_on_a_fixed_scale():
    assert priority([0.0, 9e-4, 0.0999, 10.0, 1000.0]) == pytest.approx([0, 20, 60, 100, 100], abs=1e-3)


@given(st.floats(0, 9), st.floats(0, 9))
def test_priority_and_band_rise_with_what_they_are_of(a, b):
    assert priority(min(a, b)) <= priority(max(a, b))
    assert band_of(min(a, b)) <= band_of(max(a, b))
