"""Propagators of the straight segments: what one step of each length does to the state.

All step lengths fall out of one matrix exponential by scaling and squaring; segments are built when first visited.
"""

from typing import Final, NamedTuple

import numpy as np

from survey.compiled import njit
from survey.physics.circuits import (
    CURVES,
    FLUX_CURVES,
    Array,
    IntArray,
    fill_feed,
    fill_generator,
    fill_probe,
    lost_rows,
)

SIZE: Final = 8
LEVELS: Final = 10
DIGITS: Final = 22
"""Propagators kept of a segment: 1 to 7 times 1, 8 and 64 ticks, and 512 ticks; any step shorter than that takes at
most three of them."""
STEPS_PER_CYCLE: Final = 32
TICKS_PER_CYCLE: Final = STEPS_PER_CYCLE << (LEVELS - 1)
REGIONS: Final = 729
"""Combinations of segments of four magnetizing curves and two arresters; 0 has every curve on its middle segment."""
CORE_REGIONS: Final = 81
"""Those of the magnetizing curves: they make the remainder of a region's number by 81."""
CLAMPED_LEVEL: Final = 7
"""Level of the longest step at first while an arrester conducts, a twentieth of a radian: its current is sampled."""
CURVATURE: Final = 0.75
"""An eighth of the fastest change of a winding voltage allowed for near a knee, 6 per unit per radian."""
RADIANS_PER_STEP: Final = 1.3
"""Longest step, in radians of the fastest free oscillation of the straight segment."""
TAYLOR_TERMS: Final = 10


class Tables(NamedTuple):
    """Propagators of one operating point, filled as segments are first visited.

    ``steps`` ``exp(A h)`` transposed; rows number pole state, segment and octal digit of ticks, shape (8 * 729 * 22,
    8, 8); memory is taken where written; ``coarsest`` level of the longest step allowed, -1 where not built yet, shape
    (8, 729); ``slopes`` rows of A for fluxes and open phases, shape (8 * 729, 5, 8); ``lost`` flux that the resistances
    take of a winding per radian, over (1, flux 1..3), shape (729, 3, 4); ``feeds`` current that an open phase feeds
    into the transformer (:func:`~survey.physics.circuits.fill_feed`), shape (8 * 729, 2, 7); ``probes`` arguments of
    the magnetizing curves over (flux 1..3, constant), shape (729, 4, 4); ``bends`` distance to a knee that a step of
    each level must keep, shape (levels,).
    """

    steps: Array
    slopes: Array
    lost: Array
    feeds: Array
    coarsest: IntArray
    probes: Array
    bends: Array


@njit(cache=True, error_model="numpy")
def make_tables(steps_per_cycle: int) -> Tables:
    """Empty tables; ``steps_per_cycle`` sets the tick."""
    bends = np.empty(LEVELS)
    for level in range(LEVELS):
        bends[level] = CURVATURE * (tick_rad(steps_per_cycle) * (1 << level)) ** 2
    return Tables(
        np.empty((8 * REGIONS * DIGITS, SIZE, SIZE)),
        np.empty((8 * REGIONS, 5, SIZE)),
        np.empty((REGIONS, 3, 4)),
        np.empty((8 * REGIONS, 2, 7)),
        np.full((8, REGIONS), -1, dtype=np.int64),
        np.empty((REGIONS, 4, 4)),
        bends,
    )


@njit(cache=True, error_model="numpy")
def tick_rad(steps_per_cycle: int) -> float:
    """Length of a tick [rad]."""
    return 2.0 * np.pi / (steps_per_cycle << (LEVELS - 1))


@njit(cache=True)
def region_of(segment: IntArray) -> int:
    """Number of a combination of segments, base three: a digit of 0, 1, or 2 for -1."""
    region, weight = 0, 1
    for k in range(CURVES):
        region += weight * (segment[k] if segment[k] >= 0 else 2)
        weight *= 3
    return region


@njit(cache=True)
def first_row(closed: int, region: int) -> int:
    """First row of a segment in the propagator table: that of one tick."""
    return (closed * REGIONS + region) * DIGITS


