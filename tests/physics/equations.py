"""The circuits written down a second time, as plain equations, for integrators that share nothing with the study.

From circuit laws: open node b dv/dt = -(current leaving into the transformer); winding e = (u - r m) / (1 + r g),
d(flux)/dt = e, current m + g e. Voltages in crest to ground, time in radians of the supply.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.integrate import solve_ivp

from survey.physics import kernel
from survey.physics.circuits import terminal_voltages
from survey.physics.kernel import STEPS_PER_CYCLE, solve_points
from survey.physics.sequences import Circuit

ANGLES = (0.0, -2 * math.pi / 3, 2 * math.pi / 3)
ROOT3 = math.sqrt(3.0)
BETWEEN_PHASES = (Circuit.DELTA, Circuit.OPEN_DELTA)
CORE = 1 / ((2 * 0.75 + ROOT3 / 2) / 3)
"""Rated phase currents of a core with c im are 0.75 c im outside and sqrt3/2 c im in the middle: their mean is im."""
TO_WINDINGS = {
    Circuit.DELTA: [[1, -1, 0], [0, 1, -1], [-1, 0, 1]],
    Circuit.FLOATING_WYE: (np.eye(3) - 1 / 3).tolist(),
    Circuit.FIVE_LEGGED: np.eye(3).tolist(),
    Circuit.OPEN_DELTA: [[1, -1, 0], [0, 1, -1], [0, 0, 0]],
}


@dataclass(frozen=True)
class Case:
    """One operating point from dead, with fixed closed poles (bit mask, a=1 b=2 c=4)."""

    circuit: Circuit
    closed: int
    b: float
    g: float
    im: float
    r: float = 0.02
    knee: float = 1.15
    xs: float = 0.2
    angle: float = 0.0
    r_sat: float = 0.0
    one_phase: float = 0.0
    clamp: float = np.inf
    slope: float = 0.4

    @property
    def row(self) -> np.ndarray:
        """Parameters as the study takes them."""
        rest = (self.knee, self.xs, self.r, self.r_sat, self.one_phase, self.clamp, self.slope)
        return np.array([self.b, self.g, self.im, *rest])

    @cached_property
    def open_phases(self) -> list[int]:
        return [k for k in range(3) if not self.closed >> k & 1]


def by_study(case: Case, *, steps: int = STEPS_PER_CYCLE, cycles: tuple[int, int, int, int] = (150, 200, 0, 10)):
    """Sustained peak and period of the study's own integrator, without hastening."""
    peak, _, period = figures_by_study(case, steps=steps, cycles=cycles)
    return peak, period


def figures_by_study(
    case: Case, *, steps: int = STEPS_PER_CYCLE, cycles: tuple[int, int, int, int] = (150, 200, 0, 10)
):
    """Sustained peak, largest mean power of an arrester and period."""
    states = np.array([[0, case.closed, 7]], dtype=np.int64)
    draws = np.array([[case.angle, 0.0, 0.0, 0.0, 0.0]])
    found = solve_points(
        int(case.circuit), case.row[None], states, draws, steps, np.array(cycles, dtype=np.int64), np.array([1.25])
    )
    peak, power, period = found[0, 0, 0, :3]
    return peak, power, int(period)


def curve(x: float, case: Case, im: float) -> float:
    """Magnetizing current at flux x, per unit."""
    return im * x + (x - min(max(x, -case.knee), case.knee)) / case.xs


def magnetizing(flux, case: Case, *, exciting: bool = True) -> list[float]:
    """Winding currents of the three fluxes; the saturated part of them without the exciting one."""
    im = case.im if exciting else 0.0
    if case.circuit in BETWEEN_PHASES:
        here = (1.0, 1.0, case.circuit is Circuit.DELTA)
        return [curve(x / ROOT3, case, im) / ROOT3 * there for x, there in zip(flux, here, strict=True)]
    if case.circuit is Circuit.FLOATING_WYE:
        return [curve(x, case, im) for x in flux]
    h = [curve(ROOT3 * x, case, CORE * im) for x in core_fluxes(flux, case)]
    return [h[0], h[0] + h[1], -h[3]]


def core_fluxes(flux, case: Case) -> list[float]:
    """The four core fluxes at which the magnetomotive forces add up to zero."""
    offsets = [flux[0], 0.0, -flux[1], -flux[1] - flux[2]]

    def balance(f2: float) -> float:
        return sum(curve(ROOT3 * (f2 + x), case, CORE * case.im) for x in offsets)

    # their sum rises with f2 and is straight between the knees of the cores
    bend = case.knee / ROOT3
    knees = sorted(sign * bend - x for x in offsets for sign in (1, -1))
    knees = [knees[0] - 1.0, *knees, knees[-1] + 1.0]
    k = min(max(bisect_left(knees, 0.0, key=balance), 1), len(knees) - 1)
    low, high = balance(knees[k - 1]), balance(knees[k])
    f2 = knees[k - 1] - low * (knees[k] - knees[k - 1]) / (high - low)
    return [f2 + x for x in offsets]


