"""What the study must reproduce: published rules, and figures derived from circuit laws.

im 0.005, p 0.002, r 0.02, knee 1.15, xs 0.2 throughout, as the derived figures were. Tolerances are stated beside them.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from survey.physics.families import Circuit
from survey.physics.sequences import switching_plan
from survey.physics.study import direct

IM, P = 0.005, 0.002
DENSITY = 16
"""The curves take fewer draws at each node; a rare state, one draw in two hundred, needs many to be met."""


@cache
def peaks(circuit, b, load=0.0, im=IM, p=P):
    """Sustained peak of every operation."""
    return direct(circuit, b=b, p=p, im=im, load=load, density=DENSITY)[:, 0]


def closed_after(circuit):
    """Number of poles closed after each operation."""
    states, _ = switching_plan(circuit, density=DENSITY)
    return np.array([bin(s).count("1") for s in states[:, 1:].ravel()])


def largest(circuit, b, *, poles=None, **more):
    found = peaks(circuit, b, **more)
    return found.max() if poles is None else found[closed_after(circuit) == poles].max()


@pytest.mark.parametrize("load", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("ratio", [40.0, 80.0])
def test_delta_at_a_ratio_of_40_and_over_stays_under_the_limit(ratio, load):
    # Hopkinson 1967, IEEE C57.105 (from memory): Xc/Xm >= 40 keeps the open phase at or under 1.25 per unit
    assert largest(Circuit.DELTA, IM / ratio, load=load) <= 1.25


def test_delta_at_a_ratio_of_10_with_one_pole_closed():
    # derived: about 1.34
    assert largest(Circuit.DELTA, IM / 10, poles=1) == pytest.approx(1.34, abs=0.04)


@pytest.mark.parametrize("ratio", [1.0, 0.3, 0.1, 0.05])
def test_delta_with_two_poles_closed_reaches_what_is_published(ratio):
    # published (Short; Dugan et al.; from memory): 3 to 5 typical; derived maximum over draws: 3 to 7
    assert 3.0 <= largest(Circuit.DELTA, IM / ratio, poles=2) <= 7.0


def test_floating_wye_is_calm_once_the_flux_offset_is_gone():
    # derived: about 0.52 at Xc/Xm = 40 with two poles closed; while the offset lasts it looks like 1.6
    assert largest(Circuit.FLOATING_WYE, IM / 40, poles=2) == pytest.approx(0.52, abs=0.03)


@pytest.mark.parametrize("b", [0.001, 0.01, 0.05, 0.1])
@pytest.mark.parametrize("circuit", [Circuit.DELTA, Circuit.FLOATING_WYE])
def test_fifteen_percent_of_load_calms_up_to_a_tenth_of_charging(circuit, b):
    # common practice, no source: 15 % of rating; derived: never above 1.0 sustained up to b = 0.1
    assert largest(circuit, b, load=0.15) <= 1.0 + 1e-3


def test_fifteen_percent_does_not_calm_every_length():
    # where longer cable defeats the rule is for the study to show
    assert max(largest(Circuit.DELTA, b, load=0.15) for b in (0.2, 0.3, 0.5, 1.0)) > 1.25


@pytest.mark.parametrize(("load", "b"), [(0.02, 0.01), (0.05, 0.05)])
def test_delta_with_little_load_is_calm_up_to_a_length_that_grows_with_it(load, b):
    # derived: no overvoltage (<= 1.05) up to these; at b = 0.1 both exceed 2.5
    assert largest(Circuit.DELTA, b, load=load) <= 1.05
    assert largest(Circuit.DELTA, 0.1, load=load) > 2.5


ONSET = [(0.8, 0.97), (1.0, 1.22), (1.2, 1.49), (1.5, 1.8), (2.0, 2.2), (3.0, 3.0), (4.0, 3.7), (10.0, 5.0)]


@pytest.mark.parametrize(("charge_loss", "peak"), ONSET)
def test_five_legged_onset_at_a_charging_power_of_the_core_loss(charge_loss, peak):
    # published rule: possible from charging vars >= no-load loss (Short, citing Walling et al. 1993; from memory); the
    # figures are derived, from another and smaller set of draws: no less than 92 % of it, and as a maximum grows with
    # the number of draws no more than 115 %
    assert 0.92 * peak <= largest(Circuit.FIVE_LEGGED, charge_loss * P) <= 1.15 * peak


@pytest.mark.parametrize(("load", "charge_loss"), [(0.01, 3.0), (0.02, 6.0)])
def test_a_few_percent_of_load_calm_a_five_legged_core(load, charge_loss):
    # published: a few percent (Short; from memory)
    assert largest(Circuit.FIVE_LEGGED, charge_loss * P, load=load) <= 1.25


def test_five_legged_is_worst_with_the_outer_poles_closed():
    found = peaks(Circuit.FIVE_LEGGED, 3.0 * P)
    states, _ = switching_plan(Circuit.FIVE_LEGGED, density=DENSITY)
    closed = states[:, 1:].ravel()
    assert closed[found.argmax()] == 5


def test_sustained_and_temporary_peaks_are_kept_apart():
    found = direct(Circuit.FLOATING_WYE, b=IM / 40, p=P, im=IM)
    assert (found[:, 1] >= found[:, 0] - 1e-9).all()
    assert found[:, 1].max() > 1.4 > found[:, 0].max()


def test_the_same_draws_every_time():
    once, twice = (direct(Circuit.DELTA, b=0.01, p=P, im=IM) for _ in range(2))
    assert np.array_equal(once, twice)
