"""Well-known binary → flat arrays of lines and points, in order of id; what is wrong is told by rule."""

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from numpy.typing import NDArray

from survey.arrays import Bools, Floats, Ints, read_at
from survey.read.columns import Rows
from survey.read.tables import some_lines
from survey.settings import NetworkSettings

Shapes = NDArray[Any]

HEAD, PLACE = 5, 16  # bytes of the byte order and the type, and of a place without height
HEAD_BITS = (1 << 8 * HEAD) - 1
POINT, LINE, MULTI_POINT, MULTI_LINE, COLLECTION = 0, 1, 4, 5, 7  # types of geometry, by shapely
POINT_KINDS, LINE_KINDS = frozenset({1, 4}), frozenset({2, 5})  # single and multiple, in well-known binary
PLAIN = (b"\x01", b"\x02")  # lowest byte of the type of single points and lines without height
FLAGS_OFF = 0x0FFF_FFFF  # height and measure as high bits, as some programs write them
CURVES = frozenset(range(8, 13))  # types with arcs
BLOCK = 65_536
MAX_COORDINATE = 1e12  # beyond any system's range: fill values such as 1e38 are not places
DEEPEST = 3
"""A collection of multiple lines; nothing deeper is any line."""
_HAS_Z, _HAS_M, _HAS_SRID = 0x8000_0000, 0x4000_0000, 0x2000_0000
_FLAGS_OFF = 0x0FFF_FFFF
_POINT, _RUNS, _RINGS = 1, frozenset({2, 8}), frozenset({3, 17})
_COLLECTIONS = frozenset({4, 5, 6, 7, 9, 10, 11, 12, 15, 16})
SLACK = (0.8, 1.25)
"""Recorded over drawn length that slack, risers and a coarse drawing explain (judgement, no source)."""
FEWEST = 20
"""Cables below which no length is called usual (judgement)."""
PROBLEMS = ("null_geometry", "empty_geometry", "wrong_geometry", "unreadable_geometry", "not_finite", "zero_length")


@dataclass
class RawLines:
    """Lines as drawn, in the coordinates of their layer.

    ``xy`` vertices, shape (n_vertices, 2); ``start`` first vertex of each line, shape (n_lines + 1,); ``owner`` place
    of its row in order of id, shape (n_lines,), rising; ``length`` planar length of each line, shape (n_lines,);
    ``problems`` rows (in order of id) by what is wrong with their geometry: ``null_geometry, empty_geometry,
    wrong_geometry, unreadable_geometry, not_finite, zero_length`` have no line here; ``in_pieces`` have several.
    """

    xy: Floats
    start: Ints
    owner: Ints
    length: Floats = field(default_factory=lambda: np.zeros(0))
    problems: dict[str, list[int]] = field(default_factory=dict)


@dataclass
class RawPoints:
    """Points as drawn, in the coordinates of their layer.

    ``xy`` shape (n, 2), NaN where there is none; ``problems`` rows (in order of id) by what is wrong with their
    geometry, as in :class:`RawLines`.
    """

    xy: Floats
    problems: dict[str, list[int]] = field(default_factory=dict)