def arrester(v, case: Case, exponent: float | None = None):
    """Current of an arrester: straight beyond its knee, or a power of the voltage, 1 at the knee over the slope."""
    if not math.isfinite(case.clamp):
        return 0.0 * v
    if exponent is not None:
        return v / case.clamp * abs(v / case.clamp) ** (exponent - 1) / case.slope
    return (v - (abs(v + case.clamp) - abs(v - case.clamp)) / 2) / case.slope


def derivative(t, y, case: Case, exponent: float | None = None) -> list[float]:
    """Of three fluxes, then the open-phase voltages; numbers one by one, which for so few takes a third of the time."""
    y = y.tolist()
    v = [math.cos(t + case.angle + angle) for angle in ANGLES]
    for slot, phase in enumerate(case.open_phases):
        v[phase] = y[3 + slot]
    third = 3.0 if case.circuit in BETWEEN_PHASES else 1.0
    windings = TO_WINDINGS[case.circuit]
    m = magnetizing(y[:3], case)
    saturated = magnetizing(y[:3], case, exciting=False) if case.r_sat else (0.0, 0.0, 0.0)
    e = [
        (w[0] * v[0] + w[1] * v[1] + w[2] * v[2] - third * (case.r * m[k] + case.r_sat * saturated[k]))
        / (1 + case.r * case.g)
        for k, w in enumerate(windings)
    ]
    current = [m[k] + case.g / third * e[k] for k in range(3)]
    flow = e[:]
    for phase in case.open_phases:
        line = sum(windings[k][phase] * current[k] for k in range(3)) + case.one_phase * v[phase]
        flow.append(-(line + arrester(v[phase], case, exponent)) / case.b)
    return flow


def by_solve_ivp(case: Case, **more):
    """Sustained peak by scipy's stiff integrator: largest open-phase voltage over the last cycles."""
    return figures_by_solve_ivp(case, **more)[0]


def figures_by_solve_ivp(
    case: Case, *, cycles: int = 160, last: int = 10, rtol: float = 1e-7, atol: float = 1e-9, exponent=None
):
    """Sustained peak and largest mean power of an arrester, over the last cycles."""
    y = np.zeros(3 + len(case.open_phases))
    end, start = 2 * np.pi * cycles, 2 * np.pi * (cycles - last)
    times = np.linspace(start, end, 2000 * last if np.isfinite(case.clamp) else 400 * last)
    found = solve_ivp(
        derivative, (0, end), y, args=(case, exponent), method="LSODA", rtol=rtol, atol=atol, t_eval=times, max_step=0.2
    )
    v = found.y[3:]
    # crest values: 1.5 times voltage and current of a phase make the three-phase rating
    return float(np.abs(v).max()), float((v * arrester(v, case, exponent)).mean(axis=1).max() / 1.5)


def waveform_by_solve_ivp(case: Case, *, cycles: int, samples: int = 400):
    """First open phase from dead: times [rad] and voltages."""
    y = np.zeros(3 + len(case.open_phases))
    times = np.linspace(0, 2 * np.pi * cycles, samples * cycles + 1)
    found = solve_ivp(
        derivative, (0, times[-1]), y, args=(case,), method="LSODA", rtol=1e-8, atol=1e-10, t_eval=times, max_step=0.1
    )
    return times, found.y[3]


def waveform_by_study(case: Case, *, cycles: int, samples: int = 64):
    """The same by the study's own integrator."""
    tables = kernel.make_tables(STEPS_PER_CYCLE)
    tables.coarsest[:] = -1
    work = kernel.make_work(10)
    y = np.zeros(kernel.SIZE)
    segment = np.zeros(6, dtype=np.int64)
    kernel.start_state(int(case.circuit), case.angle, np.zeros(3), y, False)
    kernel.change_poles(y, 0, case.closed)
    rows = np.zeros((3, kernel.SIZE))
    terminal_voltages(case.closed, rows)
    voltages = [rows[case.open_phases[0]] @ y]
    ticks = kernel.TICKS_PER_CYCLE // samples
    for _ in range(cycles * samples):
        kernel.advance(tables, work, int(case.circuit), case.row, case.closed, y, segment, ticks, 0.0)
        voltages.append(rows[case.open_phases[0]] @ y)
    return np.linspace(0, 2 * np.pi * cycles, len(voltages)), np.array(voltages)
