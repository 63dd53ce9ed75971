"""Transformer formulas against published figures; every figure with its source beside it."""

import numpy as np
import pytest

from survey.physics.transformer import (
    magnetizing_pu,
    own_capacitance_f,
)


@pytest.mark.parametrize(("kv", "published_nf"), [(12.47, 1.404), (34.5, 1.088)])
def test_published_own_capacitance_of_75_kva(kv, published_nf):
    # Walling 1992, in NRECA RER Project 90-8, 1993 (second-hand).
    assert own_capacitance_f(rating_va=75e3, voltage_v=kv * 1e3) * 1e9 == pytest.approx(published_nf, rel=5e-4)


def test_own_capacitance_needs_rating_and_voltage():
    assert np.isnan(own_capacitance_f(rating_va=[0, -5e3, 75e3, np.nan], voltage_v=[12470, 12470, 0, 12470])).all()


def test_own_capacitance_scales_as_stated():
    small, large = own_capacitance_f(rating_va=[100e3, 3200e3], voltage_v=12470)
    assert large / small == pytest.approx(32**0.4)


def test_magnetizing_current_at_the_limits():
    assert magnetizing_pu(exciting_pu=0.005, core_loss_pu=0.0) == 0.005
    assert magnetizing_pu(exciting_pu=0.005, core_loss_pu=0.003) == pytest.approx(0.004)


def test_exciting_current_that_is_only_the_loss_current_is_no_exciting_current():
    # Trap: i0 in pandapower and SimBench equals core loss over rating, so its reactive part is zero.
    assert np.isnan(magnetizing_pu(exciting_pu=[0.002, 0.001, 0.005], core_loss_pu=[0.002, 0.002, -0.001])).all()


def test_old_generic_table_is_unsafe():
    # Older generic tables: 75 kVA with 0.63 % loss and 3.24 % exciting current, against 0.2 % and 0.5 % today.
    old = magnetizing_pu(exciting_pu=0.0324, core_loss_pu=0.0063)
    today = magnetizing_pu(exciting_pu=0.005, core_loss_pu=0.002)
    assert old / today > 6


def test_arrays_equal_scalars():
    ratings, voltages = np.array([75e3, 500e3]), np.array([12470.0, 34500.0])
    together = own_capacitance_f(rating_va=ratings, voltage_v=voltages)
    single = [own_capacitance_f(rating_va=s, voltage_v=v) for s, v in zip(ratings, voltages, strict=True)]
    np.testing.assert_array_equal(together, single)
