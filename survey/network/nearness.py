"""What lies within a tolerance of what: points, and points beside polylines.

Points are kept in strips of equal width across x and sorted by y inside each strip, so that a tolerance is a short
stretch of one or two strips. (Rounding coordinates to a grid is wrong: two ends a hair apart can fall into two cells.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STRIPS_AT_MOST = 4096


class Strips(NamedTuple):
    """Points in strips: positions, strip bounds, and the row each sorted point came from.

    ``xy`` (n, 2) sorted by strip and y, metres; ``row`` (n,); ``first`` (n_strips + 1,) first point of each strip;
    ``x0`` left border and ``width`` of a strip, metres.
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

    Parameters
    ----------
    xy
        Points, shape (n, 2), metres; all finite.
    tolerance_m
        Largest distance that will be asked for, metres.
    """
    if not len(xy):
        return Strips(xy.reshape(0, 2), np.empty(0, np.int64), np.zeros(2, np.int64), 0.0, 1.0)
    x0 = float(xy[:, 0].min())
    extent = float(xy[:, 0].max()) - x0
    count = max(1, min(STRIPS_AT_MOST, len(xy), int(extent / max(tolerance_m, 1e-3))))
    width = max(extent / count, tolerance_m, 1e-3) * (1 + 1e-12)
    strip = np.minimum(((xy[:, 0] - x0) / width).astype(np.int64), count - 1)
    order, first = _deal(np.argsort(xy[:, 1], kind="stable"), strip, count)
    return Strips(xy[order], order, first, x0, width)


def join_close(xy: Floats, *, tolerance_m: float) -> Ints:
    """Join points within a tolerance, transitively.

    Parameters
    ----------
    xy
        Points, shape (n, 2), metres.
    tolerance_m
        Points at this distance or nearer are one.

    Returns
    -------
    The lowest row of the group each point belongs to, shape (n,).
    """
    group = np.arange(len(xy))
    if len(xy):
        s = make_strips(xy, tolerance_m=tolerance_m)
        _join(s.xy, s.row, s.first, s.width, s.x0, tolerance_m, group)
    return group


def nearest_point(query: Floats, strips: Strips, *, tolerance_m: float) -> tuple[Ints, Floats]:
    """Nearest stripped point of each query point within a tolerance.

    Returns
    -------
    Row of the nearest point (-1 when none is near) and its distance in metres, each shape (n_query,). Of points at
    equal distance the lowest row is taken.
    """
    row = np.full(len(query), -1, np.int64)
    off = np.full(len(query), np.inf)
    _nearest(query, strips.xy, strips.row, strips.first, strips.width, strips.x0, tolerance_m, row, off)
    return row, off


def touching_lines(
    strips: Strips, xy: Floats, start: Ints, *, skip: tuple[Ints, Ints, Ints], tolerance_m: float
) -> Touches:
    """Every pair of a stripped point and a polyline that passes within the tolerance.

    Parameters
    ----------
    strips
        The points.
    xy, start
        Polylines: vertices, shape (n_vertices, 2), metres, and first vertex of each line, shape (n_lines + 1,).
    skip
        Group of each point, and the two groups of each line's own ends: a point of its own ends does not touch it.
    tolerance_m
        Largest distance, metres.
    """
    point_group, group_u, group_v = skip
    found = _touch(
        strips.xy,
        strips.row,
        strips.first,
        strips.width,
        strips.x0,
        tolerance_m,
        xy,
        start,
        point_group,
        group_u,
        group_v,
    )
    return Touches(*found)


@njit(cache=True)
def _deal(by_y: Ints, strip: Ints, count: int) -> tuple[Ints, Ints]:
    first = np.zeros(count + 1, np.int64)
    for k in strip:
        first[k + 1] += 1
    first = np.cumsum(first)
    place = first[:-1].copy()
    order = np.empty(len(by_y), np.int64)
    for i in by_y:
        order[place[strip[i]]] = i
        place[strip[i]] += 1
    return order, first


@njit(cache=True)
def _root(group: Ints, i: int) -> int:
    while group[i] != i:
        group[i] = group[group[i]]
        i = group[i]
    return i


@njit(cache=True)
def _lower_bound(xy: Floats, lo: int, hi: int, y: float) -> int:
    while lo < hi:
        mid = (lo + hi) // 2
        if xy[mid, 1] < y:
            lo = mid + 1
        else:
            hi = mid
    return lo


@njit(cache=True)
def _join(xy: Floats, row: Ints, first: Ints, width: float, x0: float, tol: float, group: Ints) -> None:
    strips = len(first) - 1
    limit = tol * tol
    for k in range(strips):
        right = x0 + (k + 1) * width
        for i in range(first[k], first[k + 1]):
            j = i + 1
            end = first[k + 1]
            for side in range(2):
                if side == 1:
                    if k + 1 >= strips or xy[i, 0] + tol < right:
                        break
                    end = first[k + 2]
                    j = _lower_bound(xy, first[k + 1], end, xy[i, 1] - tol)
                while j < end and xy[j, 1] <= xy[i, 1] + tol:
                    dx = xy[j, 0] - xy[i, 0]
                    dy = xy[j, 1] - xy[i, 1]
                    if dx * dx + dy * dy <= limit:
                        a = _root(group, row[i])
                        b = _root(group, row[j])
                        if a < b:
                            group[b] = a
                        elif b < a:
                            group[a] = b
                    j += 1
    for i in range(len(group)):
        group[i] = _root(group, i)


@njit(cache=True)
def _nearest(
    query: Floats, xy: Floats, row: Ints, first: Ints, width: float, x0: float, tol: float, best: Ints, off: Floats
) -> None:
    strips = len(first) - 1
    for q in range(len(query)):
        x, y = query[q, 0], query[q, 1]
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        lo = max(0, min(strips - 1, int((x - tol - x0) // width)))
        hi = max(0, min(strips - 1, int((x + tol - x0) // width)))
        for k in range(lo, hi + 1):
            j = _lower_bound(xy, first[k], first[k + 1], y - tol)
            while j < first[k + 1] and xy[j, 1] <= y + tol:
                d = np.hypot(xy[j, 0] - x, xy[j, 1] - y)
                if d <= tol and (d < off[q] or (d == off[q] and row[j] < best[q])):
                    off[q] = d
                    best[q] = row[j]
                j += 1


@njit(cache=True)
def _touch(
    xy: Floats,
    row: Ints,
    first: Ints,
    width: float,
    x0: float,
    tol: float,
    vertex: Floats,
    start: Ints,
    point_group: Ints,
    group_u: Ints,
    group_v: Ints,
) -> tuple[Ints, Ints, Floats, Floats]:
    strips = len(first) - 1
    room = 1024
    found_point = np.empty(room, np.int64)
    found_line = np.empty(room, np.int64)
    found_along = np.empty(room, np.float64)
    found_off = np.empty(room, np.float64)
    n = 0
    for line in range(len(start) - 1):
        walked = 0.0
        for s in range(start[line], start[line + 1] - 1):
            ax, ay, bx, by = vertex[s, 0], vertex[s, 1], vertex[s + 1, 0], vertex[s + 1, 1]
            dx, dy = bx - ax, by - ay
            length = np.hypot(dx, dy)
            lo = max(0, min(strips - 1, int((min(ax, bx) - tol - x0) // width)))
            hi = max(0, min(strips - 1, int((max(ax, bx) + tol - x0) // width)))
            for k in range(lo, hi + 1):
                y0, y1 = min(ay, by), max(ay, by)
                if hi > lo and abs(dx) > 0:
                    ya = ay + dy * min(1.0, max(0.0, (x0 + k * width - tol - ax) / dx))
                    yb = ay + dy * min(1.0, max(0.0, (x0 + (k + 1) * width + tol - ax) / dx))
                    y0, y1 = min(ya, yb), max(ya, yb)
                j = _lower_bound(xy, first[k], first[k + 1], y0 - tol)
                while j < first[k + 1] and xy[j, 1] <= y1 + tol:
                    part = 0.0
                    if length > 0:
                        part = ((xy[j, 0] - ax) * dx + (xy[j, 1] - ay) * dy) / (length * length)
                        part = min(1.0, max(0.0, part))
                    d = np.hypot(xy[j, 0] - ax - part * dx, xy[j, 1] - ay - part * dy)
                    g = point_group[row[j]]
                    if d <= tol and g != group_u[line] and g != group_v[line]:
                        if n == room:
                            room *= 2
                            found_point = np.append(found_point, np.empty(n, np.int64))
                            found_line = np.append(found_line, np.empty(n, np.int64))
                            found_along = np.append(found_along, np.empty(n, np.float64))
                            found_off = np.append(found_off, np.empty(n, np.float64))
                        found_point[n] = row[j]
                        found_line[n] = line
                        found_along[n] = walked + part * length
                        found_off[n] = d
                        n += 1
                    j += 1
            walked += length
    return found_point[:n], found_line[:n], found_along[:n], found_off[:n]
