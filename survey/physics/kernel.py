"""The compiled integrator: exact between two crossings of a saturation knee.

The magnetizing curve is made of straight pieces, so between crossings every circuit is linear,

    dy/dt = A y,   y = (cos t, sin t, 1, flux 1..3, open-phase voltage 1..2),

with the supply and the constants carried along as states, and a step of any length is the product of ``exp(A h)`` with
y: no stability limit and no truncation error, however small the capacitance or large the load. What is left of a step
size is how sharply a crossing is located and how densely the voltage is sampled for its peak. Steps come in powers of
two of a tick; all their propagators fall out of one matrix exponential by scaling and squaring.

A step is accepted when every curve stays on its straight piece and no nearer to a knee than the flux could bend in that
step; otherwise it is halved. One tick that crosses a knee is accepted and the piece changed.
"""

from __future__ import annotations

from typing import Final

import numba
import numpy as np

from survey.physics.circuits import (
    DELTA,
    FIVE_LEGGED,
    KNEE,
    PHASE_ANGLE_RAD,
    ROOT3,
    Array,
    B,
    G,
    IntArray,
    R,
    winding_map,
)
from survey.physics.propagators import (
    CURVATURE,
    LEVELS,
    REGIONS,
    SIZE,
    STEPS_PER_CYCLE,
    TICKS_PER_CYCLE,
    UNSATURATED,
    Tables,
    build_piece,
    make_tables,
    region_of,
    row_of,
)

__all__ = [
    "SIZE",
    "STEPS_PER_CYCLE",
    "TICKS_PER_CYCLE",
    "advance",
    "change_poles",
    "make_tables",
    "operate",
    "solve_points",
    "start_state",
]


STRAIGHT: Final = 0.01
"""Bend of the voltage over a step [per unit] below which no oscillation worth sampling is left: steps may lengthen."""
CREST_FROM: Final = 0.8
"""Part of the peak so far from which a step is searched for a crest inside it: a step of one radian hides an eighth."""
HASTE: Final = 6.0
"""How many times more flux is taken from a winding each cycle, while settling, than the resistance takes by itself: the
offset sinks as it would in seven times as many cycles. In a response that repeats, resistance takes nothing over a
cycle, so a response that has settled is not touched."""
FREE_CYCLES: Final = 4
"""Cycles left to themselves before that."""
LARGEST_SHIFT: Final = 0.1
"""Most flux taken in one cycle that way [per unit]."""
HISTORY: Final = 12
LONGEST_PERIOD: Final = 6
MEASURED_CYCLES: Final = 10
SAME_VOLTAGE: Final = 1e-4
SAME_FLUX: Final = 2e-5


@numba.njit(cache=True)
def knee_distance(probes: Array, region: int, segment: IntArray, y: Array, curves: int, knee: float) -> float:
    """Least distance of any curve to the end of its piece; negative beyond it."""
    least = np.inf
    for k in range(curves):
        x = (
            probes[region, k, 0] * y[3]
            + probes[region, k, 1] * y[4]
            + probes[region, k, 2] * y[5]
            + probes[region, k, 3]
        )
        distance = knee - abs(x) if segment[k] == 0 else segment[k] * x - knee
        least = min(least, distance)
    return least


@numba.njit(cache=True)
def settle_pieces(
    tables: Tables, circuit: int, parameters: Array, closed: int, y: Array, segment: IntArray
) -> tuple[int, float]:
    """Find the pieces that hold at y, build them if new, return region and distance to the nearest knee."""
    curves = 4 if circuit == FIVE_LEGGED else 3
    knee = parameters[KNEE]
    for _ in range(20):
        region = region_of(segment)
        if tables.coarsest[closed, region] < 0:
            build_piece(tables, circuit, parameters, closed, segment)
        probe = tables.probes[region]
        changed = False
        for k in range(curves):
            x = probe[k, 0] * y[3] + probe[k, 1] * y[4] + probe[k, 2] * y[5] + probe[k, 3]
            piece = 1 if x > knee else (-1 if x < -knee else 0)
            if piece != segment[k]:
                segment[k] = piece
                changed = True
                break
        if not changed:
            break
    return region, max(knee_distance(tables.probes, region, segment, y, curves, knee), 0.0)


