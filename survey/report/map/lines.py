"""Lines as small whole numbers: a jump to each first point, then short steps."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Ints, ranges
from survey.linesets import LineSet
from survey.report.map.grid import MapGrid

STEP_LIMIT = 32767
"""Longest step of the 16-bit encoding, grid steps."""

Whole = Ints


@dataclass(frozen=True)
class Counts:
    """How many things each owner has, and where its first one stands."""

    each: Whole
    heads: Whole

    def spans(self, rows: Whole) -> tuple[Whole, Whole]:
        """Places of everything that the chosen rows own, and how many each owns."""
        chosen = self.each[rows]
        return ranges(self.heads[rows], chosen), chosen


def _counts(each: Whole) -> Counts:
    return Counts(each, np.cumsum(each) - each)


@dataclass(frozen=True)
class GridLines:
    """Lines in grid steps, ready to be packed in any order of their owners."""

    parts: Counts
    points: Counts
    steps: NDArray[np.int32]

    def pack(self, name: str, rows: Whole) -> dict[str, NDArray[Any]]:
        """Columns of the page's data for some owners, in the order given.

        ``parts`` and ``points`` as in :class:`Lines`; ``jump``: from the last point before (the origin at first) to
        a line's first point; ``step``: from point to point within the lines, 16 bits (a longer one is cut).
        """
        chosen, parts = self.parts.spans(rows)
        places, points = self.points.spans(chosen)
        moves = np.diff(self.steps[places], axis=0, prepend=np.zeros((1, 2), dtype=np.int32))
        first = np.zeros(len(moves), dtype=bool)
        first[np.cumsum(points) - points] = True
        jumps, steps = moves[first], moves[~first]
        if _longest(steps) > STEP_LIMIT:
            points, steps = _cut(points, steps)
        columns: dict[str, NDArray[Any]] = {"parts": parts, "points": points}
        jump_kind = np.int16 if _longest(jumps) <= STEP_LIMIT else np.int32
        columns |= {"jump_x": jumps[:, 0].astype(jump_kind), "jump_y": jumps[:, 1].astype(jump_kind)}
        columns |= {"step_x": steps[:, 0].astype(np.int16), "step_y": steps[:, 1].astype(np.int16)}
        return {f"{name}.{column}": values for column, values in columns.items()}


def _longest(moves: NDArray[np.int32]) -> int:
    return max(int(moves.max(initial=0)), -int(moves.min(initial=0)))


def grid_lines(lines: LineSet, grid: MapGrid) -> GridLines:
    """Bring the lines to the grid; lines without a point are dropped."""
    kept = lines.points > 0
    if kept.all():
        return GridLines(_counts(lines.parts), _counts(lines.points), grid.steps(lines.xy))
    owner = np.repeat(np.arange(len(lines.parts)), lines.parts)
    parts = np.bincount(owner[kept], minlength=len(lines.parts)).astype(np.int64)
    return GridLines(_counts(parts), _counts(lines.points[kept]), grid.steps(lines.xy))


def _cut(points: Whole, steps: NDArray[np.int32]) -> tuple[Whole, NDArray[np.int32]]:
    """Cut steps over the limit into shorter ones; the further points lie on the drawn line."""
    hops = np.maximum(-(-np.abs(steps).max(axis=1).astype(np.int64) // STEP_LIMIT), 1)
    number = np.arange(hops.sum()) - np.repeat(np.cumsum(hops) - hops, hops)
    share, whole = np.repeat(hops, hops)[:, None], np.repeat(steps, hops, axis=0).astype(np.int64)
    cut = whole * (number + 1)[:, None] // share - whole * number[:, None] // share
    line = np.repeat(np.arange(len(points)), points - 1)
    added = np.bincount(line, weights=hops - 1, minlength=len(points)).astype(np.int64)
    return points + added, cut.astype(np.int32)