@njit(cache=True)
def level_row(level: int) -> int:
    """Row, counted from the first, of ``2 ** level`` ticks."""
    return 7 * (level // 3) + (1 << level % 3) - 1


@njit(cache=True, error_model="numpy")
def multiply(left: Array, right: Array, out: Array) -> None:
    """Write ``left @ right``."""
    for i in range(SIZE):
        out[i] = 0.0
        for k in range(SIZE):
            weight = left[i, k]
            for j in range(SIZE):
                out[i, j] += weight * right[k, j]


@njit(cache=True, error_model="numpy")
def scale_matrix(matrix: Array, factor: float, out: Array) -> None:
    """Write a multiple of a matrix (element by element: numba takes seconds to compile whole-array assignments)."""
    for i in range(SIZE):
        for j in range(SIZE):
            out[i, j] = factor * matrix[i, j]


@njit(cache=True, error_model="numpy")
def largest_row_sum(matrix: Array) -> float:
    """Largest sum of magnitudes of a row."""
    largest = 0.0
    for i in range(SIZE):
        total = 0.0
        for j in range(SIZE):
            total += abs(matrix[i, j])
        largest = max(largest, total)
    return largest


@njit(cache=True, error_model="numpy")
def exponential(matrix: Array, out: Array) -> None:
    """Write ``exp(matrix)``: Taylor terms of a scaled matrix, squared back."""
    size, squarings, scale = largest_row_sum(matrix), 0, 1.0
    while size * scale > 0.25:
        scale *= 0.5
        squarings += 1
    scaled, term, product = np.empty((SIZE, SIZE)), np.empty((SIZE, SIZE)), np.empty((SIZE, SIZE))
    scale_matrix(matrix, scale, scaled)
    scale_matrix(scaled, 1.0, out)
    for i in range(SIZE):
        out[i, i] += 1.0
    scale_matrix(scaled, 1.0, term)
    for order in range(2, TAYLOR_TERMS + 1):
        multiply(term, scaled, product)
        scale_matrix(product, 1.0 / order, term)
        for i in range(SIZE):
            for j in range(SIZE):
                out[i, j] += term[i, j]
    for _ in range(squarings):
        multiply(out, out, product)
        scale_matrix(product, 1.0, out)


@njit(cache=True, error_model="numpy")
def coarsest_level(generator: Array, tick: float, segment: IntArray) -> int:
    """Level of the longest step that still samples the fastest free oscillation of the open phases on a segment.

    A phase held by an arrester does not oscillate.
    """
    stiffness, damping, clamped = np.zeros((2, 2)), 0.0, False
    for i in range(2):
        if segment[FLUX_CURVES + i] != 0:
            clamped = True
            continue
        damping = max(damping, -generator[6 + i, 6 + i])
        for j in range(2):
            if segment[FLUX_CURVES + j] != 0:
                continue
            for k in range(3):
                stiffness[i, j] -= generator[6 + i, 3 + k] * generator[3 + k, 6 + j]
    half, product = 0.5 * (stiffness[0, 0] + stiffness[1, 1]), stiffness[0, 1] * stiffness[1, 0]
    spread = np.sqrt(max(0.25 * (stiffness[0, 0] - stiffness[1, 1]) ** 2 + product, 0.0))
    rate = np.sqrt(max(half + spread - 0.25 * damping * damping, 1.0))
    level = CLAMPED_LEVEL if clamped else LEVELS - 1
    longest = RADIANS_PER_STEP * min(tick * TICKS_PER_CYCLE / (2.0 * np.pi), 1.0)
    while level > 0 and rate * tick * (1 << level) > longest:
        level -= 1
    return level


@njit(cache=True, error_model="numpy")
def fill_steps(steps: Array, row: int, generator: Array, tick: float) -> None:
    """Write the transposed propagators of a segment from ``row`` on: 1 to 7 ticks, 8 to 56, 64 to 448, 512."""
    turned, step = np.empty((SIZE, SIZE)), np.empty((SIZE, SIZE))
    for i in range(SIZE):
        for j in range(SIZE):
            turned[j, i] = generator[i, j] * tick
    exponential(turned, step)
    for _place in range(DIGITS // 7):
        scale_matrix(step, 1.0, steps[row])
        for _ in range(7):
            multiply(steps[row], step, steps[row + 1])
            row += 1
        scale_matrix(steps[row], 1.0, step)


@njit(cache=True, error_model="numpy")
def build_segments(tables: Tables, circuit: int, parameters: Array, closed: int, segment: IntArray) -> None:
    """Fill the tables for one combination of segments under one state of the poles."""
    region = region_of(segment)
    tick = np.sqrt(tables.bends[0] / CURVATURE)
    generator = np.empty((SIZE, SIZE))
    fill_generator(circuit, parameters, closed, segment, generator)
    fill_steps(tables.steps, first_row(closed, region), generator, tick)
    tables.coarsest[closed, region] = coarsest_level(generator, tick, segment)
    probe, lost = np.empty((FLUX_CURVES, 4)), np.empty((3, SIZE))
    fill_probe(circuit, parameters, segment, probe)
    for k in range(FLUX_CURVES):
        for j in range(4):
            tables.probes[region, k, j] = probe[k, j]
    lost_rows(circuit, parameters, segment, lost)
    for k in range(3):
        for j in range(4):
            tables.lost[region, k, j] = lost[k, 2 + j]
    fill_feed(circuit, parameters, closed, segment, tables.feeds[closed * REGIONS + region])
    for k in range(5):
        for j in range(SIZE):
            tables.slopes[closed * REGIONS + region, k, j] = generator[3 + k, j]
