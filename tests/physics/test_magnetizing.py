"""The magnetizing curve: odd, rising, im at rated flux, 1/xs beyond the knee."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from survey.physics.magnetizing import magnetizing_component, magnetizing_current

CURVE = {"exciting": 0.005, "knee": 1.15, "air_core_reactance": 0.2}


def test_at_rated_flux_and_beyond_the_knee():
    assert magnetizing_current(1.0, **CURVE) == pytest.approx(0.005)
    assert magnetizing_current(1.15, **CURVE) == pytest.approx(0.005 * 1.15)
    # by hand: 0.005 x 1.35 + 0.2 / 0.2
    assert magnetizing_current(1.35, **CURVE) == pytest.approx(1.00675)


@given(st.floats(-5, 5), st.floats(-5, 5))
def test_odd_and_rising(one, other):
    low, high = sorted((one, other))
    assert magnetizing_current(-low, **CURVE) == -magnetizing_current(low, **CURVE)
    assert magnetizing_current(low, **CURVE) <= magnetizing_current(high, **CURVE)


def test_the_reactive_part_of_the_exciting_current():
    # 0.5 % exciting current, 0.3 % loss: the 3-4-5 triangle
    assert magnetizing_component(0.005, 0.003) == pytest.approx(0.004)
    assert np.array_equal(magnetizing_component([0.002, 0.002], [0.002, 0.003]), [0.0, 0.0])