def parse_lines(wkb: pa.LargeBinaryArray | None, order: Ints) -> RawLines:
    """Lines of a layer in the given row order; parts that join are joined."""
    if wkb is None:
        return RawLines(np.zeros((0, 2)), np.zeros(1, np.int64), np.zeros(0, np.int64), problems=_all_null(order))
    problems: dict[str, list[int]] = {}
    xy, filled = np.empty((wkb.nbytes // PLACE, 2)), 0  # no vertex takes less
    count, owner = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for first, some in _blocks(wkb, order):
        drawn, number = _plain_coordinates(some, LINE)
        rows = first + np.arange(len(number))
        if not len(rows):
            lines, rows = _lines(_geometries(some, first, problems), first=first, problems=problems)
            drawn, of = shapely.get_coordinates(lines, return_index=True)
            number = np.bincount(of, minlength=len(lines))
        xy[filled : filled + len(drawn)] = drawn
        filled += len(drawn)
        count.append(number)
        owner.append(rows)
    found = RawLines(xy[:filled], _offsets(np.concatenate(count)), np.concatenate(owner), problems=problems)
    drop_unusable(found)
    return found


def _all_null(order: Ints) -> dict[str, list[int]]:
    return {"null_geometry": list(range(len(order)))}


def _blocks(wkb: pa.LargeBinaryArray, order: Ints) -> Iterator[tuple[int, pa.LargeBinaryArray]]:
    """Geometries in the given order, some at a time, with the place of the first."""
    for first in range(0, len(order), BLOCK):
        yield first, wkb.take(pa.array(order[first : first + BLOCK]))


def _plain_coordinates(some: pa.LargeBinaryArray, kind: int) -> tuple[Floats, Ints]:
    """Coordinates of lines or points and how many each has, where all are whole, little-endian and without height.

    Both are empty where some are not: then shapely looks at each, which takes three times as long.
    """
    nothing = np.empty((0, 2)), np.empty(0, np.int64)
    if some.null_count:
        return nothing
    start = np.frombuffer(some.buffers()[1], np.int64)[some.offset : some.offset + len(some) + 1]
    data, size, head = np.frombuffer(some.buffers()[2], np.uint8), np.diff(start), HEAD + 4 * (kind == LINE)
    if size.min() < head + PLACE:
        return nothing
    heads, count = read_at(data, start[:-1], "<u8") & HEAD_BITS, np.ones(len(size), np.int64)
    if kind == LINE:
        count = read_at(data, start[:-1] + HEAD, "<u4").astype(np.int64)
    whole = (heads == 1 + (kind + 1 << 8)).all() and count.min() > (kind == LINE)
    if not whole or (size != head + PLACE * count).any():
        return nothing
    vertex = np.repeat(head * np.arange(1, len(count) + 1), count)
    vertex += np.arange(start[0], start[0] + PLACE * len(vertex), PLACE)
    xy = read_at(data, vertex, "<c16").view("<f8").reshape(-1, 2)
    return nothing if kind == POINT and np.isnan(xy).any() else (xy, count)


def _geometries(some: pa.LargeBinaryArray, first: int, problems: dict[str, list[int]]) -> Shapes:
    """Geometries of a block that begins at a row; ``None`` for what is no geometry."""
    values, missing = (array.to_numpy(zero_copy_only=False) for array in (some, some.is_null()))
    plain = pc.is_in(pc.binary_slice(some, 1, 2), value_set=pa.array(PLAIN, pa.large_binary()))
    for row in np.flatnonzero(~plain.to_numpy(zero_copy_only=False) & ~missing):
        values[row] = None if too_deep(values[row]) else values[row]
    shapes = _shapes(values)
    empty = shapely.is_empty(shapes)
    _tell(problems, "null_geometry", np.flatnonzero(missing) + first)
    _tell(problems, "unreadable_geometry", np.flatnonzero(shapely.is_missing(shapes) & ~missing) + first)
    _tell(problems, "empty_geometry", np.flatnonzero(empty) + first)
    shapes[empty] = None
    return shapes


def _tell(problems: dict[str, list[int]], rule: str, rows: Ints) -> None:
    if len(rows):
        problems.setdefault(rule, []).extend(rows.tolist())


def _shapes(values: Shapes) -> Shapes:
    try:
        return np.asarray(shapely.from_wkb(values, on_invalid="ignore"))
    except (NotImplementedError, shapely.errors.GEOSException):  # an arc, alone or inside a collection
        if len(values) == 1:
            return np.array([None], object)
        half = len(values) // 2
        return np.concatenate([_shapes(values[:half]), _shapes(values[half:])])


def _lines(shapes: Shapes, *, first: int, problems: dict[str, list[int]]) -> tuple[Shapes, Ints]:
    """Lines of a block with the rows they are of; of several in one row those of lower coordinates come first."""
    several = shapely.get_type_id(shapes) == MULTI_LINE
    merged = shapely.line_merge(shapely.force_2d(shapes[several]))
    # lines of no length are merged to nothing
    shapes[several] = np.where(shapely.is_empty(merged), shapely.get_geometry(shapes[several], 0), merged)
    kind = shapely.get_type_id(shapes)
    several = np.flatnonzero((kind == MULTI_LINE) | (kind == COLLECTION))
    parts = {row: _parts(shapes[row]) for row in several.tolist()}
    wrong = [row for row, found in parts.items() if not found]
    others = np.flatnonzero(~np.isin(kind, (-1, LINE, MULTI_LINE, COLLECTION)))
    _tell(problems, "wrong_geometry", np.sort(np.concatenate([others, np.array(wrong, np.int64)])) + first)
    _tell(problems, "in_pieces", np.array([row for row, found in parts.items() if len(found) > 1], np.int64) + first)
    plain = np.flatnonzero(kind == LINE)
    lines = np.concatenate([shapes[plain], np.array([line for found in parts.values() for line in found], object)])
    rows = np.concatenate([plain, np.repeat(several, [len(found) for found in parts.values()])]).astype(np.int64)
    rank = np.argsort(rows, kind="stable")
    return lines[rank], rows[rank] + first


def _parts(shape: shapely.Geometry) -> list[shapely.Geometry]:
    """Lines that several are made of; none where other than lines are among them."""
    parts = shapely.get_parts(shape).tolist()
    if not all(isinstance(part, shapely.LineString) for part in parts):
        return []
    return sorted(
        (part for part in parts if not part.is_empty), key=lambda part: shapely.get_coordinates(part).tolist()
    )


def _offsets(count: Ints) -> Ints:
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(count, dtype=np.int64)])


