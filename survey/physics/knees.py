"""Where a step crosses a saturation knee: found to within a tick, and the segments that hold from there on."""

from typing import Final

import numpy as np

from survey.compiled import njit
from survey.physics.circuits import CLAMP, CURVES, FLUX_CURVES, KNEE, SLOPE, Array, B, IntArray
from survey.physics.propagators import (
    CORE_REGIONS,
    DIGITS,
    REGIONS,
    SIZE,
    Tables,
    build_segments,
    region_of,
)

CREST_FROM: Final = 0.7
"""Part of an arrester's knee from which a step is searched for a crest beyond it: steps are 1.3 radians of the fastest
oscillation at most, and its crest hides no more than a fifth."""
LATEST: Final = 4
"""Ticks after a knee at which a step may end: what it then missed is made good to third order."""


@njit(cache=True, error_model="numpy")
def argument(probes: Array, region: int, curve: int, y: Array) -> float:
    """Argument of a curve: flux of a core per unit of rated, or voltage of an open phase."""
    if curve >= FLUX_CURVES:
        return y[6 + curve - FLUX_CURVES]
    return (
        probes[region, curve, 0] * y[3]
        + probes[region, curve, 1] * y[4]
        + probes[region, curve, 2] * y[5]
        + probes[region, curve, 3]
    )


@njit(cache=True, error_model="numpy")
def to_end(x: float, segment: int, knee: float) -> float:
    """Distance of an argument to the end of its segment; negative beyond it."""
    return knee - abs(x) if segment == 0 else segment * x - knee


@njit(cache=True, error_model="numpy")
def knee_distance(probes: Array, region: int, segment: IntArray, y: Array, knee: float, clamp: float) -> float:
    """Least distance of any magnetizing curve to the end of its segment; negative where any curve is beyond it."""
    least = np.inf
    for k in range(FLUX_CURVES):
        least = min(least, to_end(argument(probes, region, k, y), segment[k], knee))
    for k in range(2):
        distance = to_end(y[6 + k], segment[FLUX_CURVES + k], clamp)
        if distance < 0.0:
            least = min(least, distance)
    return least


@njit(cache=True, error_model="numpy")
def shift_segments(
    probes: Array, coarsest: IntArray, closed: int, y: Array, segment: IntArray, knee: float, clamp: float
) -> tuple[int, float]:
    """Move ``segment`` to the segments that hold at y; return region and distance to the nearest knee of a core.

    Stops at a region not built yet, with a distance of -1.
    """
    region, least = region_of(segment), -1.0
    for _ in range(20):
        if coarsest[closed, region] < 0:
            least = -1.0
            break
        changed, least = False, np.inf
        for k in range(CURVES):
            x, end = argument(probes, region, k, y), knee if k < FLUX_CURVES else clamp
            now = 1 if x > end else (-1 if x < -end else 0)
            if now != segment[k]:
                segment[k] = now
                changed = True
                break
            if k < FLUX_CURVES:
                least = min(least, abs(abs(x) - end))
        if not changed:
            break
        region = region_of(segment)
    return region, least


@njit(cache=True, error_model="numpy")
def settle_segments(
    tables: Tables, circuit: int, parameters: Array, closed: int, y: Array, segment: IntArray
) -> tuple[int, float]:
    """Do as :func:`shift_segments` does, and build the regions that are new."""
    region, distance = shift_segments(
        tables.probes, tables.coarsest, closed, y, segment, parameters[KNEE], parameters[CLAMP]
    )
    while distance < 0.0:
        build_segments(tables, circuit, parameters, closed, segment)
        region, distance = shift_segments(
            tables.probes, tables.coarsest, closed, y, segment, parameters[KNEE], parameters[CLAMP]
        )
    return region, distance


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def row_times(slopes: Array, place: int, row: int, y: Array) -> float:
    """One row of A times y."""
    total = 0.0
    for j in range(SIZE):
        total += slopes[place, row, j] * y[j]
    return total


