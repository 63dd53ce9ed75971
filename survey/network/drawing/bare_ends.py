"""Cable ends with nothing at them: no other cable, no site, device or source, and no transformer that is no site."""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.network.nearness import make_strips, nearest_point
from survey.network.topology.pieces import Pieces
from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class BareEnds:
    """Ends with nothing at them; all shape (n_ends,), but ``xy`` (n_ends, 2), metres.

    ``node`` of the end, ``piece`` that ends there, its ``cable``, its ``other`` node, and whether the end is the last
    place of the piece.
    """

    node: Ints
    piece: Ints
    cable: Ints
    other: Ints
    at_last: Bools
    xy: Floats


def find_bare(tables: NetworkTables, pieces: Pieces, *, node_xy: Floats, used: Ints, pickup_m: float) -> BareEnds:
    """Find the ends with nothing at them.

    Parameters
    ----------
    node_xy
        Place of every node, metres.
    used
        Nodes that hold a site, a device or a source; an end there is meant to be one.
    pickup_m
        A transformer that is no three-phase site is at an end at this distance or nearer, metres.
    """
    degree = np.bincount(pieces.u, minlength=len(node_xy)) + np.bincount(pieces.v, minlength=len(node_xy))
    bare = (degree == 1) & np.isfinite(node_xy).all(axis=1)
    bare[used] = False
    node = np.flatnonzero(bare)
    node = node[~near_units(tables, node_xy[node], pickup_m=pickup_m)]
    piece = np.full(len(node_xy), -1, np.int64)
    piece[pieces.u] = np.arange(len(pieces.u))
    piece[pieces.v] = np.arange(len(pieces.v))
    own = piece[node]
    at_last = pieces.v[own] == node
    other = np.where(at_last, pieces.u[own], pieces.v[own])
    return BareEnds(node, own, pieces.cable[own], other, at_last, node_xy[node])


def near_units(tables: NetworkTables, xy: Floats, *, pickup_m: float) -> Bools:
    """Places with a transformer that is no three-phase site within reach, shape (n,)."""
    units = tables.other_units
    units = units[np.isfinite(units).all(axis=1)]
    if not len(units) or not len(xy):
        return np.zeros(len(xy), bool)
    return nearest_point(xy, make_strips(units, tolerance_m=pickup_m), tolerance_m=pickup_m)[0] >= 0
