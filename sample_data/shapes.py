"""Small geometry: curves, streets, offsets. Everything in metres on the plane of the invented town."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point
from shapely.ops import substring

Place = tuple[float, float]


def rounded(points: Sequence[Place], *, times: int = 3) -> LineString:
    """Cut the corners of a polyline a few times, so that it looks like a road (Chaikin's rule)."""
    line = np.asarray(points, float)
    for _ in range(times):
        first, second = line[:-1], line[1:]
        cut = np.stack([0.75 * first + 0.25 * second, 0.25 * first + 0.75 * second], axis=1).reshape(-1, 2)
        line = np.vstack([line[:1], cut, line[-1:]])
    return LineString(LineString(line).simplify(0.4).coords)


def at(line: LineString, distance: float) -> Place:
    """Point on a line."""
    point = line.interpolate(distance)
    return (point.x, point.y)


def normal(line: LineString, distance: float) -> NDArray[np.float64]:
    """Unit vector to the left of a line at a distance along it."""
    step = 2.0
    (x0, y0), (x1, y1) = at(line, max(distance - step, 0)), at(line, min(distance + step, line.length))
    size = math.hypot(x1 - x0, y1 - y0)
    return np.array([-(y1 - y0) / size, (x1 - x0) / size])


def cut(line: LineString, stops: Sequence[float]) -> list[LineString]:
    """Pieces of a line between stops (rising, metres along it)."""
    return [LineString(substring(line, first, second).coords) for first, second in pairwise(stops)]


def shifted(place: Place, *, along: NDArray[np.float64], by: float) -> Place:
    """Point moved by a number of metres along a unit vector."""
    return (place[0] + float(along[0]) * by, place[1] + float(along[1]) * by)


def turned(vector: NDArray[np.float64], degrees: float) -> NDArray[np.float64]:
    """Vector turned to the left."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([c * vector[0] - s * vector[1], s * vector[0] + c * vector[1]])


def service_path(node: Place, *, away: NDArray[np.float64], reach: float, sideways: float) -> LineString:
    """Cable from a pole: across the verge, along the street, then into the lot."""
    along = turned(away, -90.0) * math.copysign(1.0, sideways)
    verge = shifted(node, along=away, by=7.0)
    corner = shifted(verge, along=along, by=abs(sideways))
    end = shifted(corner, along=away, by=reach)
    return LineString([node, *rounded([verge, corner, end], times=2).coords])


def dead_end_street(node: Place, *, away: NDArray[np.float64], length: float, bend: float) -> LineString:
    """Cul-de-sac: a bending street with a turning circle at its end."""
    bulb = 13.0
    points = [node]
    heading = away
    for _ in range(4):
        points.append(shifted(points[-1], along=heading, by=length / 4))
        heading = turned(heading, bend / 4)
    left = turned(heading, 90.0)
    middle = shifted(points[-1], along=left, by=bulb)
    circle = [shifted(middle, along=turned(left, 180.0 + angle), by=bulb) for angle in range(20, 221, 25)]
    return LineString([*rounded(points, times=2).coords, *circle])


def nearest_distance(line: LineString, place: Place) -> float:
    """Metres along a line to the foot of a point."""
    return float(line.project(Point(place)))
