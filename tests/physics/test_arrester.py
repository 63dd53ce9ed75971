"""Arresters: limits by voltage class, seconds to the limit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from survey.physics.arrester import seconds_to_limit, thermal_limit_j
from survey.physics.catalogue import Catalogue

CATALOGUE = Catalogue.load()


@pytest.mark.parametrize(
    ("kv", "continuous_kv"), [(4.16, 2.55), (12.47, 8.4), (13.8, 8.4), (24.94, 15.3), (34.5, 22.0), (20.0, 15.3)]
)
def test_usual_continuous_rating_by_voltage(kv, continuous_kv):
    # IEEE C62.22-2009 application table (from memory)
    assert CATALOGUE.arrester_limit_j(kv * 1e3) == pytest.approx(continuous_kv * 2.2e3)


def test_no_class_is_rated_below_the_voltage_to_ground_of_its_systems():
    classes = CATALOGUE.arrester_classes
    assert (classes["continuous_kv"] > 0.95 * classes["up_to_kv"] / 3**0.5).all()
    assert (np.diff(classes["up_to_kv"]) > 0).all()


def test_other_energy_per_kv_scales_and_higher_voltages_have_none():
    assert CATALOGUE.arrester_limit_j(12470.0, energy_kj_per_kv=4.4) == 2 * CATALOGUE.arrester_limit_j(12470.0)
    assert np.isnan(CATALOGUE.arrester_limit_j([69e3, np.nan])).all()


def test_about_eighteen_kilojoules_at_12_kv():
    assert thermal_limit_j(continuous_v=8400.0, energy_j_per_v=2.2) == pytest.approx(18_480.0)
    assert seconds_to_limit(power_w=3000.0, limit_j=18_480.0) == pytest.approx(6.16)


def test_nothing_taken_is_no_end_and_unknown_stays_unknown():
    assert seconds_to_limit(power_w=0.0, limit_j=1e4) == math.inf
    assert np.isnan(seconds_to_limit(power_w=[np.nan, 1.0], limit_j=[1e4, np.nan])).all()
