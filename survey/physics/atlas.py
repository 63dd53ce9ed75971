"""The atlas of curves that ships with the package: looked up between nodes, nothing compiled or simulated.

The axes are the logarithms of b, g and im. What divides calm from ringing, and one response from the next, lies along
lines of constant b, of constant b/g (charging over loss) or of constant b/im (Xc/Xm). So between the columns of
neighbouring g and im a value is taken along the direction in which they agree best: at the same b, or at a b that moves
with g, with im, or half as far. Within a column a value lies on the straight line between two nodes where they are on
one branch; across a jump the larger holds, from where the jump was found.
"""

import logging
import zipfile
from dataclasses import dataclass
from functools import cache
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.loops import as_it_stands
from survey.physics.atlas_axes import (
    ATLAS_VERSION,
    CHECKS,
    COARSE_FIGURES,
    FINE_FIGURES,
    LIMIT_NAMES,
    axes_of,
    shape_of,
)
from survey.physics.atlas_loop import DIRECTIONS, Cells, Grid, along_b, look_up
from survey.physics.cache import DAMAGE
from survey.physics.curves import LIMITS_PU, FloatArray, IntArray
from survey.physics.families import Circuit

FOLDER: Final = Path(__file__).parents[1] / "data" / "atlas"
SHARE_TOLD_APART: Final = "share_1.25"
"""Share by which branches are told apart whose peaks are alike."""
BESIDE: Final = ("edge", SHARE_TOLD_APART)
LEAST: Final = {"peak": 0.02, "clamped": 0.02, "power": 1e-7}
"""What counts as nothing; figures that are looked up on a logarithmic scale."""
DEEPEST_DIP: Final = 0.25
"""Logarithm by which a node may be under both its neighbours and still be taken for one branch with them."""
ROUGHEST: Final = 0.1
LARGEST_MARGIN: Final = 0.02
REACH: Final = (1, 1, 2)
"""Nodes of g, im and b to either side over which it is averaged how far nodes are from the middle of their neighbours,
each counted up to ``ROUGHEST``: margin and reach chosen on 2,400 other random sections than those of the benchmark."""
COARSE: Final = 2
"""Every which node of each axis has all figures."""
TABLES: Final = (FINE_FIGURES, COARSE_FIGURES, CHECKS)
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Place:
    """Where sections lie in their four columns: node of b below, part of the way to the next, weight; each (4, n)."""

    low: IntArray
    way: FloatArray
    weights: FloatArray

    def take(self, values: npt.NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
        """Values at both nodes of b in each column, each of shape (4, n)."""
        flat = values.ravel()
        return flat[self.low].astype(np.float64), flat[self.low + 1].astype(np.float64)

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


def with_margin(logs: FloatArray) -> FloatArray:
    """Logarithms of the peak, shape (g, im, b), with what a node's own draws may have missed.

    A node between two of b that are both higher takes the lower of them, unless it is on another branch. Where nodes
    differ from the middle of their neighbours along every axis, their responses do not repeat and more draws would find
    more: there twice that difference is added, 2 % at most.
    """
    closed, rough = logs.copy(), np.full(logs.shape, ROUGHEST)
    dip = np.minimum(logs[..., :-2], logs[..., 2:]) - logs[..., 1:-1]
    closed[..., 1:-1] += np.where((dip > 0.0) & (dip < DEEPEST_DIP), dip, 0.0)
    for axis in range(3):
        turned, least = np.moveaxis(logs, axis, 0), np.moveaxis(rough, axis, 0)
        np.minimum(least[1:-1], np.abs(turned[1:-1] - 0.5 * (turned[:-2] + turned[2:])), out=least[1:-1])
    for axis, reach in enumerate(REACH):
        padded = np.pad(np.moveaxis(rough, axis, 0), ((reach, reach), (0, 0), (0, 0)), mode="symmetric")
        parts = [padded[at : at + rough.shape[axis]] for at in range(2 * reach + 1)]
        rough = np.moveaxis(np.mean(parts, axis=0), 0, axis)
    return np.asarray(closed + np.minimum(2.0 * rough, LARGEST_MARGIN))


SIDES: Final = tuple(product((0, 1), (0, 1)))
"""Lower or upper node of g, and of im: the four columns of a cell."""


class Curves:
    """Figures on a grid.

    ``axes`` nodes of b, g and im [per unit], rising; ``values`` figures at every node, each of shape (g, im, b).
    """

    def __init__(
        self, axes: tuple[FloatArray, FloatArray, FloatArray], values: dict[str, npt.NDArray[np.float32]]
    ) -> None:
        self.b, self.g, self.im = axes
        self.values = values
        self._grids = {name: self._grid(name) for name in LEAST if name in values}

    def _grid(self, name: str) -> Grid:
        """What is looked up of a figure; the edges and shares are those of the peak."""
        values, axis = self.values[name], np.log10(self.b)
        beside = (np.ravel(self.values[other] if name == "peak" else np.zeros(values.shape)) for other in BESIDE)
        logs = np.log(values + LEAST[name], dtype=np.float64)
        edges, shares = (part.astype(np.float64) for part in beside)
        return Grid(
            (with_margin(logs) if name == "peak" else logs).ravel(),
            edges,
            shares,
            axis[0],
            axis[1] - axis[0],
            axis[-1],
            len(axis),
        )

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
        grid, cells = self._grids[name], self._cells(b, g, im=im)
        best, value = look_up(grid, cells)
        by_g, by_im = DIRECTIONS[best].T
        below, way = as_it_stands(along_b)(grid, cells.b + by_g * cells.off_g + by_im * cells.off_im)
        figure = np.exp(value) - LEAST[name]
        place = Place(cells.columns + below, way, cells.weights)
        return place, np.where(figure > 1e-3 * LEAST[name], figure, 0.0)

    def _cells(self, b: FloatArray, g: FloatArray, *, im: FloatArray) -> Cells:
        """Where sections lie, held within the axes."""
        log_b, log_g, log_im = (
            np.log10(np.clip(v, axis[0], axis[-1]))
            for v, axis in zip((b, g, im), (self.b, self.g, self.im), strict=True)
        )
        low_g, way_g, step_g = _cell(log_g, np.log10(self.g))
        low_im, way_im, step_im = _cell(log_im, np.log10(self.im))
        part_g, part_im = (1.0 - way_g, way_g), (1.0 - way_im, way_im)
        return Cells(
            log_b,
            np.stack([((low_g + one) * len(self.im) + low_im + two) * len(self.b) for one, two in SIDES]),
            np.stack([(one - way_g) * step_g for one, _ in SIDES]),
            np.stack([(two - way_im) * step_im for _, two in SIDES]),
            np.stack([part_g[one] * part_im[two] for one, two in SIDES]),
        )


@dataclass(frozen=True)
class Atlas:
    """The curves of one circuit.

    ``fine`` :data:`~survey.physics.atlas_axes.FINE_FIGURES` at every node; ``coarse``
    :data:`~survey.physics.atlas_axes.COARSE_FIGURES` at every second node of each axis; ``needed`` least g from which
    on every step of load is under each limit (infinite: none is), shape (limits, im, b); ``draws`` how many draws a
    node took (multiples of a plan; 0: it was bridged from its neighbours), shape (g, im, b); ``checks`` each of
    :data:`~survey.physics.atlas_axes.CHECKS`, shape of the coarse figures.
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


def read_atlas(file: Path, circuit: Circuit, *, only: frozenset[str] | None = None) -> Atlas | None:
    """Read a circuit's file of the atlas; None, and one line, where it is damaged or of another version.

    ``only``: figures to read, without draws and checks; all, with them, when not given: reading takes longer than
    looking up.
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
        all(values.shape == shape_of(circuit, step) and bool(np.isfinite(values).all()) for values in table.values())
        for table, step in ((fine, 1), (coarse, COARSE), (checks, COARSE))
    ]
    if version != ATLAS_VERSION or not all(whole):
        found = f"version {version}, expected {ATLAS_VERSION}" if version != ATLAS_VERSION else "values are missing"
        _LOG.warning("atlas %s is not used (%s); curves are computed instead, which takes longer", file, found)
        return None
    return Atlas(Curves(axes_of(circuit), fine), Curves(axes_of(circuit, COARSE), coarse), needed, draws, checks)


@cache
def shipped_atlas(circuit: Circuit, limit: float | None = None) -> Atlas | None:
    """The atlas of a circuit that came with the package; None where there is none that can be used.

    ``limit``: voltage limit [per unit]: only figures that are looked up for it; all when not given.
    """
    file = FOLDER / f"{circuit.name.lower()}.npz"
    if not file.exists():
        return None
    return read_atlas(file, circuit, only=None if limit is None else _looked_up(limit))


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
