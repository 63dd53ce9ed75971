"""Transformer formulas against published figures; every figure with its source beside it."""

import math

import numpy as np
import pytest

from survey.physics.transformer import (
    base_impedance_ohm,
    half_load_no_load_share,
    magnetizing_pu,
    magnetizing_reactance_ohm,
    own_capacitance_f,
    parallel_reactance_ohm,
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


def test_xm_of_the_worked_chain():
    # 300 kVA, 12.47 kV, exciting 0.5 % taken as reactive: 103.67 kohm (arithmetic).
    value = magnetizing_reactance_ohm(rating_va=300e3, voltage_v=12470, magnetizing_pu=0.005)
    assert value == pytest.approx(103.67e3, rel=1e-4)
    assert value == pytest.approx(base_impedance_ohm(rating_va=300e3, voltage_v=12470) / 0.005)


def test_xm_without_magnetizing_power_is_infinite():
    assert magnetizing_reactance_ohm(rating_va=300e3, voltage_v=12470, magnetizing_pu=0.0) == math.inf


def test_parallel():
    assert parallel_reactance_ohm([]) == math.inf
    assert parallel_reactance_ohm([6.0, 3.0]) == pytest.approx(2.0)


# EPRI circuit 24, 34.5 kV in service, no-load loss % of rating; 10 CFR 431.196(b)(2) efficiency % (from memory).
@pytest.mark.parametrize(
    ("kva", "in_service_pct", "efficiency_pct"),
    [(75, 0.198, 99.03), (300, 0.1525, 99.27), (500, 0.156, 99.35), (1000, 0.133, 99.43), (1500, 0.128, 99.48)],
)
def test_half_of_the_loss_at_half_load_is_an_upper_side(kva, in_service_pct, efficiency_pct):
    estimate = 100 * half_load_no_load_share(efficiency_pct / 100)
    assert in_service_pct < estimate < 1.3 * in_service_pct, kva


def test_half_load_share_at_the_limit():
    assert half_load_no_load_share(1.0) == 0


def test_arrays_equal_scalars():
    ratings, voltages = np.array([75e3, 500e3]), np.array([12470.0, 34500.0])
    together = own_capacitance_f(rating_va=ratings, voltage_v=voltages)
    single = [own_capacitance_f(rating_va=s, voltage_v=v) for s, v in zip(ratings, voltages, strict=True)]
    np.testing.assert_array_equal(together, single)
    together = magnetizing_reactance_ohm(rating_va=ratings, voltage_v=voltages, magnetizing_pu=0.004)
    single = [
        magnetizing_reactance_ohm(rating_va=s, voltage_v=v, magnetizing_pu=0.004)
        for s, v in zip(ratings, voltages, strict=True)
    ]
    np.testing.assert_array_equal(together, single)