@njit(cache=True, error_model="numpy")
def approach(
    probes: Array, slopes: Array, place: int, curve: int, segment: int, y: Array, end: float
) -> tuple[float, float]:
    """Distance of one curve to the end of its segment and how fast it changes [per unit, per radian]."""
    region = place % REGIONS
    x, slope = argument(probes, region, curve, y), 0.0
    if curve >= FLUX_CURVES:
        slope = row_times(slopes, place, curve - FLUX_CURVES + 3, y)
    else:
        for k in range(3):
            weight = probes[region, curve, k]
            if weight != 0.0:
                slope += weight * row_times(slopes, place, k, y)
    sign = float(segment) if segment != 0 else (-1.0 if x > 0.0 else 1.0)
    return (end + sign * x, sign * slope) if segment == 0 else (sign * x - end, sign * slope)


@njit(cache=True, error_model="numpy")
def farthest_beyond(probes: Array, region: int, segment: IntArray, y: Array, knee: float, clamp: float) -> int:
    """Curve that lies farthest beyond the end of its segment."""
    worst, least = 0, np.inf
    for k in range(CURVES):
        distance = to_end(argument(probes, region, k, y), segment[k], knee if k < FLUX_CURVES else clamp)
        if distance < least:
            worst, least = k, distance
    return worst


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def lowest_of_cubic(start: float, start_slope: float, end: float, end_slope: float) -> tuple[float, float]:
    """Least value and its place in (0, 1) of the cubic with these ends and slopes; the slopes are < 0 and > 0."""
    low, high = 0.0, 1.0
    for _ in range(12):
        s = 0.5 * (low + high)
        slope = (1.0 - s) * (1.0 - 3.0 * s) * start_slope + s * (3.0 * s - 2.0) * end_slope
        slope += 6.0 * s * (1.0 - s) * (end - start)
        if slope < 0.0:
            low = s
        else:
            high = s
    s = 0.5 * (low + high)
    value = (1.0 - s) ** 2 * ((1.0 + 2.0 * s) * start + s * start_slope)
    return value + s * s * ((3.0 - 2.0 * s) * end + (s - 1.0) * end_slope), s


@njit(cache=True, error_model="numpy")
def step_ticks(steps: Array, row: int, ticks: int, y: Array, out: Array) -> None:
    """Write the state after fewer than 512 ticks; ``row`` is the row of one tick."""
    for i in range(SIZE):
        out[i] = y[i]
    while ticks > 0:
        if ticks & 7:
            apply_step(steps, row + (ticks & 7) - 1, out, out)
        ticks >>= 3
        row += 7


@njit(cache=True, error_model="numpy")
def step_to_graze(
    steps: Array,
    slopes: Array,
    probes: Array,
    place: int,
    y: Array,
    segment: IntArray,
    z: Array,
    ticks: int,
    tick: float,
    knee: float,
    rates: Array,
) -> int:
    """Shorten a step from y to z, both short of every knee, to where a curve went beyond one in between, if any did.

    Return its ticks, unchanged where none did. ``rates`` is room for six numbers.
    """
    span, region = ticks * tick, place % REGIONS
    for k in range(3):
        rates[0, k] = row_times(slopes, place, k, y) * span
        rates[1, k] = row_times(slopes, place, k, z) * span
    for curve in range(FLUX_CURVES):
        start_slope, end_slope, start, end = 0.0, 0.0, probes[region, curve, 3], probes[region, curve, 3]
        for k in range(3):
            weight = probes[region, curve, k]
            start_slope += weight * rates[0, k]
            end_slope += weight * rates[1, k]
            start += weight * y[3 + k]
            end += weight * z[3 + k]
        sign = float(segment[curve]) if segment[curve] != 0 else (-1.0 if start > 0.0 else 1.0)
        if sign * start_slope < 0.0 < sign * end_slope:
            rest = knee if segment[curve] == 0 else -knee
            start, end = rest + sign * start, rest + sign * end
            lowest, where = lowest_of_cubic(start, sign * start_slope, end, sign * end_slope)
            if lowest < 0.0:
                ticks = max(1, min(ticks - 1, round(ticks * where)))
                step_ticks(steps, place * DIGITS, ticks, y, z)
                break
    return ticks


