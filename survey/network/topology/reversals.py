"""Lines drawn the other way round than their node ids say.

The way a line is drawn says nothing of the supply, and nothing is taken from it: a cable carries in both directions,
and which way is up follows from the sources. It matters in one place: a cable with node ids and a drawing has to know
which of its drawn ends is ``from_node``, else what is picked up by its place comes to stand at the wrong end.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints, ranges
from survey.read.tables import NetworkTables

MOST_AT_NODE = 64
"""Of a node of many cables no more than these are compared."""


def find_turned(codes: Ints, xy: Floats, *, points: tuple[Ints, Floats], tolerance_m: float) -> Bools:
    """Find the lines whose ends fit their nodes the other way round only.

    What else is known to meet at a node, either end of each other cable and the points with that node id, tells where
    it is; other cables between the same two nodes tell nothing. A line is turned when both its ends (or the one of
    which anything is known) are near to that the other way round, and not as drawn. ``codes``: node of ``from_node``
    and ``to_node``, shape (n, 2). ``xy``: drawn first and last place, metres, NaN when not drawn, shape (n, 2, 2).
    ``points``: node and place, metres, of points with a node id; shapes (m,) and (m, 2). ``tolerance_m``: near is at
    this distance or nearer. Returns shape (n,).
    """
    turned = np.zeros(len(codes), bool)
    rows = np.flatnonzero(np.isfinite(xy.reshape(-1, 4)).all(axis=1) & (codes[:, 0] != codes[:, 1]))
    rows = rows[_at_wide_node(codes[rows], xy[rows], points, tolerance_m)]
    if len(rows):
        off = _distances(codes[rows], xy[rows], points)
        known: Bools = np.asarray(np.isfinite(off[:, :, 0]) & np.isfinite(off[:, :, 1]))
        drawn, other = off[:, [0, 1], [0, 1]], off[:, [0, 1], [1, 0]]
        fits = ~known | ((other <= tolerance_m) & (drawn > tolerance_m))
        turned[rows] = (known[:, 0] | known[:, 1]) & fits[:, 0] & fits[:, 1]
    return turned


def _at_wide_node(codes: Ints, xy: Floats, points: tuple[Ints, Floats], tolerance_m: float) -> Bools:
    """Lines at a node whose places as drawn lie further apart than the tolerance, shape (n,)."""
    node = np.concatenate([codes.ravel(), points[0]])
    place = np.concatenate([xy.reshape(-1, 2), points[1]])
    low = np.full((int(node.max(initial=-1)) + 1, 2), np.inf)
    high = -low
    np.minimum.at(low, node, place)
    np.maximum.at(high, node, place)
    wide: Bools = np.greater(high - low, tolerance_m).any(axis=1)
    return np.asarray(wide[codes[:, 0]] | wide[codes[:, 1]])


def _distances(codes: Ints, xy: Floats, points: tuple[Ints, Floats]) -> Floats:
    """Distance of each line's first and last place from what is known of each of its nodes.

    Shape (n, 2, 2): line, node, place; infinite where nothing is known.
    """
    n = len(codes)
    # either end of a cable may be the one at the node
    node = np.concatenate([np.repeat(codes.ravel(), 2), points[0]])
    other = np.concatenate([np.repeat(codes[:, ::-1].ravel(), 2), np.full(len(points[0]), -1)])
    place = np.concatenate([np.repeat(xy, 2, axis=0).reshape(-1, 2), points[1]])
    order = np.argsort(node, kind="stable")
    first = np.searchsorted(node[order], codes.ravel())
    count = np.minimum(np.searchsorted(node[order], codes.ravel(), side="right") - first, MOST_AT_NODE)
    asked = np.repeat(np.arange(2 * n), count)
    known = order[ranges(first, count)]
    tells = other[known] != codes[:, ::-1].ravel()[asked]
    asked, known = asked[tells], known[tells]
    off = np.full((2 * n, 2), np.inf)
    for end in (0, 1):
        np.minimum.at(off[:, end], asked, np.hypot(*(xy[asked // 2, end] - place[known]).T))
    return off.reshape(n, 2, 2)


def known_points(tables: NetworkTables, node_ids: pd.Index[str]) -> tuple[Ints, Floats]:
    """Node and place of all drawn points with the id of a node; shapes (m,) and (m, 2)."""
    nodes, places = [np.empty(0, np.int64)], [np.empty((0, 2))]
    for table in (tables.transformers, tables.switches, tables.sources):
        node = node_ids.get_indexer(pd.Index(table["node"])).astype(np.int64)
        xy = table[["x", "y"]].to_numpy(np.float64)
        good = (node >= 0) & np.isfinite(xy).all(axis=1)
        nodes.append(node[good])
        places.append(xy[good])
    return np.concatenate(nodes), np.concatenate(places)
