"""What lies within a tolerance of what: points, and points beside polylines.

Points are kept in strips of equal width across x and sorted by y inside each strip, so that a tolerance is a short
part of one or two strips. (Rounding coordinates to a grid is wrong: two ends a hair apart can fall into two cells.)

By hand, since measured on 250 thousand lines joining their ends takes 0.15 s against 1.4 with scipy's cKDTree, and
finding the lines they touch 1.0 s against 6.3 with shapely's STRtree.
"""

from typing import NamedTuple

import numpy as np

from survey.arrays import Floats, Ints
from survey.loops import njit
from survey.read.tables import Lines

STRIPS_AT_MOST = 4096
FEW = 1000
"""Points up to which lines that pass none of them by far are put aside first."""
HAIR = 1 + 1e-9


class Strips(NamedTuple):
    """Points in strips: positions, strip bounds, and the row each sorted point came from.

    ``xy`` (n, 2) sorted by strip and y, metres; ``row`` (n,); ``first`` (n_strips + 1,) first point of each strip;
    ``x0`` left border and ``width`` of a strip, metres. They serve every tolerance up to the width.
    """

    xy: Floats
    row: Ints
    first: Ints
    x0: float
    width: float


class Touches(NamedTuple):
    """Points close to lines: row of the point, the line, place along it and distance, metres; each shape (n,)."""

    point: Ints
    line: Ints
    along_m: Floats
    off_m: Floats


def make_strips(xy: Floats, *, tolerance_m: float) -> Strips:
    """Sort points into strips no narrower than the tolerance.

    ``xy``: points, shape (n, 2), metres; all finite. ``tolerance_m``: largest distance that will be asked for, metres.
    """
    if not len(xy):
        return Strips(xy.reshape(0, 2), np.empty(0, np.int64), np.zeros(2, np.int64), 0.0, 1.0)
    x0 = float(xy[:, 0].min())
    extent = float(xy[:, 0].max()) - x0
    count = max(1, min(STRIPS_AT_MOST, len(xy), int(extent / max(tolerance_m, 1e-3))))
    width = max(extent / count, tolerance_m, 1e-3) * (1 + 1e-12)
    return Strips(*_deal(xy, count, x0, width), x0, width)


def join_close(strips: Strips, *, tolerance_m: float) -> Ints:
    """Join points within a tolerance, transitively.

    Parameters
    ----------
    strips
        The points.
    tolerance_m
        Points at this distance or nearer are one, metres.

    Returns
    -------
    The lowest row of the group each point belongs to, shape (n,).
    """
    group = np.arange(len(strips.xy))
    _join(*strips, tolerance_m, group)
    return group


def nearest_point(query: Floats, strips: Strips, *, tolerance_m: float, own: Ints | None = None) -> tuple[Ints, Floats]:
    """Nearest stripped point of each query point within a tolerance.

    ``own``: row that each query point has itself, which is no answer, shape (n_query,). Returns row of the nearest
    point (-1 when none is near) and its distance in metres, each shape (n_query,). Of points at equal distance the
    lowest row is taken.
    """
    row = np.full(len(query), -1, np.int64)
    off = np.full(len(query), np.inf)
    _nearest(query, row - 1 if own is None else own, *strips, tolerance_m, row, off)
    return row, off


def touching_lines(
    strips: Strips, lines: Lines, *, tolerance_m: float, own: tuple[Ints, Ints, Ints] | None = None
) -> Touches:
    """Every pair of a stripped point and a polyline that passes within the tolerance.

    Parameters
    ----------
    strips
        The points.
    lines
        The polylines.
    tolerance_m
        Largest distance, metres.
    own
        Node of each point, and of each line's first and last place: a line's own ends do not touch it.
    """
    if own is None:
        none = np.full(len(lines.owner), -2, np.int64)
        own = np.full(len(strips.row), -1, np.int64), none, none
    point_group, group_u, group_v = own
    which = _passing(strips, lines, reach_m=tolerance_m * HAIR)
    return Touches(*_touch(*strips, tolerance_m, lines.xy, lines.start, which, point_group, group_u, group_v))


