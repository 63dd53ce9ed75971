"""The compiled integrator: exact between two crossings of a saturation knee.

The magnetizing curve is made of straight segments, so between crossings every circuit is linear,

    dy/dt = A y,   y = (cos t, sin t, 1, flux 1..3, open-phase voltage 1..2),

(arresters on the open phases are straight segments too) with the supply and the constants carried along as states, and
a step of any length is the product of ``exp(A h)`` with
y: no stability limit and no truncation error, however small the capacitance or large the load. What is left of a step
size is how sharply a crossing is located and how densely the voltage is sampled for its peak. Steps come in powers of
two of a tick; all their propagators fall out of one matrix exponential.

A step is as long as the fastest free oscillation of the segment allows. One that ends beyond a knee is cut where its
flux, as a cubic through both ends, crosses; one whose flux may have gone beyond and come back is cut at the turn. The
cut ends a few ticks beyond the knee, the next segment begins, and what the ticks missed is made good.
"""

from typing import Final, NamedTuple

import numpy as np

from survey.compiled import njit
from survey.physics.circuits import (
    CLAMP,
    CURVES,
    FLUX_CURVES,
    KNEE,
    ONE_PHASE,
    PHASE_ANGLE_RAD,
    ROOT3,
    SLOPE,
    Array,
    B,
    G,
    IntArray,
    between_phases,
    winding_map,
)
from survey.physics.knees import (
    apply_step,
    knee_distance,
    make_good,
    row_times,
    settle_segments,
    shift_segments,
    step_to_crest,
    step_to_graze,
    step_to_knee,
)
from survey.physics.propagators import (
    CORE_REGIONS,
    CURVATURE,
    DIGITS,
    LEVELS,
    REGIONS,
    SIZE,
    STEPS_PER_CYCLE,
    TICKS_PER_CYCLE,
    Tables,
    level_row,
    make_tables,
)