@numba.njit(cache=True)
def apply_step(steps: Array, row: int, y: Array, out: Array) -> None:
    """Write ``exp(A h) y`` from the transposed propagator, all rows side by side so that it vectorises."""
    y0, y1, y2, y3, y4, y5, y6, y7 = y[0], y[1], y[2], y[3], y[4], y[5], y[6], y[7]
    for i in range(SIZE):
        out[i] = (
            (steps[row, 0, i] * y0 + steps[row, 1, i] * y1)
            + (steps[row, 2, i] * y2 + steps[row, 3, i] * y3)
            + (steps[row, 4, i] * y4 + steps[row, 5, i] * y5)
            + (steps[row, 6, i] * y6 + steps[row, 7, i] * y7)
        )


@numba.njit(cache=True)
def crest(start: float, start_slope: float, end: float, end_slope: float) -> float:
    """Largest magnitude, between its ends, of the cubic with these ends and slopes over a unit step; else 0."""
    # derivative of the cubic: cube s^2 + square s + start_slope
    cube = 6.0 * (start - end) + 3.0 * (start_slope + end_slope)
    square = -6.0 * (start - end) - 4.0 * start_slope - 2.0 * end_slope
    inside = square * square - 4.0 * cube * start_slope
    if inside <= 0.0:
        return 0.0
    # the stable form of both roots
    q = -0.5 * (square + (np.sqrt(inside) if square >= 0.0 else -np.sqrt(inside)))
    highest = 0.0
    for k in range(2):
        bottom = cube if k == 0 else q
        if bottom == 0.0:
            continue
        s = (q if k == 0 else start_slope) / bottom
        if 0.0 < s < 1.0:
            value = (1.0 - s) ** 2 * ((1.0 + 2.0 * s) * start + s * start_slope)
            value += s * s * ((3.0 - 2.0 * s) * end + (s - 1.0) * end_slope)
            highest = max(highest, abs(value))
    return highest


@numba.njit(cache=True)
def row_times(slopes: Array, place: int, row: int, y: Array) -> float:
    """One row of A times y."""
    total = 0.0
    for j in range(SIZE):
        total += slopes[place, row, j] * y[j]
    return total


@numba.njit(cache=True)
def peak_in_step(slopes: Array, place: int, y: Array, z: Array, span: float, peak: float) -> float:
    """Largest open-phase voltage so far, the step from y to z included; ``span`` is its length [rad]."""
    for k in range(6, 8):
        highest = max(abs(y[k]), abs(z[k]))
        if highest > CREST_FROM * peak:
            start_slope = row_times(slopes, place, k - 3, y) * span
            end_slope = row_times(slopes, place, k - 3, z) * span
            if start_slope * end_slope < 0.0:
                highest = max(highest, crest(y[k], start_slope, z[k], end_slope))
        peak = max(peak, highest)
    return peak


@numba.njit(cache=True)
def approach(
    tables: Tables, closed: int, region: int, curve: int, segment: int, y: Array, knee: float
) -> tuple[float, float]:
    """Distance of one curve to the end of its piece and how fast it changes [per unit, per radian]."""
    x, slope = tables.probes[region, curve, 3], 0.0
    for k in range(3):
        weight = tables.probes[region, curve, k]
        x += weight * y[3 + k]
        for j in range(SIZE):
            slope += weight * tables.slopes[closed * REGIONS + region, k, j] * y[j]
    sign = float(segment) if segment != 0 else (-1.0 if x > 0.0 else 1.0)
    return (knee + sign * x, sign * slope) if segment == 0 else (sign * x - knee, sign * slope)