def _passing(strips: Strips, lines: Lines, *, reach_m: float) -> Ints:
    """Lines that may touch a point: of few points those with one of them in their span of x, and one in that of y."""
    count = len(lines.owner)
    if len(strips.row) > FEW or not count:
        return np.arange(count)
    passing = np.ones(count, bool)
    for axis in (0, 1):
        values, places = lines.xy[:, axis], np.sort(strips.xy[:, axis])
        low, high = (end.reduceat(values, lines.start[:-1]) for end in (np.minimum, np.maximum))
        passing &= np.searchsorted(places, low - reach_m) < np.searchsorted(places, high + reach_m, side="right")
    return np.flatnonzero(passing)


def join_pairs(a: Ints, b: Ints, *, n: int) -> Ints:
    """Lowest of the places ``0 .. n`` that each is joined to by pairs ``a[k], b[k]``, transitively, shape (n,)."""
    group = np.arange(n)
    _join_pairs(a, b, group)
    return group


@njit(cache=True)
def _deal(xy: Floats, count: int, x0: float, width: float) -> tuple[Floats, Ints, Ints]:
    """Points sorted by strip, then y, then row; their rows; first point of each strip."""
    n = len(xy)
    strip = np.empty(n, np.int64)
    first = np.zeros(count + 1, np.int64)
    for i in range(n):
        strip[i] = min(count - 1, int((xy[i, 0] - x0) / width))
        first[strip[i] + 1] += 1
    first = np.cumsum(first)
    place = first[:-1].copy()
    row = np.empty(n, np.int64)
    for i in range(n):
        row[place[strip[i]]] = i
        place[strip[i]] += 1
    for k in range(count):
        here = row[first[k] : first[k + 1]]
        row[first[k] : first[k + 1]] = here[np.argsort(xy[here, 1], kind="mergesort")]
    return xy[row], row, first


@njit(cache=True)
def _root(group: Ints, i: int) -> int:
    while group[i] != i:
        group[i] = group[group[i]]
        i = group[i]
    return i


@njit(cache=True)
def _unite(group: Ints, i: int, j: int) -> None:
    a = _root(group, i)
    b = _root(group, j)
    group[max(a, b)] = min(a, b)


@njit(cache=True)
def _join_pairs(a: Ints, b: Ints, group: Ints) -> None:
    for k in range(len(a)):
        _unite(group, a[k], b[k])
    for i in range(len(group)):
        group[i] = _root(group, i)


@njit(cache=True)
def _lower_bound(xy: Floats, lo: int, hi: int, y: float, near: int) -> int:
    """First of the points ``lo:hi`` that is not below ``y``, sought outwards from ``near``."""
    near = max(lo, min(hi, near))
    step = 1
    if near < hi and xy[near, 1] < y:
        lo = near + 1
        while near + step < hi:
            if xy[near + step, 1] >= y:
                hi = near + step
                break
            lo = near + step + 1
            step *= 2
    else:
        hi = near
        while near - step >= lo:
            if xy[near - step, 1] < y:
                lo = near - step + 1
                break
            hi = near - step
            step *= 2
    while lo < hi:
        mid = (lo + hi) // 2
        if xy[mid, 1] < y:
            lo = mid + 1
        else:
            hi = mid
    return lo


@njit(cache=True)
def _join(xy: Floats, row: Ints, first: Ints, x0: float, width: float, tol: float, group: Ints) -> None:
    strips = len(first) - 1
    limit = tol * tol
    for k in range(strips):
        right = x0 + (k + 1) * width
        near = first[min(k + 1, strips)]
        for i in range(first[k], first[k + 1]):
            j = i + 1
            end = first[k + 1]
            for side in range(2):
                if side == 1:
                    # a hair more than the tolerance, for what rounding put on the other side of the border
                    if k + 1 >= strips or xy[i, 0] + tol * HAIR < right:
                        break
                    end = first[k + 2]
                    near = j = _lower_bound(xy, first[k + 1], end, xy[i, 1] - tol * HAIR, near)
                while j < end and xy[j, 1] <= xy[i, 1] + tol * HAIR:
                    dx = xy[j, 0] - xy[i, 0]
                    dy = xy[j, 1] - xy[i, 1]
                    if dx * dx + dy * dy <= limit:
                        _unite(group, row[i], row[j])
                    j += 1
    for i in range(len(group)):
        group[i] = _root(group, i)


