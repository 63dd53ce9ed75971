"""Propagators of the straight pieces: what one step of each length does to the state.

All step lengths fall out of one matrix exponential by scaling and squaring; pieces are built when first visited.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numba
import numpy as np

from survey.physics.circuits import Array, IntArray, fill_generator, fill_probe, magnetizing_rows

SIZE: Final = 8
LEVELS: Final = 10
STEPS_PER_CYCLE: Final = 32
TICKS_PER_CYCLE: Final = STEPS_PER_CYCLE << (LEVELS - 1)
REGIONS: Final = 81
UNSATURATED: Final = 40
"""Number of the combination with every curve on its middle piece."""
CURVATURE: Final = 0.75
"""An eighth of the fastest change of a winding voltage allowed for near a knee, 6 per unit per radian."""
RADIANS_PER_STEP: Final = 1.3
"""Longest step, in radians of the fastest free oscillation of the straight piece."""
TAYLOR_TERMS: Final = 10


class Tables(NamedTuple):
    """Propagators of one operating point, filled as pieces are first visited.

    Parameters
    ----------
    steps
        ``exp(A h)`` transposed; rows number pole state, piece and level, shape (8 * 81 * levels, 8, 8).
    coarsest
        Level of the longest step allowed, -1 where not built yet, shape (8, 81).
    slopes
        Rows of A for fluxes and open phases, shape (8 * 81, 5, 8).
    currents
        Magnetizing currents over (1, flux 1..3), shape (81, 3, 4).
    probes
        Arguments of the curves over (flux 1..3, constant), shape (81, 4, 4).
    bends
        Distance to a knee that a step of each level must keep, shape (levels,).
    """

    steps: Array
    slopes: Array
    currents: Array
    coarsest: IntArray
    probes: Array
    bends: Array


@numba.njit(cache=True)
def make_tables(steps_per_cycle: int) -> Tables:
    """Empty tables; ``steps_per_cycle`` sets the tick."""
    bends = np.empty(LEVELS)
    for level in range(LEVELS):
        bends[level] = CURVATURE * (tick_rad(steps_per_cycle) * (1 << level)) ** 2
    return Tables(
        np.empty((8 * REGIONS * LEVELS, SIZE, SIZE)),
        np.empty((8 * REGIONS, 5, SIZE)),
        np.empty((REGIONS, 3, 4)),
        np.full((8, REGIONS), -1, dtype=np.int64),
        np.empty((REGIONS, 4, 4)),
        bends,
    )


@numba.njit(cache=True)
def tick_rad(steps_per_cycle: int) -> float:
    """Length of a tick [rad]."""
    return 2.0 * np.pi / (steps_per_cycle << (LEVELS - 1))


@numba.njit(cache=True)
def region_of(segment: IntArray) -> int:
    """Number of a combination of pieces, base three."""
    return segment[0] + 1 + 3 * (segment[1] + 1) + 9 * (segment[2] + 1) + 27 * (segment[3] + 1)


@numba.njit(cache=True, inline="always")
def row_of(closed: int, region: int, level: int) -> int:
    """Row of the propagator table."""
    return (closed * REGIONS + region) * LEVELS + level


@numba.njit(cache=True)
def multiply(left: Array, right: Array, out: Array) -> None:
    """Write ``left @ right``."""
    for i in range(SIZE):
        for j in range(SIZE):
            total = 0.0
            for k in range(SIZE):
                total += left[i, k] * right[k, j]
            out[i, j] = total


@numba.njit(cache=True)
def exponential(matrix: Array, out: Array) -> None:
    """Write ``exp(matrix)``: Taylor terms of a scaled matrix, squared back."""
    largest = 0.0
    for i in range(SIZE):
        largest = max(largest, np.abs(matrix[i]).sum())
    squarings = 0
    while largest > 0.25:
        largest *= 0.5
        squarings += 1
    term, product = np.eye(SIZE), np.empty((SIZE, SIZE))
    scaled = matrix / 2.0**squarings
    out[:] = term
    for order in range(1, TAYLOR_TERMS + 1):
        multiply(term, scaled, product)
        term[:] = product / order
        out += term
    for _ in range(squarings):
        multiply(out, out, product)
        out[:] = product


@numba.njit(cache=True)
def coarsest_level(generator: Array, tick: float) -> int:
    """Level of the longest step that still samples the fastest free oscillation of the open phases on a piece."""
    stiffness, damping = np.zeros((2, 2)), 0.0
    for i in range(2):
        damping = max(damping, -generator[6 + i, 6 + i])
        for j in range(2):
            for k in range(3):
                stiffness[i, j] -= generator[6 + i, 3 + k] * generator[3 + k, 6 + j]
    half, product = 0.5 * (stiffness[0, 0] + stiffness[1, 1]), stiffness[0, 1] * stiffness[1, 0]
    spread = np.sqrt(max(0.25 * (stiffness[0, 0] - stiffness[1, 1]) ** 2 + product, 0.0))
    rate = np.sqrt(max(half + spread - 0.25 * damping * damping, 1.0))
    level = LEVELS - 1
    longest = RADIANS_PER_STEP * min(tick * TICKS_PER_CYCLE / (2.0 * np.pi), 1.0)
    while level > 0 and rate * tick * (1 << level) > longest:
        level -= 1
    return level


@numba.njit(cache=True)
def build_piece(tables: Tables, circuit: int, parameters: Array, closed: int, segment: IntArray) -> None:
    """Fill the tables for one combination of pieces under one state of the poles."""
    region = region_of(segment)
    tick = np.sqrt(tables.bends[0] / CURVATURE)
    generator, step = np.empty((SIZE, SIZE)), np.empty((SIZE, SIZE))
    product = np.empty((SIZE, SIZE))
    fill_generator(circuit, parameters, closed, segment, generator)
    exponential(generator * tick, step)
    for level in range(LEVELS):
        tables.steps[row_of(closed, region, level)] = step.T
        multiply(step, step, product)
        step[:] = product
    tables.slopes[closed * REGIONS + region] = generator[3:8]
    magnetizing = np.empty((3, SIZE))
    magnetizing_rows(circuit, parameters, segment, magnetizing)
    tables.currents[region] = magnetizing[:, 2:6]
    fill_probe(circuit, parameters, segment, tables.probes[region])
    tables.coarsest[closed, region] = coarsest_level(generator, tick)
