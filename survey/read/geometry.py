"""Well-known binary → flat arrays of lines and points, in order of id.

Plain two-dimensional lines and points, nearly all there are, are copied straight from the bytes; everything else goes
through shapely one by one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from survey.read.nesting import too_deep
from survey.read.text_order import text_buffers

if TYPE_CHECKING:
    import pyarrow as pa

HEAD = 9  # bytes before the first coordinate of a line: byte order, type, number of points
VERTEX = 16
POINT_BYTES = 21
LITTLE_ENDIAN = 1
WKB_POINT, WKB_LINE = 1, 2
POINT_KINDS, LINE_KINDS = frozenset({1, 4}), frozenset({2, 5})  # single and multiple
FLAGS_OFF = 0x0FFF_FFFF  # height and measure as high bits, as some programs write them
CURVES = (8, 12)  # first and last of the types with arcs
BLOCK = 16_384
MAX_COORDINATE = 1e12  # beyond any system's range: fill values such as 1e38 are not places


@dataclass
class RawLines:
    """Lines as drawn, in the coordinates of their layer.

    Parameters
    ----------
    xy
        Vertices, shape (n_vertices, 2).
    start
        First vertex of each line, shape (n_lines + 1,).
    owner
        Place of its row in order of id, shape (n_lines,), rising.
    length
        Planar length of each line, shape (n_lines,).
    problems
        Rows (in order of id) by what is wrong with their geometry: ``null_geometry, empty_geometry, wrong_geometry,
        unreadable_geometry, not_finite, zero_length`` have no line here; ``in_pieces`` have several.
    """

    xy: NDArray[np.float64]
    start: NDArray[np.int64]
    owner: NDArray[np.int64]
    length: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    problems: dict[str, list[int]] = field(default_factory=dict)


@dataclass
class RawPoints:
    """Points as drawn, in the coordinates of their layer.

    Parameters
    ----------
    xy
        Shape (n, 2), NaN where there is none.
    problems
        Rows (in order of id) by what is wrong with their geometry, as in :class:`RawLines`.
    """

    xy: NDArray[np.float64]
    problems: dict[str, list[int]] = field(default_factory=dict)


def parse_lines(wkb: pa.LargeBinaryArray | None, order: NDArray[np.int64]) -> RawLines:
    """Lines of a layer in the given row order."""
    if wkb is None:
        return RawLines(np.zeros((0, 2)), np.zeros(1, np.int64), np.zeros(0, np.int64), problems=_all_null(order))
    starts, data = text_buffers(wkb)
    size = np.diff(starts)
    kind, points = _heads(data, first=starts[:-1], size=size)
    plain = ((kind == WKB_LINE) & (points >= 2) & (size == HEAD + VERTEX * points))[order]
    owner = np.flatnonzero(plain)
    listed = order if plain.all() else order[owner]
    count = points[listed]
    lines = RawLines(_gather(data, first=starts[listed] + HEAD, count=count), _offsets(count), owner)
    odd = np.flatnonzero(~plain)
    if len(odd):
        _add_odd_lines(lines, wkb=wkb, order=order, odd=odd)
    drop_unusable(lines)
    return lines


def _all_null(order: NDArray[np.int64]) -> dict[str, list[int]]:
    return {"null_geometry": list(range(len(order)))}


def _heads(
    data: NDArray[np.uint8], *, first: NDArray[np.int64], size: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Geometry type and number of points of every value; type 0 where it is too short or big-endian."""
    kind, points = np.zeros(len(first), np.int64), np.zeros(len(first), np.int64)
    long_enough = size >= POINT_BYTES
    at = first[long_enough]
    little = data[at] == LITTLE_ENDIAN
    kind[long_enough] = np.where(little, _uint32(data, at + 1), 0)
    points[long_enough] = _uint32(data, at + 5)
    return kind, points


def _uint32(data: NDArray[np.uint8], at: NDArray[np.int64]) -> NDArray[np.int64]:
    if not len(at):
        return np.zeros(0, np.int64)
    everywhere = np.ndarray((len(data) - 3,), dtype="<u4", buffer=data, strides=(1,))
    return everywhere[at].astype(np.int64)


def _offsets(count: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(count, dtype=np.int64)])