@numba.njit(cache=True)
def farthest_beyond(probes: Array, region: int, segment: IntArray, y: Array, curves: int, knee: float) -> int:
    """Curve that lies farthest beyond the end of its piece."""
    worst, least = 0, np.inf
    for k in range(curves):
        x = (
            probes[region, k, 0] * y[3]
            + probes[region, k, 1] * y[4]
            + probes[region, k, 2] * y[5]
            + probes[region, k, 3]
        )
        distance = knee - abs(x) if segment[k] == 0 else segment[k] * x - knee
        if distance < least:
            worst, least = k, distance
    return worst


@numba.njit(cache=True)
def root_of_cubic(start: float, start_slope: float, end: float, end_slope: float) -> float:
    """Place in (0, 1) where the cubic with these ends and slopes comes to zero; ``start`` >= 0 > ``end``."""
    low, high = 0.0, 1.0
    for _ in range(16):
        s = 0.5 * (low + high)
        value = (1.0 - s) ** 2 * ((1.0 + 2.0 * s) * start + s * start_slope) + s * s * (
            (3.0 - 2.0 * s) * end + (s - 1.0) * end_slope
        )
        if value >= 0.0:
            low = s
        else:
            high = s
    return high


@numba.njit(cache=True)
def step_ticks(steps: Array, row: int, ticks: int, y: Array, out: Array) -> None:
    """Write the state after any number of ticks; ``row`` is the row of the shortest step."""
    work = y.copy()
    out[:] = y
    level = 0
    while ticks >> level > 0:
        if ticks >> level & 1:
            apply_step(steps, row + level, work, out)
            work[:] = out
        level += 1


@numba.njit(cache=True)
def step_to_knee(
    tables: Tables,
    closed: int,
    region: int,
    y: Array,
    segment: IntArray,
    z: Array,
    ticks: int,
    curves: int,
    knee: float,
) -> int:
    """Shorten a step from y to z, which lies beyond a knee, until z is just beyond it; return its ticks."""
    tick = np.sqrt(tables.bends[0] / CURVATURE)
    for _ in range(8):
        curve = farthest_beyond(tables.probes, region, segment, z, curves, knee)
        end, end_slope = approach(tables, closed, region, curve, segment[curve], z, knee)
        if ticks == 1 or end > -tick:
            break
        start, start_slope = approach(tables, closed, region, curve, segment[curve], y, knee)
        # a curve beyond its knee can be told by the side it ends on only
        span = ticks * tick
        ticks = max(
            1, min(ticks - 1, int(np.ceil(ticks * root_of_cubic(start, start_slope * span, end, end_slope * span))))
        )
        step_ticks(tables.steps, row_of(closed, region, 0), ticks, y, z)
    return ticks


@numba.njit(cache=True)
def add_currents(currents: Array, region: int, y: Array, z: Array, half: float, drift: Array) -> None:
    """Add the integral of the magnetizing currents over a step; ``half`` is half its length [rad]."""
    for k in range(3):
        total = 2.0 * currents[region, k, 0]
        for j in range(1, 4):
            total += currents[region, k, j] * (y[2 + j] + z[2 + j])
        drift[k] += half * total


