"""The atlas of curves that ships with the package: looked up between nodes, nothing compiled or simulated.

The axes are the logarithms of b, g and im. What divides calm from ringing, and one response from the next, lies along
lines of constant b, of constant b/g (charging over loss) or of constant b/im (Xc/Xm). So between the columns of
neighbouring g and im a value is taken along the direction in which they agree best: at the same b, or at a b that moves
with g, with im, or half as far. Within a column a value lies on the straight line between two nodes where they are on
one branch; across a jump the larger holds, from where the jump was found.
"""

from __future__ import annotations

import logging
import zipfile
from dataclasses import dataclass
from functools import cache
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.physics.atlas_axes import (
    ATLAS_VERSION,
    B_AXIS,
    CHECKS,
    COARSE_FIGURES,
    FINE_FIGURES,
    G_AXIS,
    IM_AXIS,
    LIMIT_NAMES,
)
from survey.physics.cache import DAMAGE
from survey.physics.curves import LIMITS_PU, FloatArray, IntArray
from survey.physics.families import Circuit

FOLDER: Final = Path(__file__).parents[1] / "data" / "atlas"
SLOPES: Final = (0.0, 0.5, 1.0, 1.5)
"""How far b moves with g, and with im, along a direction that is tried [decades of b a decade]."""
DIRECTIONS: Final = np.array(list(product(SLOPES, SLOPES)))
AT_ONCE: Final = 2048
"""Sections that are looked up together: as many as the processor's own memory holds."""
SLOPE_PENALTY: Final = 0.015
"""Disagreement that each unit of slope counts for: at equal terms the same b."""
BRANCH_RATIO: Final = 1.4
"""Ratio of neighbouring nodes of b up to which they are taken for one branch."""
CELL_SPREAD: Final = 0.4
"""Standard deviation of the logarithms in a cell from which the larger holds."""
MARGIN: Final = 0.5
"""Standard deviations added to the mean of a cell: what a few thousand more draws would meet."""
NEAR_EDGE: Final = 0.03
"""Part of the way between two nodes by which a jump is taken to come sooner: how exactly its place is known."""
SHARE_TOLD_APART: Final = "share_1.25"
"""Share by which branches are told apart whose peaks are alike."""
LEAST: Final = {"peak": 0.02, "clamped": 0.02, "power": 1e-7}
"""What counts as nothing; figures that are looked up on a logarithmic scale."""
AXES: Final = (B_AXIS, G_AXIS, IM_AXIS)
COARSE_AXES: Final = (B_AXIS[::2], G_AXIS[::2], IM_AXIS[::2])
SHAPE: Final = (len(G_AXIS), len(IM_AXIS), len(B_AXIS))
COARSE_SHAPE: Final = tuple((length + 1) // 2 for length in SHAPE)
TABLES: Final = (FINE_FIGURES, COARSE_FIGURES, CHECKS)
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Place:
    """Where sections lie: places of g, im, b in their four columns, part of the way to the next b, weights; (4, n).

    While directions are tried, b and the way have one more axis before these, one place a direction.
    """

    g: IntArray
    im: IntArray
    b: IntArray
    way: FloatArray
    weights: FloatArray

    def take(self, values: npt.NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
        """Values at both nodes of b in each column, each of shape (4, n)."""
        low, high = values[self.g, self.im, self.b], values[self.g, self.im, self.b + 1]
        return low.astype(np.float64), high.astype(np.float64)

    def mean_of_some(self, values: npt.NDArray[np.float32]) -> FloatArray:
        """Mean by nearness of the values above 0; NaN where there is none."""
        both = np.stack(self.take(values))
        weights = self.weights * np.stack([1.0 - self.way, self.way]) + 1e-9
        weights = np.where(both > 0.0, weights, 0.0)
        weight, total = weights.sum(axis=(0, 1)), (weights * both).sum(axis=(0, 1))
        return np.divide(total, weight, out=np.full(total.shape, np.nan), where=weight > 0.0)

    def largest(self, values: npt.NDArray[np.float32]) -> FloatArray:
        """Largest of the nodes around."""
        return np.asarray(np.stack(self.take(values)).max(axis=(0, 1)))


SIDES: Final = tuple(product((0, 1), (0, 1)))
"""Lower or upper node of g, and of im: the four columns of a cell."""


@dataclass(frozen=True)
class _Cell:
    """The cells of g and im that sections lie in: nodes and weights of four columns, (4, n), and how far b moves."""

    b: FloatArray
    g: IntArray
    im: IntArray
    weights: FloatArray
    moves: tuple[FloatArray, FloatArray]
    axis: FloatArray

    @classmethod
    def around(cls, b: FloatArray, g: FloatArray, im: FloatArray, curves: Curves) -> _Cell:
        """Around logarithms of b, g, im."""
        low_g, way_g, step_g = _cell(g, np.log10(curves.g))
        low_im, way_im, step_im = _cell(im, np.log10(curves.im))
        part_g, part_im = (1.0 - way_g, way_g), (1.0 - way_im, way_im)
        return cls(
            b,
            np.stack([low_g + one for one, _ in SIDES]),
            np.stack([low_im + two for _, two in SIDES]),
            np.stack([part_g[one] * part_im[two] for one, two in SIDES]),
            (
                np.stack([(one - way_g) * step_g for one, _ in SIDES]),
                np.stack([(two - way_im) * step_im for _, two in SIDES]),
            ),
            np.log10(curves.b),
        )

    def place(self, slopes: FloatArray, some: IntArray) -> Place:
        """Where along b some sections lie in each column, moving with g and im by each of some slopes, (k, 2)."""
        by_g, by_im = slopes[:, :1, None], slopes[:, 1:, None]
        moved = self.b[some] + by_g * self.moves[0][:, some] + by_im * self.moves[1][:, some]
        step = self.axis[1] - self.axis[0]
        along = (np.clip(moved, self.axis[0], self.axis[-1]) - self.axis[0]) / step
        low = np.minimum(along.astype(np.int64), len(self.axis) - 2)
        way = np.clip(along - low, 0.0, 1.0)
        return Place(self.g[:, some], self.im[:, some], low, way, self.weights[:, some])


class Curves:
    """Figures on a grid.

    Parameters
    ----------
    axes
        Nodes of b, g and im [per unit], rising.
    values
        Figures at every node, each of shape (g, im, b).
    """

    def __init__(
        self, axes: tuple[FloatArray, FloatArray, FloatArray], values: dict[str, npt.NDArray[np.float32]]
    ) -> None:
        self.b, self.g, self.im = axes
        self.values = values
        self._logs = {name: np.log(values[name] + least) for name, least in LEAST.items() if name in values}

    def find(self, name: str, *, b: FloatArray, g: FloatArray, im: FloatArray) -> tuple[Place, FloatArray]:
        """Look up a figure along the direction in which the columns around agree best.

        Parameters
        ----------
        name
            ``peak``, ``clamped`` or ``power``.
        b, g, im
            Charging, loss and load, magnetizing current [per unit], shape (n,), held within the axes.

        Returns
        -------
        Where each section lies, for other figures of it, and the figure, shape (n,).
        """
        held_b, held_g, held_im = (
            np.log10(np.clip(v, axis[0], axis[-1]))
            for v, axis in zip((b, g, im), (self.b, self.g, self.im), strict=True)
        )
        cell, n = _Cell.around(held_b, held_g, held_im, self), len(held_b)
        value, place = np.zeros(n), Place(cell.g, cell.im, np.zeros((4, n), np.int64), np.zeros((4, n)), cell.weights)
        for rows in np.split(np.arange(n), range(AT_ONCE, n, AT_ONCE)):
            spread, value[rows], place.b[:, rows], place.way[:, rows] = self._best(name, cell, rows, DIRECTIONS[:1])
            # where the columns agree better than that already, no further direction is tried
            unsure = np.flatnonzero(spread > SLOPE_PENALTY * SLOPES[1])
            other, found, b_there, way = self._best(name, cell, rows[unsure], DIRECTIONS[1:])
            better = other < spread[unsure]
            at = rows[unsure[better]]
            value[at], place.b[:, at], place.way[:, at] = found[better], b_there[:, better], way[:, better]
        figure = np.exp(value) - LEAST[name]
        return place, np.where(figure > 1e-3 * LEAST[name], figure, 0.0)

    def _best(
        self, name: str, cell: _Cell, rows: IntArray, directions: FloatArray
    ) -> tuple[FloatArray, FloatArray, IntArray, FloatArray]:
        """Of some directions the best of each section: how far columns disagree, logarithm, places and way along b."""
        there = cell.place(directions, rows)
        found, spread = _blend(self._along_b(name, there), there.weights)
        spread = spread + SLOPE_PENALTY * directions.sum(axis=1)[:, None] + self._share_spread(name, there)
        first, at = spread.argmin(axis=0), np.arange(len(rows))
        return spread[first, at], found[first, at], there.b[first, :, at].T, there.way[first, :, at].T

    def _along_b(self, name: str, place: Place) -> FloatArray:
        """Logarithm of a figure in each column: on one branch between, across a jump the larger, shape (k, 4, n)."""
        low, high = place.take(self._logs[name])
        between = (1.0 - place.way) * low + place.way * high
        jumps = np.abs(high - low) > np.log(BRANCH_RATIO)
        inside = (place.way > 0.02) & (place.way < 0.98)
        value = np.where(
            jumps & inside, np.maximum(low, high), np.where(jumps, np.where(place.way > 0.5, high, low), between)
        )
        if name != "peak":
            return value
        edge, _ = place.take(self.values["edge"])
        beyond = place.way > edge + np.where(high > low, -NEAR_EDGE, NEAR_EDGE)
        return np.where(edge > 0.0, np.where(beyond, high, low), value)

    def _share_spread(self, name: str, place: Place) -> FloatArray:
        """How far the columns disagree about the share of sequences; it tells apart branches whose peaks are alike."""
        if name != "peak":
            return np.zeros(())
        low, high = place.take(self.values[SHARE_TOLD_APART])
        share = (1.0 - place.way) * low + place.way * high
        mean = (place.weights * share).sum(axis=-2, keepdims=True)
        return np.asarray(np.sqrt((place.weights * (share - mean) ** 2).sum(axis=-2)))


@dataclass(frozen=True)
class Atlas:
    """The curves of one circuit.

    Parameters
    ----------
    fine
        :data:`~survey.physics.atlas_axes.FINE_FIGURES` at every node.
    coarse
        :data:`~survey.physics.atlas_axes.COARSE_FIGURES` at every second node of each axis.
    needed
        Least g from which on every step of load is under each limit (infinite: none is), shape (limits, im, b).
    draws
        How many draws a node took (multiples of a plan; 0: it was bridged from its neighbours), shape (g, im, b).
    checks
        Each of :data:`~survey.physics.atlas_axes.CHECKS`, shape of the coarse figures.
    """

    fine: Curves
    coarse: Curves
    needed: npt.NDArray[np.float32]
    draws: npt.NDArray[np.float32]
    checks: dict[str, npt.NDArray[np.float32]]

    def covers(self, *, b: FloatArray, p: FloatArray, im: FloatArray) -> npt.NDArray[np.bool_]:
        """Which sections lie inside; less b than the first node counts as that node, the safe side."""
        slack, axes = 1.0 + 1e-6, self.fine
        inside = (b <= axes.b[-1] * slack) & (p >= axes.g[0] / slack) & (p <= axes.g[-1] * slack)
        return np.asarray(inside & (im >= axes.im[0] / slack) & (im <= axes.im[-1] * slack))

    def least_g(self, *, b: FloatArray, im: FloatArray, limit: float) -> FloatArray:
        """Least g from which on every step of load is under the limit, the largest of the nodes around, shape (n,)."""
        table = self.needed[limit_place(limit)]
        at_b, way_b, _ = _cell(np.log10(np.clip(b, self.fine.b[0], self.fine.b[-1])), np.log10(self.fine.b))
        at_im, way_im, _ = _cell(np.log10(np.clip(im, self.fine.im[0], self.fine.im[-1])), np.log10(self.fine.im))
        sides = [
            np.where(
                (way_im if two else 1.0 - way_im) * (way_b if one else 1.0 - way_b) > 1e-6,
                table[at_im + two, at_b + one],
                0.0,
            )
            for one, two in product((0, 1), (0, 1))
        ]
        return np.asarray(np.max(sides, axis=0), dtype=np.float64)


def limit_place(limit: float) -> int:
    """Which of the limits stands for this one: itself, or the next lower."""
    return max(int(np.searchsorted(LIMITS_PU, limit + 1e-9)) - 1, 0)


def _cell(values: FloatArray, axis: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Node below, part of the way to the next, and length of that way."""
    low = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, len(axis) - 2)
    step = axis[low + 1] - axis[low]
    return low, np.clip((values - axis[low]) / step, 0.0, 1.0), step


def _blend(columns: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Value of a cell from its four columns, and how far they disagree; the last axis but one is the columns'."""
    mean = (weights * columns).sum(axis=-2, keepdims=True)
    spread = np.sqrt((weights * (columns - mean) ** 2).sum(axis=-2))
    largest = np.where(weights > 0.05, columns, -np.inf).max(axis=-2)
    return np.where(spread > CELL_SPREAD, largest, np.minimum(mean[..., 0, :] + MARGIN * spread, largest)), spread


def read_atlas(file: Path, *, only: frozenset[str] | None = None) -> Atlas | None:
    """Read a file of the atlas; None, and one line, where it is damaged or of another version.

    Parameters
    ----------
    only
        Figures to read, without draws and checks; all, with them, when not given: reading takes longer than looking up.
    """
    try:
        with file.open("rb") as opened, np.load(opened, allow_pickle=False) as data:
            version = int(data["version"])
            fine, coarse, checks = (
                {name: data[name] for name in names if only is None or name in only} for names in TABLES
            )
            needed, draws = data["needed"], data["draws"] if only is None else np.zeros(0, np.float32)
    except (*DAMAGE, zipfile.LargeZipFile) as error:
        _LOG.warning("atlas %s cannot be read (%s); curves are computed instead, which takes longer", file, error)
        return None
    whole = [
        all(values.shape == shape and bool(np.isfinite(values).all()) for values in table.values())
        for table, shape in ((fine, SHAPE), (coarse, COARSE_SHAPE), (checks, COARSE_SHAPE))
    ]
    if version != ATLAS_VERSION or not all(whole):
        found = f"version {version}, expected {ATLAS_VERSION}" if version != ATLAS_VERSION else "values are missing"
        _LOG.warning("atlas %s is not used (%s); curves are computed instead, which takes longer", file, found)
        return None
    return Atlas(Curves(AXES, fine), Curves(COARSE_AXES, coarse), needed, draws, checks)


@cache
def shipped_atlas(circuit: Circuit, limit: float | None = None) -> Atlas | None:
    """The atlas of a circuit that came with the package; None where there is none that can be used.

    Parameters
    ----------
    limit
        Voltage limit [per unit]: only figures that are looked up for it; all when not given.
    """
    file = FOLDER / f"{circuit.name.lower()}.npz"
    if not file.exists():
        return None
    return read_atlas(file, only=None if limit is None else _looked_up(limit))


def _looked_up(limit: float) -> frozenset[str]:
    """Figures that are looked up for a limit."""
    name, shares = LIMIT_NAMES[limit_place(limit)], share_name(limit)[:2]
    return frozenset(
        {"peak", "edge", SHARE_TOLD_APART, *shares, f"typical_{name}", f"cycles_{name}", "clamped", "power"}
    )


def share_name(limit: float) -> tuple[str, str, float]:
    """The two shares between which that of a limit lies, and the part of the way."""
    low = limit_place(limit)
    high = min(low + 1, len(LIMITS_PU) - 1)
    way = 0.0 if high == low else (limit - LIMITS_PU[low]) / (LIMITS_PU[high] - LIMITS_PU[low])
    return f"share_{LIMIT_NAMES[low]}", f"share_{LIMIT_NAMES[high]}", min(max(way, 0.0), 1.0)
