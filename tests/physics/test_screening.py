"""Screening: limits first, then the worked chain, then arrays equal scalars."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from survey.physics.cable import capacitive_reactance_ohm
from survey.physics.families import FAMILIES
from survey.physics.screening import (
    DEFAULT_LIMITS,
    charge_loss,
    charging_pu,
    clears,
    limit_capacitance_f,
    limit_charging_pu,
    limit_length_m,
    xc_xm,
)
from survey.physics.transformer import own_capacitance_f
from survey.settings import LimitSettings

LIMITS = DEFAULT_LIMITS
FOOT_M = 0.3048
ONE_OUGHT_15 = 53.4924e-9 / 304.8  # F/m; 1/0, 15 kV class: IEEE PES distribution test feeders
ONE_OUGHT_35 = 35.04e-9 / 304.8  # F/m; 1/0, 35 kV class: EPRI test circuit 24


def test_limits_are_those_of_the_settings():
    assert {name: getattr(LimitSettings(), name) for name in LIMITS} == LIMITS


def test_no_capacitance_clears_every_family():
    for family in FAMILIES:
        assert clears(family, charging_pu=0.0, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)


def test_the_limit_itself_clears_and_a_little_more_does_not():
    for family, ratio in (("delta", 40.0), ("floating_wye", 40.0)):
        at = 0.005 / ratio
        assert clears(family, charging_pu=at, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)
        assert not clears(family, charging_pu=at * 1.001, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)
    assert clears("five_legged", charging_pu=0.002, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)
    assert not clears("five_legged", charging_pu=0.00201, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)


def test_each_family_has_its_own_limit():
    limits = {"delta_xc_xm": 50, "floating_wye_xc_xm": 30, "five_legged_charge_loss": 2, "open_delta_xc_xm": 45}
    allowed = limit_charging_pu(np.array(FAMILIES), magnetizing_pu=0.006, core_loss_pu=0.002, limits=limits)
    np.testing.assert_allclose(allowed, [0.006 / 50, 0.006 / 30, 0.004, 0.006 / 45])


def test_unknown_family_and_missing_values_never_clear():
    assert not clears("zigzag", charging_pu=0.0, magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS)
    assert not clears("delta", charging_pu=0.0, magnetizing_pu=math.nan, core_loss_pu=0.002, limits=LIMITS)
    assert math.isnan(limit_charging_pu("zigzag", magnetizing_pu=0.005, core_loss_pu=0.002, limits=LIMITS))


def test_ratios_at_the_limits():
    assert xc_xm(magnetizing_pu=0.005, charging_pu=0.0) == math.inf
    assert charge_loss(charging_pu=0.0, core_loss_pu=0.0) == 0.0
    assert charge_loss(charging_pu=0.1, core_loss_pu=0.0) == math.inf
    assert math.isnan(charge_loss(charging_pu=math.nan, core_loss_pu=0.0))
    assert charging_pu(capacitance_f=1e-9, voltage_v=12470, rating_va=0.0, frequency_hz=60) == math.inf


def test_length_at_the_limits():
    assert limit_length_m(limit_capacitance_f=1e-9, own_capacitance_f=2e-9, mix_f_m=1e-10) == 0.0
    assert limit_length_m(limit_capacitance_f=3e-9, own_capacitance_f=2e-9, mix_f_m=1e-10) == pytest.approx(10.0)
    assert limit_length_m(limit_capacitance_f=3e-9, own_capacitance_f=2e-9, mix_f_m=0.0) == math.inf


# kVA, kV, no-load loss %, charge_loss without cable, feet of cable to charge_loss 1, cable.
# Arithmetic at 60 Hz on: losses of EPRI circuits M1 and 24, own capacitance of Walling 1992 (second-hand), and the
# cables above.
WORKED_CHAIN = [
    (75, 12.47, 0.2, 0.55, 21.6, ONE_OUGHT_15),
    (150, 12.47, 0.20207, 0.36, 62.0, ONE_OUGHT_15),
    (300, 12.47, 0.17907, 0.27, 125.6, ONE_OUGHT_15),
    (750, 12.47, 0.10813, 0.25, 192.7, ONE_OUGHT_15),
    (75, 34.5, 0.198, 3.29, 0.0, ONE_OUGHT_35),
    (1000, 34.5, 0.13255, 1.04, 0.0, ONE_OUGHT_35),
    (1500, 34.5, 0.1279, 0.84, 19.1, ONE_OUGHT_35),
]


def five_legged_length_m(*, rating_va, voltage_v, core_loss_pu, mix_f_m):
    allowed = limit_charging_pu("five_legged", magnetizing_pu=0.005, core_loss_pu=core_loss_pu, limits=LIMITS)
    capacitance = limit_capacitance_f(
        limit_charging_pu=allowed, rating_va=rating_va, voltage_v=voltage_v, frequency_hz=60
    )
    own = own_capacitance_f(rating_va=rating_va, voltage_v=voltage_v)
    return limit_length_m(limit_capacitance_f=capacitance, own_capacitance_f=own, mix_f_m=mix_f_m)


@pytest.mark.parametrize("case", WORKED_CHAIN, ids=lambda case: f"{case[0]} kVA {case[1]} kV")
def test_worked_chain(case):
    kva, kv, loss_pct, bare, feet, mix_f_m = case
    rating_va, voltage_v, loss = kva * 1e3, kv * 1e3, loss_pct / 100
    own = own_capacitance_f(rating_va=rating_va, voltage_v=voltage_v)
    b = charging_pu(capacitance_f=own, voltage_v=voltage_v, rating_va=rating_va, frequency_hz=60)
    assert charge_loss(charging_pu=b, core_loss_pu=loss) == pytest.approx(bare, abs=0.005)
    length = five_legged_length_m(rating_va=rating_va, voltage_v=voltage_v, core_loss_pu=loss, mix_f_m=mix_f_m)
    assert length / FOOT_M == pytest.approx(feet, abs=0.05)


def test_worked_ratio():
    # 300 kVA, 12.47 kV, exciting 0.5 % taken as reactive, 500 ft of 1/0: 0.96; length for 40: 12.0 ft (arithmetic; the
    # transformer's own capacitance is left out there).
    capacitance = ONE_OUGHT_15 * 500 * FOOT_M
    b = charging_pu(capacitance_f=capacitance, voltage_v=12470, rating_va=300e3, frequency_hz=60)
    assert xc_xm(magnetizing_pu=0.005, charging_pu=b) == pytest.approx(0.96, abs=0.005)
    allowed = limit_capacitance_f(limit_charging_pu=0.005 / 40, rating_va=300e3, voltage_v=12470, frequency_hz=60)
    length = limit_length_m(limit_capacitance_f=allowed, own_capacitance_f=0.0, mix_f_m=ONE_OUGHT_15)
    assert length / FOOT_M == pytest.approx(12.0, abs=0.05)


def test_own_capacitance_alone_can_fail_the_ratio():
    # 500 kVA at 12.47 kV with 0.5 %: Xc/Xm = 14 without any cable (Walling et al. 1993 say so of low-loss cores).
    own = own_capacitance_f(rating_va=500e3, voltage_v=12470)
    b = charging_pu(capacitance_f=own, voltage_v=12470, rating_va=500e3, frequency_hz=60)
    assert xc_xm(magnetizing_pu=0.005, charging_pu=b) == pytest.approx(14, abs=0.5)


positive = st.floats(min_value=1e-6, max_value=1e6)


@given(
    capacitance_nf=st.floats(0.1, 1e4),
    kva=st.floats(15, 5000),
    kv=st.floats(2.4, 46),
    magnetizing=st.floats(1e-4, 0.05),
)
def test_ratio_of_ohms_equals_ratio_of_per_units(capacitance_nf, kva, kv, magnetizing):
    in_ohms = capacitive_reactance_ohm(capacitance_f=capacitance_nf * 1e-9, frequency_hz=60) / (
        kv * 1e3 * kv / kva / magnetizing
    )
    b = charging_pu(capacitance_f=capacitance_nf * 1e-9, voltage_v=kv * 1e3, rating_va=kva * 1e3, frequency_hz=60)
    assert xc_xm(magnetizing_pu=magnetizing, charging_pu=b) == pytest.approx(in_ohms, rel=1e-12)


@given(family=st.sampled_from(FAMILIES), kva=st.floats(15, 5000), kv=st.floats(2.4, 46), mix=st.floats(50e-12, 1e-9))
def test_a_section_of_limit_length_clears_and_a_longer_one_does_not(family, kva, kv, mix):
    own = own_capacitance_f(rating_va=kva * 1e3, voltage_v=kv * 1e3)
    values = {"magnetizing_pu": 0.01, "core_loss_pu": 0.003, "limits": LIMITS}
    base = {"voltage_v": kv * 1e3, "rating_va": kva * 1e3, "frequency_hz": 60}
    limit = limit_capacitance_f(limit_charging_pu=limit_charging_pu(family, **values), **base)
    length = limit_length_m(limit_capacitance_f=limit, own_capacitance_f=own, mix_f_m=mix)
    if length > 0:
        assert clears(family, charging_pu=charging_pu(capacitance_f=own + mix * length, **base), **values)
    longer = own + mix * (length + 0.01)
    assert not clears(family, charging_pu=charging_pu(capacitance_f=longer, **base), **values)


def test_arrays_equal_scalars():
    families = np.array(["delta", "five_legged", "floating_wye", "other"])
    b, im, p = (
        np.array([1e-5, 1e-3, 1e-2, 1e-2]),
        np.array([0.005, 0.004, 0.01, 0.01]),
        np.array([0.002, 0.001, 0.003, 1]),
    )
    together = clears(families, charging_pu=b, magnetizing_pu=im, core_loss_pu=p, limits=LIMITS)
    single = [
        clears(f, charging_pu=x, magnetizing_pu=y, core_loss_pu=z, limits=LIMITS)
        for f, x, y, z in zip(families, b, im, p, strict=True)
    ]
    np.testing.assert_array_equal(together, single)
    np.testing.assert_array_equal(xc_xm(magnetizing_pu=im, charging_pu=b), im / b)
