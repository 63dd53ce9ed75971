"""The circuits written down a second time, as plain equations, for integrators that share nothing with the study.

From circuit laws: open node b dv/dt = -(current leaving into the transformer); winding e = (u - r m) / (1 + r g),
d(flux)/dt = e, current m + g e. Voltages in crest to ground, time in radians of the supply.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from survey.physics import kernel
from survey.physics.circuits import terminal_voltages
from survey.physics.families import Circuit
from survey.physics.kernel import STEPS_PER_CYCLE, solve_points

ANGLES = np.array([0.0, -2 * np.pi / 3, 2 * np.pi / 3])
ROOT3 = np.sqrt(3.0)


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

    @property
    def open_phases(self) -> list[int]:
        return [k for k in range(3) if not self.closed >> k & 1]


def by_study(case: Case, *, steps: int = STEPS_PER_CYCLE, cycles: tuple[int, int, int, int] = (150, 200, 0, 10)):
    """Sustained peak and period of the study's own integrator, without hastening."""
    row = np.array([[case.b, case.g, case.im, case.knee, case.xs, case.r]])
    states = np.array([[0, case.closed, 7]], dtype=np.int64)
    draws = np.array([[case.angle, 0.0, 0.0, 0.0, 0.0]])
    found = solve_points(int(case.circuit), row, states, draws, steps, np.array(cycles, dtype=np.int64))
    return found[0, 0, 0, 0], int(found[0, 0, 0, 2])


def curve(x, case: Case, *, im: float | None = None):
    """Magnetizing current at flux x, per unit."""
    return (case.im if im is None else im) * x + (x - np.clip(x, -case.knee, case.knee)) / case.xs


def magnetizing(flux, case: Case):
    """Winding currents of the three fluxes."""
    if case.circuit is Circuit.DELTA:
        return curve(flux / ROOT3, case) / ROOT3
    if case.circuit is Circuit.FLOATING_WYE:
        return curve(flux, case)

    offsets = np.array([flux[0], 0.0, -flux[1], -flux[1] - flux[2]])

    def balance(f2):
        return curve(ROOT3 * (f2[:, None] + offsets), case, im=case.im / 1.5).sum(axis=1)

    # the sum of the magnetomotive forces rises with f2 and is straight between the knees of the cores
    knees = np.sort(np.concatenate([case.knee / ROOT3 - offsets, -case.knee / ROOT3 - offsets]))
    knees = np.concatenate([[knees[0] - 1.0], knees, [knees[-1] + 1.0]])
    sums = balance(knees)
    k = int(np.clip(np.searchsorted(sums, 0.0), 1, len(knees) - 1))
    f2 = knees[k - 1] - sums[k - 1] * (knees[k] - knees[k - 1]) / (sums[k] - sums[k - 1])
    h = curve(ROOT3 * (f2 + offsets), case, im=case.im / 1.5)
    return np.array([h[0], h[0] + h[1], -h[3]])


def derivative(t, y, case: Case):
    v = np.cos(t + case.angle + ANGLES)
    for slot, phase in enumerate(case.open_phases):
        v[phase] = y[3 + slot]
    delta = case.circuit is Circuit.DELTA
    third = 3.0 if delta else 1.0
    u = v - np.roll(v, -1) if delta else v - v.mean() if case.circuit is Circuit.FLOATING_WYE else v
    m = magnetizing(y[:3], case)
    e = (u - third * case.r * m) / (1 + case.r * case.g)
    i = m + case.g / third * e
    line = i - np.roll(i, 1) if delta else i - i.mean() if case.circuit is Circuit.FLOATING_WYE else i
    return np.concatenate([e, [-line[phase] / case.b for phase in case.open_phases]])


def by_solve_ivp(case: Case, *, cycles: int = 160, last: int = 10, rtol: float = 1e-7, atol: float = 1e-9):
    """Sustained peak by scipy's stiff integrator: largest open-phase voltage over the last cycles."""
    y = np.zeros(3 + len(case.open_phases))
    end, start = 2 * np.pi * cycles, 2 * np.pi * (cycles - last)
    times = np.linspace(start, end, 400 * last)
    found = solve_ivp(
        derivative, (0, end), y, args=(case,), method="LSODA", rtol=rtol, atol=atol, t_eval=times, max_step=0.2
    )
    return float(np.abs(found.y[3:]).max())


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
    point = np.array([case.b, case.g, case.im, case.knee, case.xs, case.r])
    y = np.zeros(kernel.SIZE)
    segment = np.zeros(4 if case.circuit is Circuit.FIVE_LEGGED else 3, dtype=np.int64)
    kernel.start_state(int(case.circuit), case.angle, np.zeros(3), y, False)
    kernel.change_poles(y, 0, case.closed)
    rows = np.zeros((3, kernel.SIZE))
    terminal_voltages(case.closed, rows)
    voltages = [rows[case.open_phases[0]] @ y]
    ticks = kernel.TICKS_PER_CYCLE // samples
    for _ in range(cycles * samples):
        kernel.advance(tables, int(case.circuit), point, case.closed, y, segment, ticks, 0.0)
        voltages.append(rows[case.open_phases[0]] @ y)
    return np.linspace(0, 2 * np.pi * cycles, len(voltages)), np.array(voltages)