def base_kinds(wkb: pa.LargeBinaryArray) -> frozenset[int]:
    """Types of geometry there are, by their number in well-known binary without height or measure."""
    heads = pc.unique(pc.binary_slice(wkb, 0, HEAD)).drop_null().to_pylist()
    orders = {0: "big", 1: "little"}
    known = [(head[1:], orders[head[0]]) for head in heads if len(head) == HEAD and head[0] in orders]
    return frozenset((int.from_bytes(kind, order) & FLAGS_OFF) % 1000 for kind, order in known)  # type: ignore[arg-type]


def has_curves(wkb: pa.LargeBinaryArray) -> bool:
    """Whether there are arcs among the geometries (SQL/MM types 8 to 12, with height or measure or without)."""
    return bool(base_kinds(wkb) & CURVES)


def drop_unusable(lines: RawLines) -> None:
    """Take lines out that are no place or have no length."""
    if not len(lines.owner):
        return
    if not (lines.xy.max() < MAX_COORDINATE and lines.xy.min() > -MAX_COORDINATE):  # true for not-a-number as well
        off = ~(np.abs(lines.xy) < MAX_COORDINATE).all(axis=1)
        _drop(lines, np.add.reduceat(off, lines.start[:-1], dtype=np.int64) > 0, "not_finite")
    if not len(lines.owner):
        return
    lines.length = planar_lengths(lines.xy, lines.start)
    still = lines.length == 0
    if still.any():
        _drop(lines, still, "zero_length")
        lines.length = lines.length[~still]


def planar_lengths(xy: Floats, start: Ints) -> Floats:
    """Length of each line as drawn, shape (n_lines,)."""
    length = np.zeros(len(start) - 1)
    for which, some, begin in some_lines(xy, start):
        length[which] = sum_steps(np.hypot(*np.diff(some, axis=0).T), begin)
    return length


def sum_steps(step: Floats, start: Ints) -> Floats:
    """Sum what is given from each vertex to the next, shape (n_vertices - 1,), over each line."""
    padded = np.append(step, 0.0)
    padded[start[1:] - 1] = 0.0  # the step from one line to the next is no part of either
    return np.add.reduceat(padded, start[:-1])


def _drop(lines: RawLines, unwanted: Bools, problem: str) -> None:
    count = np.diff(lines.start)
    gone = set(lines.owner[unwanted].tolist())
    lines.xy = lines.xy[np.repeat(~unwanted, count)]
    lines.owner, lines.start = lines.owner[~unwanted], _offsets(count[~unwanted])
    # A cable that still has another part is used; its lost part is told of as "in_pieces" already.
    lines.problems.setdefault(problem, []).extend(sorted(gone - set(lines.owner.tolist())))


