"""The look-up of the atlas itself, in operations that take arrays as well as numbers.

Few sections are looked up together, as arrays; many one by one, compiled.
"""

from itertools import product
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from survey.loops import as_it_stands, njit
from survey.physics.curves import FloatArray, IntArray

SLOPES: Final = (0.0, 0.5, 1.0, 1.5)
"""How far b moves with g, and with im, along a direction that is tried [decades of b a decade]."""
DIRECTIONS: Final = np.array(list(product(SLOPES, SLOPES)))
SLOPE_PENALTY: Final = 0.015
"""Disagreement that each unit of slope counts for: at equal terms the same b."""
PENALTIES: Final = SLOPE_PENALTY * DIRECTIONS.sum(axis=1)
"""A direction is not tried where columns agree better than this already."""
BRANCH_RATIO: Final = 1.4
"""Ratio of neighbouring nodes of b up to which they are taken for one branch."""
JUMP: Final = float(np.log(BRANCH_RATIO))
CELL_SPREAD: Final = 0.4
"""Standard deviation of the logarithms in a cell from which the larger holds."""
MARGIN: Final = 0.5
"""Standard deviations added to the mean of a cell: what a few thousand more draws would meet."""
LEAST_WEIGHT: Final = 0.05
"""Weight from which a column counts among the largest."""
NEAR_EDGE: Final = 0.03
"""Part of the way between two nodes by which a jump is taken to come sooner: how exactly its place is known."""
COMPILED_FROM: Final = 4_000
"""Sections from which the compiled loop is worth its start."""

Flags = npt.NDArray[np.bool_]


class Grid(NamedTuple):
    """What is looked up, one number a node, b the fastest; and the logarithms of b.

    ``logs``, ``edges``, ``shares`` logarithm of the figure, place of a jump, share that tells branches apart (both 0
    where there is none); ``first``, ``step``, ``last``, ``nodes`` the logarithms of b.
    """

    logs: FloatArray
    edges: FloatArray
    shares: FloatArray
    first: float
    step: float
    last: float
    nodes: int


class Cells(NamedTuple):
    """The cells of g and im that sections lie in; of one section, numbers instead of arrays.

    ``b`` its logarithm, shape (n,); ``columns`` first node of each of the four columns, shape (4, n); ``off_g``,
    ``off_im`` how far their g and im are from the section's [decades], shape (4, n); ``weights`` how near they are,
    shape (4, n).
    """

    b: FloatArray
    columns: IntArray
    off_g: FloatArray
    off_im: FloatArray
    weights: FloatArray


@njit(cache=True, plain=np.where)
def pick(chosen: Flags, this: FloatArray | float, other: FloatArray | float) -> FloatArray:
    """What ``numpy.where`` does, which would make an array of every number."""
    return this if chosen else other  # type: ignore[return-value]


@njit(cache=True, error_model="numpy")
def along_b(grid: Grid, moved: FloatArray) -> tuple[IntArray, FloatArray]:
    """Node of b below, and part of the way to the next."""
    along = (np.minimum(np.maximum(moved, grid.first), grid.last) - grid.first) / grid.step
    low = np.minimum(np.int64(along), grid.nodes - 2)
    return low, np.minimum(np.maximum(along - low, 0.0), 1.0)


@njit(cache=True, error_model="numpy")
def in_column(grid: Grid, cells: Cells, by: FloatArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the figure in a column, on one branch between two nodes, across a jump the larger; and the share."""
    below, way = along_b(grid, cells.b + by[0] * cells.off_g[k] + by[1] * cells.off_im[k])
    at = cells.columns[k] + below
    low, high, edge = grid.logs[at], grid.logs[at + 1], grid.edges[at]
    jumps, inside = np.abs(high - low) > JUMP, (way > 0.02) & (way < 0.98)
    across = pick(inside, np.maximum(low, high), pick(way > 0.5, high, low))
    value = pick(jumps, across, (1.0 - way) * low + way * high)
    beyond = way > edge + pick(high > low, -NEAR_EDGE, NEAR_EDGE)
    value = pick(edge > 0.0, pick(beyond, high, low), value)
    return value, (1.0 - way) * grid.shares[at] + way * grid.shares[at + 1]


@njit(cache=True, error_model="numpy")
def mean_and_spread(v: tuple[FloatArray, ...], w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted mean of four values, and their standard deviation."""
    mean = w[0] * v[0] + w[1] * v[1] + w[2] * v[2] + w[3] * v[3]
    one, two, three, four = v[0] - mean, v[1] - mean, v[2] - mean, v[3] - mean
    return mean, np.sqrt(w[0] * one * one + w[1] * two * two + w[2] * three * three + w[3] * four * four)


@njit(cache=True, error_model="numpy")
def of_direction(grid: Grid, cells: Cells, by: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the figure along a direction, and how far its columns disagree about it and the share."""
    one, share_one = in_column(grid, cells, by, 0)
    two, share_two = in_column(grid, cells, by, 1)
    three, share_three = in_column(grid, cells, by, 2)
    four, share_four = in_column(grid, cells, by, 3)
    w = cells.weights
    mean, spread = mean_and_spread((one, two, three, four), w)
    _, shares_apart = mean_and_spread((share_one, share_two, share_three, share_four), w)
    largest = np.maximum(
        np.maximum(pick(w[0] > LEAST_WEIGHT, one, -np.inf), pick(w[1] > LEAST_WEIGHT, two, -np.inf)),
        np.maximum(pick(w[2] > LEAST_WEIGHT, three, -np.inf), pick(w[3] > LEAST_WEIGHT, four, -np.inf)),
    )
    value = pick(spread > CELL_SPREAD, largest, np.minimum(mean + MARGIN * spread, largest))
    return value, spread + SLOPE_PENALTY * (by[0] + by[1]) + shares_apart


@njit(cache=True, error_model="numpy")
def one_by_one(grid: Grid, cells: Cells, best: IntArray, value: FloatArray) -> None:
    """Write the direction in which columns agree best, and the logarithm of the figure along it."""
    for i in range(len(value)):
        one = Cells(cells.b[i], cells.columns[:, i], cells.off_g[:, i], cells.off_im[:, i], cells.weights[:, i])
        apart: Any = np.inf
        for k in range(len(DIRECTIONS)):
            if PENALTIES[k] < apart:
                found, spread = of_direction(grid, one, DIRECTIONS[k])
                if spread < apart:
                    apart, best[i], value[i] = spread, k, found


def all_together(grid: Grid, cells: Cells, best: IntArray, value: FloatArray) -> None:
    """The same, section beside section."""
    apart = np.full(len(value), np.inf)
    for k, by in enumerate(DIRECTIONS):
        rows = np.flatnonzero(PENALTIES[k] < apart)
        of_those = Cells._make(part[..., rows] for part in cells)
        found, spread = as_it_stands(of_direction)(grid, of_those, by)
        better = spread < apart[rows]
        at = rows[better]
        apart[at], best[at], value[at] = spread[better], k, found[better]


def look_up(grid: Grid, cells: Cells) -> tuple[IntArray, FloatArray]:
    """Find the direction in which the columns around each section agree best, and the logarithm of the figure there."""
    best, value = np.zeros(len(cells.b), np.int64), np.zeros(len(cells.b))
    compiled = len(value) >= COMPILED_FROM
    (as_it_stands(one_by_one, compiled=True) if compiled else all_together)(grid, cells, best, value)
    return best, value
