"""What the study must reproduce: published rules, and figures derived from circuit laws.

im 0.005, p 0.002, r 0.02, knee 1.15, xs 0.2 where nothing else is said, as the derived figures were. Tolerances are
stated beside them.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from equations import Case, magnetizing

from survey.physics.circuits import magnetizing_rows
from survey.physics.curves import LIMITS_PU
from survey.physics.families import Circuit
from survey.physics.screening import DEFAULT_LIMITS
from survey.physics.sequences import switching_plan
from survey.physics.study import CurveParameters, direct

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


TYPICAL = {"im": (0.003**2 - 0.002**2) ** 0.5, "p": 0.002}
"""Exciting current 0.3 % at a loss of 0.2 %."""
LOW_LOSS = {"im": (0.002**2 - 0.0012**2) ** 0.5, "p": 0.0012}
MORE_EXCITING = {"im": (0.005**2 - 0.002**2) ** 0.5, "p": 0.002}
ONSET = [
    (TYPICAL, {0.6: 0.92, 0.8: 1.19, 1.0: 1.47, 1.2: 1.68, 1.5: 1.98, 2.0: 2.13}),
    (TYPICAL, {3.0: 3.0, 4.0: 4.1, 6.0: 4.6, 10.0: 5.0}),
    (LOW_LOSS, {0.6: 0.94, 0.8: 0.99, 1.0: 1.21, 1.2: 1.49, 1.5: 1.81}),
    (MORE_EXCITING, {1.0: 1.01, 1.5: 1.10, 2.0: 1.26, 3.0: 2.4, 4.0: 4.0}),
]


@pytest.mark.parametrize(
    ("core", "charge_loss", "peak"), [(core, ratio, peak) for core, row in ONSET for ratio, peak in row.items()]
)
def test_five_legged_onset(core, charge_loss, peak):
    # published rule: possible from charging vars >= no-load loss (Short, citing Walling et al. 1993; from memory); it
    # holds for low-loss units, and the more exciting current a unit takes, the later it rings. The figures are derived,
    # from another and smaller set of draws: no less than 92 % of them, and as a maximum grows with the number of draws
    # no more than 120 %. Above 3 the largest is that of a few runs that never repeat: 85 %
    assert (
        (0.92 if peak < 3 else 0.85) * peak
        <= largest(Circuit.FIVE_LEGGED, charge_loss * core["p"], **core)
        <= 1.2 * peak
    )


@pytest.mark.parametrize(("load", "charge_loss"), [(0.01, 4.0), (0.02, 6.0)])
def test_a_few_percent_of_load_calm_a_five_legged_core(load, charge_loss):
    # published: a few percent (Short; from memory)
    assert largest(Circuit.FIVE_LEGGED, charge_loss * P, load=load, **TYPICAL) <= 1.25


def test_rated_phase_currents_of_a_five_legged_core_average_the_record():
    # all phases on the sources: leg fluxes are sines of crest 1, a quarter behind
    case = Case(Circuit.FIVE_LEGGED, 7, b=1.0, g=0.0, im=IM)
    turns = np.linspace(0, 2 * np.pi, 361)
    phases = turns[:, None] + np.array([0.0, -2 * np.pi / 3, 2 * np.pi / 3])
    rows = [np.zeros((3, 8)) for _ in turns]
    currents = np.array([magnetizing(np.sin(phase), case) for phase in phases])
    magnetizing_rows(int(Circuit.FIVE_LEGGED), case.row, np.zeros(6, dtype=np.int64), IM, rows[0])
    of_study = np.array([rows[0][:, 3:6] @ np.sin(phase) for phase in phases])
    crests = np.abs(of_study).max(axis=0)
    assert np.abs(of_study - currents).max() < 1e-12
    assert crests / IM == pytest.approx([0.951, 1.098, 0.951], abs=0.001)
    assert crests.mean() == pytest.approx(IM, rel=1e-3)


def test_a_unit_in_the_field():
    # a published 25 kV field study (read as an excerpt): 2500 kVA five-legged, 1000 kcmil cable, onset at about 100 ft,
    # certain at 200 ft. Here: 24.9 kV, 1000 kcmil of 25 kV class (1.64 in over 260 mil: 103 nF per 1000 ft, coaxial).
    loss = 0.00116
    core = {"p": loss, "im": loss * (1.5**2 - 1) ** 0.5}
    share = {}
    for feet in (25.0, 100.0, 200.0):
        charging = 2 * np.pi * 60 * (103e-12 * feet + 0.000469e-6 * 2500**0.4 / 24.9**0.25) * 24900**2 / 2.5e6
        found = peaks(Circuit.FIVE_LEGGED, charging, **core)
        share[feet] = (found.max(), (found.reshape(-1, 2) > 1.25).any(axis=1).mean())
    assert share[25.0][0] <= 1.25
    assert share[100.0][0] > 1.25
    assert share[200.0][1] > share[100.0][1] > 0


OPEN_DELTA = [(0.0012, 1.73, 3.2), (0.0028, 2.39, 2.4), (0.0081, 2.15, 3.9), (0.023, 2.15, 4.0)]


@pytest.mark.parametrize(("b", "netlist", "integrator"), OPEN_DELTA)
def test_open_delta_rings_with_pole_a_open(b, netlist, integrator):
    # one netlist run and the largest of an independent integrator's runs with pole a open: a maximum over draws lies
    # about at or over the one run; the integrator's largest was measured without waiting for the flux offset
    states, _ = switching_plan(Circuit.OPEN_DELTA, density=DENSITY)
    found = peaks(Circuit.OPEN_DELTA, b).reshape(-1, 2)[states[:, 1:] == 6].max()
    assert 0.92 * netlist <= found <= 1.05 * integrator
    assert found > 1.25


@pytest.mark.parametrize("load", [0.0, 0.05, 0.15])
def test_open_delta_is_calm_where_its_screen_clears(load):
    # derived (screening.py): at Xc/Xm = 44 the far end of the ladder of two windings stands at 1.25
    limit = DEFAULT_LIMITS["open_delta_xc_xm"]
    assert largest(Circuit.OPEN_DELTA, IM / limit, load=load) <= 1.25
    assert largest(Circuit.OPEN_DELTA, IM / 30) > 1.25


def test_delta_rings_in_half_of_the_operations_and_in_every_sequence():
    found = peaks(Circuit.DELTA, 0.001).reshape(-1, 2) > 1.25
    assert found.mean() == pytest.approx(0.5, abs=0.05)
    assert found.any(axis=1).mean() > 0.97


@pytest.mark.parametrize(("resistance", "peak"), [(0.02, 5.2), (0.05, 3.5), (0.10, 2.15)])
def test_series_resistance_moves_the_peak_of_delta_most(resistance, peak):
    # derived, at b 0.008: the order and about the size
    parameters = CurveParameters(series_resistance=resistance)
    found = direct(Circuit.DELTA, b=0.008, p=P, im=IM, parameters=parameters, density=4)[:, 0].max()
    assert found == pytest.approx(peak, rel=0.2)


def test_five_legged_is_worst_with_the_outer_poles_closed():
    found = peaks(Circuit.FIVE_LEGGED, 3.0 * P)
    states, _ = switching_plan(Circuit.FIVE_LEGGED, density=DENSITY)
    closed = states[:, 1:].ravel()
    assert closed[found.argmax()] == 5


def test_what_an_offset_props_up_for_a_while_is_cycles_and_no_peak():
    found = direct(Circuit.FLOATING_WYE, b=IM / 40, p=P, im=IM)
    above = found[:, 3 + LIMITS_PU.index(1.25)]
    assert found[:, 0].max() < 1.1
    assert above.max() > 5


def test_the_same_draws_every_time():
    once, twice = (direct(Circuit.DELTA, b=0.01, p=P, im=IM) for _ in range(2))
    assert np.array_equal(once, twice)