def parse_points(wkb: pa.LargeBinaryArray | None, order: Ints, *, begin_lines: bool = False) -> RawPoints:
    """Points of a layer in the given row order; where wanted, a line counts as the point where it begins."""
    xy = np.full((len(order), 2), np.nan)
    if wkb is None:
        return RawPoints(xy, _all_null(order))
    problems: dict[str, list[int]] = {}
    for first, some in _blocks(wkb, order):
        drawn, _ = _plain_coordinates(some, POINT)
        if len(drawn):
            xy[first : first + len(drawn)] = drawn
            continue
        shapes = _geometries(some, first, problems)
        several = (MULTI_POINT, MULTI_LINE) if begin_lines else (MULTI_POINT,)
        one = np.isin(shapely.get_type_id(shapes), several) & (shapely.get_num_geometries(shapes) == 1)
        shapes[one] = shapely.get_geometry(shapes[one], 0)
        lines = (shapely.get_type_id(shapes) == LINE) & ~shapely.is_empty(shapes) & begin_lines
        shapes[lines] = shapely.get_point(shapes[lines], 0)
        kind = shapely.get_type_id(shapes)
        xy[np.flatnonzero(kind == POINT) + first] = shapely.get_coordinates(shapes[kind == POINT])
        _tell(problems, "wrong_geometry", np.flatnonzero((kind != POINT) & (kind >= 0)) + first)
    off = (~(np.abs(xy) < MAX_COORDINATE) & ~np.isnan(xy)).any(axis=1) | (np.isnan(xy).sum(axis=1) == 1)
    xy[off] = np.nan
    _tell(problems, "not_finite", np.flatnonzero(off))
    return RawPoints(xy, problems)


def too_deep(wkb: bytes) -> bool:
    """Whether geometries lie deeper in one another than those of a line; False for what cannot be read.

    Layout as in OGC 06-103r4, 8.2; types with height and measure as in ISO 13249-3, or as high bits.
    """
    left, at = [1], 0
    while left:
        if left[-1] == 0:
            left.pop()
            continue
        left[-1] -= 1
        if len(left) > DEEPEST:
            return True
        if len(wkb) < at + 9:
            return False
        base, count, at = _head(wkb, at)
        if base in _COLLECTIONS:
            left.append(count)
        elif count < 0 or at > len(wkb):
            return False
    return False


def _head(wkb: bytes, at: int) -> tuple[int, int, int]:
    """Type of the geometry at a place, how many it holds (-1: not known), and where the next one begins."""
    order = "<" if wkb[at] == 1 else ">"
    kind, count = struct.unpack_from(f"{order}II", wkb, at + 1)
    at += 4 if kind & _HAS_SRID else 0
    if kind & _HAS_SRID and len(wkb) >= at + 9:
        (count,) = struct.unpack_from(f"{order}I", wkb, at + 5)
    high = (kind & _FLAGS_OFF) // 1000
    vertex = 8 * (2 + max(bool(kind & _HAS_Z) + bool(kind & _HAS_M), {0: 0, 1: 1, 2: 1, 3: 2}.get(high, 0)))
    base = (kind & _FLAGS_OFF) % 1000
    if base == _POINT:
        return base, 0, at + 5 + vertex
    if base in _RUNS:
        return base, 0, at + 9 + vertex * count
    if base in _RINGS:
        return base, 0, _after_rings(wkb, at + 9, count, order=order, vertex=vertex)
    return base, count if base in _COLLECTIONS else -1, at + 9


def _after_rings(wkb: bytes, at: int, count: int, *, order: str, vertex: int) -> int:
    for _ in range(count):
        if len(wkb) < at + 4:
            break
        at += 4 + vertex * struct.unpack_from(f"{order}I", wkb, at)[0]
    return at


def report_drawing(rows: Rows, problems: Mapping[str, Sequence[int]], *, has_nodes: Bools, done: str) -> None:
    """Name the assets without a usable geometry.

    ``problems``: rows by rule. ``has_nodes``: what its node ids place all the same, shape (n,). ``done``: what became
    of the others, in words.
    """
    for rule in PROBLEMS:
        listed = _mask(rows, problems.get(rule, ()))
        rows.report(rule, severity="error", where=listed & ~has_nodes, done=done)
        if rule != "null_geometry":  # no geometry at all is how a network by node ids is recorded, no fault
            rows.report(rule, severity="warning", where=listed & has_nodes)


def report_line_shapes(rows: Rows, drawn: RawLines, *, settings: NetworkSettings) -> None:
    """Name cables drawn in parts, closed on themselves, or crossing themselves."""
    rows.report("in_pieces", where=_mask(rows, drawn.problems.get("in_pieces", ())), snap_m=settings.snap_m)
    bent = np.diff(drawn.start) > 2
    closed, back = _turns(drawn)
    rows.report("closed_line", where=_mask(rows, drawn.owner[bent & closed]))
    turning = np.flatnonzero(bent & back & ~closed)
    rows.report("self_crossing", where=_mask(rows, drawn.owner[turning[_crossing(drawn, turning)]]))