@numba.njit(cache=True)
def advance(
    tables: Tables, circuit: int, parameters: Array, closed: int, y: Array, segment: IntArray, ticks: int, hasten: bool
) -> tuple[float, bool]:
    """Integrate y over ``ticks`` in place; return the largest open-phase voltage and whether a core saturated.

    With ``hasten``, the flux that the resistance took from every winding is taken :data:`HASTE` times more at the end.
    """
    curves = 4 if circuit == FIVE_LEGGED else 3
    knee = parameters[KNEE]
    region, distance = settle_pieces(tables, circuit, parameters, closed, y, segment)
    steps, probes, bends, coarsest = tables.steps, tables.probes, tables.bends, tables.coarsest
    z, drift = np.empty(SIZE), np.zeros(3)
    tick = np.sqrt(bends[0] / CURVATURE)
    peak, saturated, left = max(abs(y[6]), abs(y[7])), region != UNSATURATED, ticks
    calm, slope_a, slope_b = 0, 0.0, 0.0
    while left > 0:
        level = min(coarsest[closed, region] + calm // 2, LEVELS - 1)
        while level > 0 and ((1 << level) > left or bends[level] > distance):
            level -= 1
        while True:
            apply_step(steps, row_of(closed, region, level), y, z)
            reached = knee_distance(probes, region, segment, z, curves, knee)
            if level == 0 or reached < 0.0 or reached >= bends[level]:
                break
            level -= 1
        taken = 1 << level
        if reached < 0.0:
            taken = step_to_knee(tables, closed, region, y, segment, z, taken, curves, knee)
        left -= taken
        peak = peak_in_step(tables.slopes, closed * REGIONS + region, y, z, taken * tick, peak)
        if hasten:
            add_currents(tables.currents, region, y, z, 0.5 * taken * tick, drift)
        rate_a, rate_b = (z[6] - y[6]) / taken, (z[7] - y[7]) / taken
        bent = max(abs(rate_a - slope_a), abs(rate_b - slope_b)) * taken
        calm = calm + 1 if bent < STRAIGHT else max(calm - 4, 0)
        slope_a, slope_b = rate_a, rate_b
        for k in range(SIZE):
            y[k] = z[k]
        distance = reached
        if reached < 0.0:
            region, distance = settle_pieces(tables, circuit, parameters, closed, y, segment)
            calm = 0
            saturated = saturated or region != UNSATURATED
    if hasten:
        lost = parameters[R] * (3.0 if circuit == DELTA else 1.0) * HASTE
        for k in range(3):
            y[3 + k] -= min(max(lost * drift[k], -LARGEST_SHIFT), LARGEST_SHIFT)
    return peak, saturated


@numba.njit(cache=True)
def repeats_after(history: Array, cycle: int, saturated: int) -> int:
    """Period, in cycles, after which the state has come back; 0 while it has not.

    Fluxes count only where a core saturated lately: on the unsaturated piece an offset is carried along without effect.
    """
    for period in range(1, LONGEST_PERIOD + 1):
        if cycle < 3 * period:
            break
        same = True
        for back in range(period):
            now, then = history[(cycle - back) % HISTORY], history[(cycle - back - period) % HISTORY]
            for k in range(5):
                allowed = SAME_VOLTAGE if k >= 3 else SAME_FLUX * period
                if (k >= 3 or saturated) and abs(now[k] - then[k]) > allowed:
                    same = False
        if same:
            return period
    return 0


@numba.njit(cache=True)
def operate(
    tables: Tables, circuit: int, parameters: Array, closed: int, y: Array, segment: IntArray, clock: IntArray
) -> tuple[float, float, int]:
    """Run one state of the poles until it repeats; return sustained peak, temporary peak and the period found.

    ``clock`` holds ticks a cycle, the largest number of cycles, and in how many the offset's decay is hastened.
    """
    history, peaks = np.zeros((HISTORY, 5)), np.zeros(MEASURED_CYCLES)
    temporary, last_saturated = 0.0, 0
    for cycle in range(clock[1]):
        hasten = FREE_CYCLES <= cycle < clock[2]
        peak, saturated = advance(tables, circuit, parameters, closed, y, segment, clock[0], hasten)
        y[0], y[1] = y[0] / np.hypot(y[0], y[1]), y[1] / np.hypot(y[0], y[1])
        last_saturated = 3 if saturated else max(last_saturated - 1, 0)
        history[cycle % HISTORY] = y[3:8]
        peaks[cycle % MEASURED_CYCLES] = peak
        temporary = max(temporary, peak)
        period = repeats_after(history, cycle, last_saturated)
        if period > 0 and (cycle >= clock[2] or period == 1):
            sustained = 0.0
            for back in range(period):
                sustained = max(sustained, peaks[(cycle - back) % MEASURED_CYCLES])
            return sustained, temporary, period
    return peaks.max(), temporary, 0


@numba.njit(cache=True)
def change_poles(y: Array, before: int, after: int) -> None:
    """Carry the phase voltages over to the slots of another state of the poles, in place."""
    voltages = np.zeros(3)
    slot = 6
    for phase in range(3):
        if before == 0:
            break
        if before >> phase & 1:
            voltages[phase] = np.cos(PHASE_ANGLE_RAD[phase]) * y[0] - np.sin(PHASE_ANGLE_RAD[phase]) * y[1]
        else:
            voltages[phase] = y[slot]
            slot += 1
    y[6:8] = 0.0
    slot = 6
    for phase in range(3):
        if not after >> phase & 1:
            y[slot] = voltages[phase]
            slot += 1


@numba.njit(cache=True)
def start_state(circuit: int, angle: float, residual: Array, y: Array, opening: bool) -> None:
    """Write the state before the first operation: dead with residual flux, or the balanced steady state."""
    windings = np.empty((3, 3))
    winding_map(circuit, windings)
    y[0], y[1], y[2] = np.cos(angle), np.sin(angle), 1.0
    y[6:8] = 0.0
    for k in range(3):
        y[3 + k] = residual[k] * (ROOT3 if circuit == DELTA else 1.0)
        if opening:
            y[3 + k] = 0.0
            for phase in range(3):
                y[3 + k] += windings[k, phase] * np.sin(angle + PHASE_ANGLE_RAD[phase])


@numba.njit(cache=True)
def run_sequence(
    tables: Tables, circuit: int, parameters: Array, states: IntArray, draw: Array, clock: IntArray, out: Array
) -> None:
    """Run one switching sequence of two operations; write (sustained, temporary, period) of each.

    ``states`` holds the closed poles before, after the first and after the second operation; ``draw`` the angle of the
    first, the part of a cycle waited before the second, and the residual flux of the three windings.
    """
    y, segment = np.zeros(SIZE), np.zeros(4, dtype=np.int64)
    start_state(circuit, draw[0], draw[2:5], y, states[0] != 0)
    before = states[0]
    pace = clock.copy()
    if before != 0:
        pace[2] = 0
    for k in range(2):
        closed = states[1 + k]
        change_poles(y, before, closed)
        out[k, 0], out[k, 1], out[k, 2] = operate(tables, circuit, parameters, closed, y, segment, pace)
        if k == 0:
            advance(tables, circuit, parameters, closed, y, segment, int(draw[1] * clock[0]), False)
        before = closed


@numba.njit(cache=True, nogil=True)
def solve_points(
    circuit: int, points: Array, states: IntArray, draws: Array, steps_per_cycle: int, cycles: IntArray
) -> Array:
    """Simulate every switching sequence at every operating point.

    Parameters
    ----------
    circuit
        Value of :class:`survey.physics.circuits.Circuit`.
    points
        Rows of b, g, im, knee, xs, r [per unit], shape (n, 6).
    states
        Closed poles before, between and after, as bit masks, shape (sequences, 3).
    draws
        Angle [rad], waiting time [cycles], residual flux of three windings [per unit], shape (sequences, 5).
    steps_per_cycle
        Longest steps a cycle.
    cycles
        Least and largest number of cycles after which a response that does not repeat is measured over its last ten
        (between them, three time constants of the open phase), and number of cycles in which the decay of the flux
        offset is hastened.

    Returns
    -------
    numpy.ndarray
        Sustained peak, temporary peak [per unit] and period [cycles, 0 when none was found] of every operation, shape
        (n, sequences, 2, 3).
    """
    out = np.zeros((points.shape[0], states.shape[0], 2, 3))
    clock = np.array([steps_per_cycle << (LEVELS - 1), cycles[1], cycles[2]])
    tables = make_tables(steps_per_cycle)
    for n in range(points.shape[0]):
        tables.coarsest[:] = -1
        ring = int(3.0 * points[n, B] / (np.pi * points[n, G])) if points[n, G] > 0.0 else cycles[1]
        clock[1] = min(cycles[0] + ring, max(cycles[0], cycles[1]))
        for s in range(states.shape[0]):
            run_sequence(tables, circuit, points[n], states[s], draws[s], clock, out[n, s])
    return out