@njit(cache=True)
def _strip_of(x: float, x0: float, width: float, strips: int) -> int:
    """Strip of an x; by the same steps as in :func:`_deal`, so that rounding cannot part them."""
    return max(0, min(strips - 1, int((x - x0) / width)))


@njit(cache=True)
def _nearest(
    query: Floats,
    own: Ints,
    xy: Floats,
    row: Ints,
    first: Ints,
    x0: float,
    width: float,
    tol: float,
    best: Ints,
    off: Floats,
) -> None:
    strips = len(first) - 1
    last = first[:-1].copy()
    reach = tol * HAIR
    for q in range(len(query)):
        x, y = query[q, 0], query[q, 1]
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        for k in range(_strip_of(x - reach, x0, width, strips), _strip_of(x + reach, x0, width, strips) + 1):
            last[k] = j = _lower_bound(xy, first[k], first[k + 1], y - reach, last[k])
            while j < first[k + 1] and xy[j, 1] <= y + reach:
                d = np.sqrt((xy[j, 0] - x) ** 2 + (xy[j, 1] - y) ** 2)
                if row[j] != own[q] and d <= tol and (d < off[q] or (d == off[q] and row[j] < best[q])):
                    off[q] = d
                    best[q] = row[j]
                j += 1


# one loop: a function a level costs a call for every point looked at
@njit(cache=True)
def _touch(
    xy: Floats,
    row: Ints,
    first: Ints,
    x0: float,
    width: float,
    tol: float,
    vertex: Floats,
    start: Ints,
    which: Ints,
    point_group: Ints,
    group_u: Ints,
    group_v: Ints,
) -> tuple[Ints, Ints, Floats, Floats]:
    strips = len(first) - 1
    last = first[:-1].copy()
    reach = tol * HAIR
    limit = tol * tol
    room = 1024
    found_point = np.empty(room, np.int64)
    found_line = np.empty(room, np.int64)
    found_along = np.empty(room, np.float64)
    found_off = np.empty(room, np.float64)
    n = 0
    for line in which:
        walked = 0.0
        for s in range(start[line], start[line + 1] - 1):
            ax, ay, bx, by = vertex[s, 0], vertex[s, 1], vertex[s + 1, 0], vertex[s + 1, 1]
            dx, dy = bx - ax, by - ay
            square = dx * dx + dy * dy
            lo = _strip_of(min(ax, bx) - reach, x0, width, strips)
            hi = _strip_of(max(ax, bx) + reach, x0, width, strips)
            for k in range(lo, hi + 1):
                y0, y1 = min(ay, by), max(ay, by)
                if hi > lo and abs(dx) > 0:
                    ya = ay + dy * min(1.0, max(0.0, (x0 + k * width - reach - ax) / dx))
                    yb = ay + dy * min(1.0, max(0.0, (x0 + (k + 1) * width + reach - ax) / dx))
                    y0, y1 = min(ya, yb), max(ya, yb)
                last[k] = j = _lower_bound(xy, first[k], first[k + 1], y0 - reach, last[k])
                while j < first[k + 1] and xy[j, 1] <= y1 + reach:
                    g = point_group[row[j]]
                    if g != group_u[line] and g != group_v[line]:
                        part = 0.0
                        if square > 0:
                            part = ((xy[j, 0] - ax) * dx + (xy[j, 1] - ay) * dy) / square
                            part = min(1.0, max(0.0, part))
                        off = (xy[j, 0] - ax - part * dx) ** 2 + (xy[j, 1] - ay - part * dy) ** 2
                        if off <= limit:
                            if n == room:
                                room *= 2
                                found_point = np.append(found_point, np.empty(n, np.int64))
                                found_line = np.append(found_line, np.empty(n, np.int64))
                                found_along = np.append(found_along, np.empty(n, np.float64))
                                found_off = np.append(found_off, np.empty(n, np.float64))
                            found_point[n] = row[j]
                            found_line[n] = line
                            found_along[n] = walked + part * np.sqrt(square)
                            found_off[n] = np.sqrt(off)
                            n += 1
                    j += 1
            walked += np.sqrt(square)
    return found_point[:n], found_line[:n], found_along[:n], found_off[:n]