def _gather(data: NDArray[np.uint8], *, first: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Copy runs of coordinate pairs out of the bytes, wherever they begin. Shape (sum of count, 2)."""
    if not len(first):
        return np.zeros((0, 2))
    everywhere = np.ndarray((len(data) - VERTEX + 1,), dtype=f"V{VERTEX}", buffer=data, strides=(1,))
    at = _offsets(count)
    pairs = np.empty(at[-1], dtype=f"V{VERTEX}")
    for i in range(0, len(first), BLOCK):  # small blocks stay in the processor's cache
        j = min(i + BLOCK, len(first))
        shift = np.repeat(first[i:j] - VERTEX * (at[i:j] - at[i]), count[i:j])
        pairs[at[i] : at[j]] = everywhere[shift + VERTEX * np.arange(len(shift))]
    return pairs.view("<f8").astype(np.float64, copy=False).reshape(-1, 2)


def has_curves(wkb: pa.LargeBinaryArray) -> bool:
    """Whether there are arcs among the geometries (SQL/MM types 8 to 12, with height or measure or without)."""
    starts, data = text_buffers(wkb)
    at = starts[:-1][np.diff(starts) >= HEAD]
    base = _uint32(data, at + 1) % 1000
    return bool(((base >= CURVES[0]) & (base <= CURVES[-1]) & (data[at] == LITTLE_ENDIAN)).any())


def base_kinds(wkb: pa.LargeBinaryArray) -> frozenset[int]:
    """Types of geometry there are, by their number without height or measure; all of them for another byte order."""
    starts, data = text_buffers(wkb)
    at = starts[:-1][np.diff(starts) >= HEAD]
    if not (data[at] == LITTLE_ENDIAN).all():
        return POINT_KINDS | LINE_KINDS
    return frozenset((np.unique(_uint32(data, at + 1)) & FLAGS_OFF) % 1000)


def _shapes(wkb: list[bytes | None]) -> list[shapely.Geometry | None]:
    """Geometries of well-known binary, ``None`` for what cannot be read."""
    shapes: list[shapely.Geometry | None] = []
    for value in wkb:
        if value is not None and too_deep(value):
            shapes.append(None)
            continue
        try:
            shapes.append(shapely.from_wkb(value, on_invalid="ignore"))
        except (NotImplementedError, shapely.errors.GEOSException):  # an arc inside a collection
            shapes.append(None)
    return shapes


def _add_odd_lines(
    lines: RawLines, *, wkb: pa.LargeBinaryArray, order: NDArray[np.int64], odd: NDArray[np.int64]
) -> None:
    shapes = _shapes(wkb.take(order[odd]).to_pylist())
    present = wkb.is_valid().to_numpy(zero_copy_only=False)[order[odd]]
    pieces: list[NDArray[np.float64]] = []
    owners: list[int] = []
    for row, shape, there in zip(odd.tolist(), shapes, present, strict=True):
        found, problem = _line_pieces(shape, there=bool(there))
        if problem:
            lines.problems.setdefault(problem, []).append(row)
        pieces += found
        owners += [row] * len(found)
    _merge(lines, pieces=pieces, owners=owners)


def _line_pieces(shape: shapely.Geometry | None, *, there: bool) -> tuple[list[NDArray[np.float64]], str]:
    """Coordinates of the lines of one geometry (pieces that join are joined), and what is wrong with it."""
    if shape is None:
        return [], "unreadable_geometry" if there else "null_geometry"
    if shapely.is_empty(shape):
        return [], "empty_geometry"
    shape = shapely.force_2d(shape)
    if isinstance(shape, shapely.MultiLineString):
        shape = shapely.line_merge(shape)
    parts = shapely.get_parts(shape).tolist()
    if not all(isinstance(part, shapely.LineString) for part in parts):
        return [], "wrong_geometry"
    drawn = [shapely.get_coordinates(part) for part in parts if not shapely.is_empty(part)]
    ordered = sorted(drawn, key=lambda xy: xy.tolist())
    return ordered, "in_pieces" if len(ordered) > 1 else ""


def _merge(lines: RawLines, *, pieces: list[NDArray[np.float64]], owners: list[int]) -> None:
    """Put further lines in, keeping the order of owners."""
    if not pieces:
        return
    count = np.concatenate([np.diff(lines.start), [len(piece) for piece in pieces]])
    owner = np.concatenate([lines.owner, np.array(owners, np.int64)])
    xy = np.concatenate([lines.xy, *pieces])
    rank = np.argsort(owner, kind="stable")
    first = _offsets(count)[:-1][rank]
    lines.owner, lines.start = owner[rank], _offsets(count[rank])
    shift = np.repeat(first - lines.start[:-1], count[rank])
    lines.xy = xy[shift + np.arange(len(shift))]


def drop_unusable(lines: RawLines) -> None:
    """Take lines out that are no place or have no length."""
    if not len(lines.owner):
        return
    if not np.abs(lines.xy).max() < MAX_COORDINATE:  # true for not-a-number as well
        off = ~(np.abs(lines.xy) < MAX_COORDINATE).all(axis=1)
        _drop(lines, np.add.reduceat(off, lines.start[:-1], dtype=np.int64) > 0, "not_finite")
    if not len(lines.owner):
        return
    lines.length = sum_steps(np.hypot(*np.diff(lines.xy, axis=0).T), lines.start)
    still = lines.length == 0
    if still.any():
        _drop(lines, still, "zero_length")
        lines.length = lines.length[~still]


def sum_steps(step: NDArray[np.float64], start: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sum what is given from each vertex to the next, shape (n_vertices - 1,), over each line."""
    padded = np.append(step, 0.0)
    padded[start[1:] - 1] = 0.0  # the step from one line to the next is no part of either
    return np.add.reduceat(padded, start[:-1])


def _drop(lines: RawLines, unwanted: NDArray[np.bool_], problem: str) -> None:
    count = np.diff(lines.start)
    gone = set(lines.owner[unwanted].tolist())
    lines.xy = lines.xy[np.repeat(~unwanted, count)]
    lines.owner, lines.start = lines.owner[~unwanted], _offsets(count[~unwanted])
    # A cable that still has another piece is used; its lost piece is told of as "in_pieces" already.
    lines.problems.setdefault(problem, []).extend(sorted(gone - set(lines.owner.tolist())))


def parse_points(wkb: pa.LargeBinaryArray | None, order: NDArray[np.int64]) -> RawPoints:
    """Points of a layer in the given row order."""
    xy = np.full((len(order), 2), np.nan)
    if wkb is None:
        return RawPoints(xy, _all_null(order))
    starts, data = text_buffers(wkb)
    size = np.diff(starts)
    kind, _ = _heads(data, first=starts[:-1], size=size)
    plain = ((kind == WKB_POINT) & (size == POINT_BYTES))[order]
    first = starts[order[plain]] + POINT_BYTES - VERTEX
    xy[plain] = _gather(data, first=first, count=np.ones(len(first), np.int64))
    points = RawPoints(xy)
    odd = np.flatnonzero(~plain)
    if len(odd):
        _add_odd_points(points, wkb=wkb, order=order, odd=odd)
    _check_points(points)
    return points


def _add_odd_points(
    points: RawPoints, *, wkb: pa.LargeBinaryArray, order: NDArray[np.int64], odd: NDArray[np.int64]
) -> None:
    shapes = _shapes(wkb.take(order[odd]).to_pylist())
    present = wkb.is_valid().to_numpy(zero_copy_only=False)[order[odd]]
    for row, shape, there in zip(odd.tolist(), shapes, present, strict=True):
        problem = _point_problem(shape, there=bool(there))
        if problem:
            points.problems.setdefault(problem, []).append(row)
        else:
            points.xy[row] = shapely.get_coordinates(shape)[0]


def _point_problem(shape: shapely.Geometry | None, *, there: bool) -> str:
    if shape is None:
        return "unreadable_geometry" if there else "null_geometry"
    if shapely.is_empty(shape):
        return "empty_geometry"
    parts = shapely.get_parts(shape)
    return "" if len(parts) == 1 and isinstance(parts[0], shapely.Point) else "wrong_geometry"


def _check_points(points: RawPoints) -> None:
    told = {row for rows in points.problems.values() for row in rows}
    empty = np.isnan(points.xy).all(axis=1)  # how well-known binary writes an empty point
    off = ~(np.abs(points.xy) < MAX_COORDINATE).all(axis=1) & ~empty
    points.xy[off] = np.nan
    for problem, mask in (("empty_geometry", empty), ("not_finite", off)):
        fresh = [row for row in np.flatnonzero(mask).tolist() if row not in told]
        if fresh:
            points.problems.setdefault(problem, []).extend(fresh)
