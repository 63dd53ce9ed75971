"""Lines as small whole numbers: a jump to each first point, then short steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from survey.report.map.grid import MapGrid

STEP_LIMIT = 32767
"""Longest step of the 16-bit encoding, grid steps."""


@dataclass(frozen=True)
class PackedLines:
    """Lines in grid steps.

    Parameters
    ----------
    parts
        Number of lines of each owner; an owner without a line has none. Shape (n_owners,).
    points
        Number of points of each line. Shape (n_lines,).
    jumps
        From the last point of the line before (the origin at first) to the first point. Shape (n_lines, 2).
    steps
        From point to point within the lines. Shape (sum of points - n_lines, 2), 16 bits.
    """

    parts: NDArray[np.int64]
    points: NDArray[np.int64]
    jumps: NDArray[np.int32]
    steps: NDArray[np.int16]

    def blocks(self, name: str) -> dict[str, NDArray[Any]]:
        """Columns of the page's data, by name."""
        return {
            f"{name}.parts": self.parts,
            f"{name}.points": self.points,
            f"{name}.jump_x": self.jumps[:, 0],
            f"{name}.jump_y": self.jumps[:, 1],
            f"{name}.step_x": self.steps[:, 0],
            f"{name}.step_y": self.steps[:, 1],
        }


def pack_lines(owners: NDArray[np.object_], grid: MapGrid) -> PackedLines:
    """Pack one geometry per owner (line, multi-line, polygon outline, ``None`` or empty)."""
    lines, parts = _single_lines(owners)
    coordinates = grid.steps(shapely.get_coordinates(lines))
    points = shapely.get_num_coordinates(lines).astype(np.int64)
    heads = np.concatenate([[0], np.cumsum(points)[:-1]]) if len(points) else np.zeros(0, dtype=np.int64)
    moves = np.diff(coordinates, axis=0, prepend=np.zeros((1, 2), dtype=np.int32))
    inner = np.ones(len(moves), dtype=bool)
    inner[heads] = False
    steps = moves[inner]
    if len(steps) and np.abs(steps).max() > STEP_LIMIT:
        steps, points = _shortened(steps, points)
    return PackedLines(parts, points, moves[heads], steps.astype(np.int16))


def _single_lines(owners: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    kinds = shapely.get_type_id(owners)
    if (kinds == shapely.GeometryType.LINESTRING).all() and not shapely.is_empty(owners).any():
        return owners, np.ones(len(owners), dtype=np.int64)
    outlines = np.where(kinds == shapely.GeometryType.POLYGON, shapely.boundary(owners), owners)
    lines, owner = shapely.get_parts(outlines, return_index=True)
    kept = ~shapely.is_empty(lines)
    return lines[kept], np.bincount(owner[kept], minlength=len(owners)).astype(np.int64)


def _shortened(steps: NDArray[np.int32], points: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Cut steps over the limit into equal shorter ones; the points between lie on the drawn line."""
    pieces = -(-np.abs(steps).max(axis=1).astype(np.int64) // STEP_LIMIT)
    pieces = np.maximum(pieces, 1)
    line = np.repeat(np.arange(len(points)), points - 1)
    ends = np.repeat(steps, pieces, axis=0).astype(np.int64)
    number = np.arange(len(ends)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = np.repeat(pieces, pieces)
    reached = ends * (number + 1)[:, None] // share[:, None]
    before = ends * number[:, None] // share[:, None]
    added = np.bincount(line, weights=pieces - 1, minlength=len(points)).astype(np.int64)
    return (reached - before).astype(np.int32), points + added