__all__ = [
    "CURVES",
    "CYCLES",
    "SIZE",
    "STEPS_PER_CYCLE",
    "TICKS_PER_CYCLE",
    "advance",
    "change_poles",
    "make_tables",
    "make_work",
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
LARGEST_CLAMP: Final = 1e3
"""An arrester's knee above this is none."""
SUSTAINED: Final = 0
POWER: Final = 1
PERIOD: Final = 2
CYCLES: Final = 3
"""Columns of :func:`solve_points`."""
FRESH_LEVEL: Final = 2
"""Level of the first step once an arrester conducts, each further one twice as long: its current is highest there."""
LARGEST_SHIFT: Final = 0.1
"""Most flux taken in one cycle that way [per unit]."""
HISTORY: Final = 12
LONGEST_PERIOD: Final = 6
SAME_VOLTAGE: Final = 1e-4
SAME_FLUX: Final = 2e-5


@njit(cache=True, error_model="numpy")
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


class Work(NamedTuple):
    """Room that one sequence after the other uses: nothing is allocated while integrating.

    ``z``, ``drift``, ``rates``, ``change`` state after a step, flux taken in a cycle, slopes, corrections; ``energy``
    what the arrester of each open phase took in the cycle, shape (2,); ``history`` states of the last cycles, shape
    (12, 5); ``peaks``, ``energies`` largest voltage, and energies, of the last cycles, shapes (n,) and (n, 2).
    """

    z: Array
    drift: Array
    rates: Array
    change: Array
    energy: Array
    history: Array
    peaks: Array
    energies: Array


@njit(cache=True, error_model="numpy")
def make_work(measured: int) -> Work:
    """Room for one thread; ``measured`` is the largest number of cycles that a peak is measured over."""
    return Work(
        np.empty(SIZE),
        np.zeros(3),
        np.empty((2, 3)),
        np.empty(5),
        np.zeros(2),
        np.zeros((HISTORY, 5)),
        np.zeros(measured),
        np.zeros((measured, 2)),
    )


@njit(cache=True, error_model="numpy")
def crest_in_step(slopes: Array, place: int, y: Array, segment: IntArray, z: Array, span: float, peak: float) -> float:
    """Largest open-phase voltage so far, what lies inside the step from y to z included; ``span`` is its length [rad].

    A voltage that an arrester holds has no crest worth searching.
    """
    for k in range(6, 8):
        if segment[FLUX_CURVES + k - 6] == 0 and max(abs(y[k]), abs(z[k])) > CREST_FROM * peak:
            start_slope = row_times(slopes, place, k - 3, y) * span
            end_slope = row_times(slopes, place, k - 3, z) * span
            if start_slope * end_slope < 0.0:
                peak = max(peak, crest(y[k], start_slope, z[k], end_slope))
    return peak


@njit(cache=True, error_model="numpy")
def add_lost(lost: Array, region: int, y: Array, z: Array, half: float, drift: Array) -> None:
    """Add the flux that the resistances take over a step; ``half`` is half its length [rad]."""
    for k in range(3):
        total = 2.0 * lost[region, k, 0]
        for j in range(1, 4):
            total += lost[region, k, j] * (y[2 + j] + z[2 + j])
        drift[k] += half * total


@njit(cache=True, error_model="numpy")
def add_energy(
    tables: Tables, place: int, parameters: Array, y: Array, segment: IntArray, z: Array, span: float, energy: Array
) -> None:
    """Add what conducting arresters take over a step.

    The charge is what arrives at the open phase less what goes elsewhere: that holds however quickly the voltage
    settles on the arrester's line.
    """
    for k in range(2):
        sign = segment[FLUX_CURVES + k]
        if sign == 0:
            continue
        shunt = 0.5 * span * parameters[ONE_PHASE] * (y[6 + k] + z[6 + k])
        charge = -parameters[B] * (z[6 + k] - y[6 + k]) - shunt - span * tables.feeds[place, k, 0]
        for j in range(3):
            bend = row_times(tables.slopes, place, j, y) - row_times(tables.slopes, place, j, z)
            held = span * (0.5 * (y[3 + j] + z[3 + j]) + span * bend / 12.0)
            charge -= tables.feeds[place, k, 1 + j] * held + tables.feeds[place, k, 4 + j] * (z[3 + j] - y[3 + j])
        charge *= sign
        first, last = sign * y[6 + k] - parameters[CLAMP], sign * z[6 + k] - parameters[CLAMP]
        mean = parameters[SLOPE] * charge / span
        energy[k] += parameters[CLAMP] * charge
        energy[k] += span * (first * first + last * last + 4.0 * mean * mean) / (6.0 * parameters[SLOPE])


# one loop: its state is a dozen numbers, and a part of it in a function of its own would hand them over every step
@njit(cache=True, error_model="numpy")
def advance(
    tables: Tables,
    work: Work,
    circuit: int,
    parameters: Array,
    closed: int,
    y: Array,
    segment: IntArray,
    ticks: int,
    haste: float,
) -> tuple[float, bool]:
    """Integrate y over ``ticks`` in place; return the largest open-phase voltage and whether a core saturated.

    At the end, the flux that the resistance took from every winding is taken ``haste`` times more. ``work.energy``
    holds what the arresters took.
    """
    knee, clamp = parameters[KNEE], parameters[CLAMP]
    steps, slopes, probes, bends, coarsest = tables.steps, tables.slopes, tables.probes, tables.bends, tables.coarsest
    z, drift, energy = work.z, work.drift, work.energy
    region, distance = settle_segments(tables, circuit, parameters, closed, y, segment)
    place, tick = closed * REGIONS + region, np.sqrt(bends[0] / CURVATURE)
    peak, saturated, left = 0.0, region % CORE_REGIONS != 0, ticks
    calm, fresh, slope_a, slope_b, late = 0, LEVELS, 0.0, 0.0, 0.0
    drift[0], drift[1], drift[2], energy[0], energy[1] = 0.0, 0.0, 0.0, 0.0, 0.0
    while left > 0:
        peak = max(peak, abs(y[6]), abs(y[7]))
        level = min(coarsest[closed, region] + calm // 2, LEVELS - 1, fresh)
        fresh += 1
        while (1 << level) > left:
            level -= 1
        taken = 1 << level
        apply_step(steps, place * DIGITS + level_row(level), y, z)
        reached = knee_distance(probes, region, segment, z, knee, clamp)
        if reached >= 0.0 and level > 0:
            if min(distance, reached) < bends[level]:
                taken = step_to_graze(steps, slopes, probes, place, y, segment, z, taken, tick, knee, work.rates)
            if clamp < LARGEST_CLAMP and taken == 1 << level:
                taken = step_to_crest(steps, slopes, place, y, segment, z, taken, tick, clamp)
            if taken < 1 << level:
                reached = knee_distance(probes, region, segment, z, knee, clamp)
        if reached < 0.0:
            taken, late = step_to_knee(steps, slopes, probes, place, y, segment, z, taken, tick, knee, clamp)
        left -= taken
        peak = crest_in_step(slopes, place, y, segment, z, taken * tick, peak)
        if region >= CORE_REGIONS:
            add_energy(tables, place, parameters, y, segment, z, taken * tick, energy)
        if haste > 0.0:
            add_lost(tables.lost, region, y, z, 0.5 * taken * tick, drift)
        rate_a, rate_b = (z[6] - y[6]) / taken, (z[7] - y[7]) / taken
        bent = max(abs(rate_a - slope_a), abs(rate_b - slope_b)) * taken
        calm = calm + 1 if bent < STRAIGHT else max(calm - 4, 0)
        slope_a, slope_b = rate_a, rate_b
        for i in range(SIZE):
            y[i] = z[i]
        distance = reached
        if reached < 0.0:
            before = place
            region, distance = shift_segments(probes, coarsest, closed, y, segment, knee, clamp)
            if distance < 0.0:
                region, distance = settle_segments(tables, circuit, parameters, closed, y, segment)
            place = closed * REGIONS + region
            make_good(slopes, parameters, before, place, y, late, work.change, energy)
            if region // CORE_REGIONS > 0 and (before % REGIONS) // CORE_REGIONS != region // CORE_REGIONS:
                fresh = FRESH_LEVEL
            calm = 0
            saturated = saturated or region % CORE_REGIONS != 0
    if haste > 0.0:
        for k in range(3):
            y[3 + k] -= min(max(haste * drift[k], -LARGEST_SHIFT), LARGEST_SHIFT)
    return max(peak, abs(y[6]), abs(y[7])), saturated


@njit(cache=True, error_model="numpy")
def repeats_after(history: Array, cycle: int, saturated: int) -> int:
    """Period, in cycles, after which the state has come back; 0 while it has not.

    Fluxes count only where a core saturated lately: on the unsaturated segment an offset is carried along for nothing.
    """
    for period in range(1, LONGEST_PERIOD + 1):
        if cycle < 3 * period:
            break
        same = True
        for back in range(period):
            now, then = (cycle - back) % HISTORY, (cycle - back - period) % HISTORY
            for k in range(5):
                allowed = SAME_VOLTAGE if k >= 3 else SAME_FLUX * period
                if (k >= 3 or saturated) and abs(history[now, k] - history[then, k]) > allowed:
                    same = False
                    break
            if not same:
                break
        if same:
            return period
    return 0


@njit(cache=True, error_model="numpy")
def measure(work: Work, cycle: int, count: int, out: Array) -> None:
    """Write sustained peak, and the larger mean power of the arresters, of the last ``count`` cycles."""
    peak, first, second = 0.0, 0.0, 0.0
    for back in range(count):
        place = (cycle - back) % len(work.peaks)
        peak = max(peak, work.peaks[place])
        first += work.energies[place, 0]
        second += work.energies[place, 1]
    out[SUSTAINED] = peak
    # crest values: 1.5 times voltage and current of one phase make the three-phase rating
    out[POWER] = max(first, second) / (1.5 * 2.0 * np.pi * count)


@njit(cache=True, error_model="numpy")
def operate(
    tables: Tables,
    work: Work,
    circuit: int,
    parameters: Array,
    closed: int,
    y: Array,
    segment: IntArray,
    clock: IntArray,
    hastened: int,
    limits: Array,
    out: Array,
) -> None:
    """Run one state of the poles until it repeats; write the columns of :func:`solve_points`.

    ``clock`` holds ticks a cycle, the largest number of cycles, and over how many of the last a response that does not
    repeat is measured; ``hastened`` until which cycle the decay of the flux offset is hastened: each of those stands
    for more.
    """
    out[:] = 0.0
    last_saturated, cycle, period = 0, 0, 0
    for cycle in range(clock[1]):
        haste = HASTE if FREE_CYCLES <= cycle < hastened else 0.0
        peak, saturated = advance(tables, work, circuit, parameters, closed, y, segment, clock[0], haste)
        y[0], y[1] = y[0] / np.hypot(y[0], y[1]), y[1] / np.hypot(y[0], y[1])
        last_saturated = 3 if saturated else max(last_saturated - 1, 0)
        for k in range(5):
            work.history[cycle % HISTORY, k] = y[3 + k]
        place = cycle % clock[2]
        work.peaks[place], work.energies[place, 0], work.energies[place, 1] = peak, work.energy[0], work.energy[1]
        for k in range(len(limits)):
            out[CYCLES + k] += 1.0 + haste if peak > limits[k] else 0.0
        period = repeats_after(work.history, cycle, last_saturated)
        if period > 0 and (cycle >= hastened or period == 1):
            break
        period = 0
    out[PERIOD] = period
    measure(work, cycle, period if period > 0 else min(clock[2], clock[1]), out)


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def start_state(circuit: int, angle: float, residual: Array, y: Array, opening: bool) -> None:
    """Write the state before the first operation: dead with residual flux, or the balanced steady state."""
    windings = np.empty((3, 3))
    winding_map(circuit, windings)
    y[0], y[1], y[2] = np.cos(angle), np.sin(angle), 1.0
    y[6:8] = 0.0
    for k in range(3):
        y[3 + k] = residual[k] * (ROOT3 if between_phases(circuit) else 1.0)
        if opening:
            y[3 + k] = 0.0
            for phase in range(3):
                y[3 + k] += windings[k, phase] * np.sin(angle + PHASE_ANGLE_RAD[phase])


@njit(cache=True, error_model="numpy")
def run_sequence(
    tables: Tables,
    work: Work,
    circuit: int,
    parameters: Array,
    states: IntArray,
    draw: Array,
    clock: IntArray,
    hastened: int,
    limits: Array,
    out: Array,
) -> None:
    """Run one switching sequence of two operations; write the columns of :func:`solve_points` of each.

    ``states`` holds the closed poles before, after the first and after the second operation; ``draw`` the angle of the
    first, the part of a cycle waited before the second, and the residual flux of the three windings. Opening starts
    from the steady state and catches no offset worth hastening.
    """
    y, segment = np.zeros(SIZE), np.zeros(CURVES, dtype=np.int64)
    start_state(circuit, draw[0], draw[2:5], y, states[0] != 0)
    before = states[0]
    until = hastened if before == 0 else 0
    for k in range(2):
        closed = states[1 + k]
        change_poles(y, before, closed)
        operate(tables, work, circuit, parameters, closed, y, segment, clock, until, limits, out[k])
        if k == 0:
            advance(tables, work, circuit, parameters, closed, y, segment, int(draw[1] * clock[0]), 0.0)
        before = closed


@njit(cache=True, error_model="numpy", nogil=True)
def solve_points(
    circuit: int,
    points: Array,
    states: IntArray,
    draws: Array,
    steps_per_cycle: int,
    cycles: IntArray,
    limits: Array,
) -> Array:
    """Simulate every switching sequence at every operating point.

    ``circuit``: value of :class:`survey.physics.families.Circuit`. ``points``: rows of b, g, im, knee, xs, r, saturated
    r, single-phase load, arrester's knee (infinite for none) and slope [per unit], shape (n, 10). ``states``: closed
    poles before, between and after, as bit masks, shape (sequences, 3). ``draws``: angle [rad], waiting time [cycles],
    residual flux of three windings [per unit], shape (sequences, 5). ``steps_per_cycle``: longest steps a cycle.
    ``cycles``: least and largest number of cycles after which a response that does not repeat is measured (between
    them, three time constants of the open phase), number of cycles in which the decay of the flux offset is hastened,
    and over how many of the last cycles the peak of such a response is measured. ``limits``: voltages over which cycles
    are counted [per unit]. Returns of every operation: sustained peak [per unit], largest mean power of one arrester
    [per unit of rating], period [cycles, 0 when none was found], cycles above each limit, shape (n, sequences, 2, 3 +
    limits).
    """
    out = np.zeros((points.shape[0], states.shape[0], 2, CYCLES + limits.shape[0]))
    clock = np.empty(3, dtype=np.int64)
    clock[0], clock[1], clock[2] = steps_per_cycle << (LEVELS - 1), cycles[1], max(cycles[3], LONGEST_PERIOD)
    tables, work = make_tables(steps_per_cycle), make_work(clock[2])
    for n in range(points.shape[0]):
        tables.coarsest[:] = -1
        damping = points[n, G] + points[n, ONE_PHASE]
        ring = int(3.0 * points[n, B] / (np.pi * damping)) if damping > 0.0 else cycles[1]
        clock[1] = min(cycles[0] + ring, max(cycles[0], cycles[1]))
        for s in range(states.shape[0]):
            run_sequence(tables, work, circuit, points[n], states[s], draws[s], clock, cycles[2], limits, out[n, s])
    return out