def _mask(rows: Rows, places: Sequence[int] | Ints) -> Bools:
    mask = np.zeros(len(rows), np.bool_)
    mask[np.asarray(places, np.int64)] = True
    return mask


def _turns(drawn: RawLines) -> tuple[Bools, Bools]:
    """Lines that end where they begin; and those with a step that does not lead on from the first to the last point.

    No other line can cross itself.
    """
    closed, back = np.zeros((2, len(drawn.owner)), np.bool_)
    for which, xy, begin in some_lines(drawn.xy, drawn.start):
        last = begin[1:] - 1
        whole = xy[last] - xy[begin[:-1]]
        step = np.diff(xy, axis=0, append=np.nan)
        on = np.einsum("ij,ij->i", step, np.repeat(whole, np.diff(begin), axis=0))
        on[last] = np.inf
        closed[which] = (whole[:, 0] == 0) & (whole[:, 1] == 0)
        back[which] = np.minimum.reduceat(on, begin[:-1]) <= 0
    return closed, back


def _crossing(drawn: RawLines, lines: Ints) -> Bools:
    """Which of some lines (rising) cross themselves; looked at in blocks, as shapes need room."""
    crossing = np.zeros(len(lines), np.bool_)
    for i in range(0, len(lines), BLOCK):
        some = lines[i : i + BLOCK]
        start = drawn.start[some[0] : some[-1] + 2]
        chosen, count = np.isin(np.arange(some[0], some[-1] + 1), some), np.diff(start)
        xy = drawn.xy[start[0] : start[-1]][np.repeat(chosen, count)]
        shapes = shapely.linestrings(xy, indices=np.repeat(np.arange(len(some)), count[chosen]))
        crossing[i : i + BLOCK] = ~shapely.is_simple(shapes)
    return crossing


def report_lengths(rows: Rows, *, recorded_m: Floats, drawn_m: Floats, settings: NetworkSettings) -> None:
    """Compare recorded with drawn lengths (rules ``length_slack``, ``length_differs``).

    ``rows``: the cables. ``recorded_m``, ``drawn_m``: lengths, NaN where there is none, shape (n,). ``settings``:
    ``length_tolerance`` (share of the longer one) and ``length_tolerance_m``; the larger one counts.
    """
    off = np.abs(recorded_m - drawn_m)
    limit = np.maximum(settings.length_tolerance * np.fmax(recorded_m, drawn_m), settings.length_tolerance_m)
    differs = off > limit
    if not differs.any():
        return
    beyond: dict[str, Any] = {"share": settings.length_tolerance, "metres": settings.length_tolerance_m}
    ratio = np.divide(recorded_m, drawn_m, out=np.full(len(rows), np.nan), where=drawn_m > 0)
    known = ratio[np.isfinite(ratio)]
    low, high = _usual_slack(known)
    usual = differs & (ratio >= low) & (ratio <= high)
    least, middle, most = np.quantile(known, [0.05, 0.5, 0.95]) if len(known) else np.full(3, np.nan)
    rows.report("length_slack", where=usual, **beyond, low=least, middle=middle, high=most)
    differs &= ~usual
    worst = int(np.argmax(np.where(differs, off, -1.0)))
    cable, recorded, drawn = rows.ids[worst].as_py(), recorded_m[worst], drawn_m[worst]
    rows.report("length_differs", where=differs, **beyond, cable=cable, recorded=recorded, drawn=drawn)


def _usual_slack(ratio: Floats) -> tuple[float, float]:
    """Ends of what is ordinary among recorded over drawn lengths: Tukey's fences, never beyond :data:`SLACK`.

    Nothing is ordinary, ``(1, 1)``, among too few, or where the export as a whole is off (feet taken for metres).
    """
    if len(ratio) < FEWEST:
        return 1.0, 1.0
    first, middle, third = np.quantile(ratio, [0.25, 0.5, 0.75])
    if not SLACK[0] <= middle <= SLACK[1]:
        return 1.0, 1.0
    reach = 1.5 * (third - first)
    return max(first - reach, SLACK[0]), min(third + reach, SLACK[1])