@njit(cache=True, error_model="numpy")
def step_to_knee(
    steps: Array,
    slopes: Array,
    probes: Array,
    place: int,
    y: Array,
    segment: IntArray,
    z: Array,
    ticks: int,
    tick: float,
    knee: float,
    clamp: float,
) -> tuple[int, float]:
    """Shorten a step from y to z, which lies beyond a knee, until z is just beyond it.

    Return its ticks and how long ago the knee was crossed [rad].
    """
    late = tick
    for _ in range(8):
        curve = farthest_beyond(probes, place % REGIONS, segment, z, knee, clamp)
        limit = knee if curve < FLUX_CURVES else clamp
        end, end_slope = approach(probes, slopes, place, curve, segment[curve], z, limit)
        late = min(max(end / end_slope, 0.0), ticks * tick) if end_slope < 0.0 else ticks * tick
        if ticks == 1 or late < LATEST * tick:
            break
        start, start_slope = approach(probes, slopes, place, curve, segment[curve], y, limit)
        # a curve beyond its knee can be told by the side it ends on only
        span = ticks * tick
        where = root_of_cubic(start, start_slope * span, end, end_slope * span)
        ticks = max(1, min(ticks - 1, int(np.ceil(ticks * where))))
        step_ticks(steps, place * DIGITS, ticks, y, z)
    return ticks, late


@njit(cache=True, error_model="numpy")
def step_to_crest(
    steps: Array,
    slopes: Array,
    place: int,
    y: Array,
    segment: IntArray,
    z: Array,
    ticks: int,
    tick: float,
    clamp: float,
) -> int:
    """Shorten a step from y to z, both short of an arrester's knee, to a crest beyond it in between, if there is one.

    Return its ticks, unchanged where there is none.
    """
    for k in range(2):
        if segment[FLUX_CURVES + k] != 0 or max(abs(y[6 + k]), abs(z[6 + k])) < CREST_FROM * clamp:
            continue
        span = ticks * tick
        start_slope = row_times(slopes, place, 3 + k, y) * span
        end_slope = row_times(slopes, place, 3 + k, z) * span
        sign = -1.0 if z[6 + k] > 0.0 else 1.0
        if sign * start_slope < 0.0 < sign * end_slope:
            start, end = clamp + sign * y[6 + k], clamp + sign * z[6 + k]
            lowest, where = lowest_of_cubic(start, sign * start_slope, end, sign * end_slope)
            if lowest < 0.0:
                ticks = max(1, min(ticks - 1, round(ticks * where)))
                step_ticks(steps, place * DIGITS, ticks, y, z)
                break
    return ticks


@njit(cache=True, error_model="numpy")
def late_share(x: float, conducting: bool) -> float:
    """Part of (change of slope) x (time) that a voltage misses; x is that time over the time constant beyond the knee.

    Half of it while x is small; a voltage that has gone beyond is held back sooner, one that should be free later.
    """
    if x < 1e-3:
        return 0.5
    gone = 1.0 - np.exp(-x)
    return (1.0 - gone / x) / x if conducting else 1.0 / gone - 1.0 / x


@njit(cache=True, error_model="numpy")
def make_good(
    slopes: Array, parameters: Array, before: int, after: int, y: Array, late: float, change: Array, energy: Array
) -> None:
    """Correct y for the time since a knee was crossed, in which it still followed the segment at ``before``.

    Currents are the same on both segments at the knee and part in proportion to the time since, so what is missing is
    half of the difference now over that time. An arrester's knee has a time constant of its own; what it took
    meanwhile is added to ``energy``. ``change`` is room for five numbers.
    """
    for k in range(5):
        change[k] = 0.5 * late * (row_times(slopes, after, k, y) - row_times(slopes, before, k, y))
    was, now = before % REGIONS // CORE_REGIONS, after % REGIONS // CORE_REGIONS
    if was != now:
        time_constant = parameters[B] * parameters[SLOPE]
        for k in range(2):
            if was % 3 != now % 3:
                change[3 + k] *= 2.0 * late_share(late / time_constant, now % 3 != 0)
                energy[k] += parameters[CLAMP] * parameters[B] * abs(change[3 + k])
            was, now = was // 3, now // 3
    for k in range(5):
        y[3 + k] += change[k]
