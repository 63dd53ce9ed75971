"""What the drawing almost says: ends that stop just short of another, and cables that stand there twice.

Nothing is mended here. The findings say what would change if it were, and which snapping tolerance would do it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from survey.network.nearness import make_strips, nearest_point

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.pieces import Pieces
    from survey.read.tables import NetworkTables

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

REACH_M, REACH_OF_SNAP = 5.0, 10.0
"""A gap is looked for up to the larger of 5 m and ten times the snapping tolerance (common practice, no source)."""
COVERED = 0.9


def report_gaps(
    tables: NetworkTables, pieces: Pieces, *, node_xy: Floats, used: Ints, snap_m: float, findings: FindingList
) -> int:
    """Find cable ends with nothing at them that stop short of another node.

    Parameters
    ----------
    node_xy
        Place of every node, metres.
    used
        Nodes that hold a site, a device or a source; an end there is meant to be one.
    findings
        Gets ``near_miss`` with advice on ``network.snap_m``.

    Returns
    -------
    Number of such ends.
    """
    degree = np.bincount(pieces.u, minlength=len(node_xy)) + np.bincount(pieces.v, minlength=len(node_xy))
    bare = (degree == 1) & np.isfinite(node_xy).all(axis=1)
    bare[used] = False
    ends = np.flatnonzero(bare)
    if not len(ends):
        return 0
    other, gap = _nearest_other(ends, node_xy, reach_m=max(REACH_M, REACH_OF_SNAP * snap_m))
    cable, own = _piece_of(pieces, ends, len(node_xy))
    short = np.flatnonzero((other >= 0) & (other != own) & (gap > snap_m))
    if len(short):
        ids = tables.cables["cable_id"].to_numpy(object)[np.unique(cable[short])]
        advised = np.ceil(np.quantile(gap[short], COVERED) * 10 + 1e-9) / 10
        findings.add(
            "warning",
            "near_miss",
            layer="cables",
            ids=ids,
            message=f"ends of cables with nothing at them that stop short of another end: {len(short)}, by "
            f"{gap[short].min():.2f} to {gap[short].max():.2f} m (in the middle {np.median(gap[short]):.2f} m); not "
            f"joined (tolerance {snap_m:g} m); where they belong together correct the drawing, or set network.snap_m = "
            f"{advised:g}, which joins {(gap[short] <= advised).mean():.0%} of them",
            place=tables.lonlat(node_xy[ends[short[0]]]),
        )
    return len(short)


def _nearest_other(ends: Ints, node_xy: Floats, *, reach_m: float) -> tuple[Ints, Floats]:
    """Nearest other node of each end within reach: among nodes that are no such ends, and among the ends themselves."""
    rest = np.ones(len(node_xy), bool)
    rest[ends] = False
    rest &= np.isfinite(node_xy).all(axis=1)
    others = np.flatnonzero(rest)
    node, gap = np.full(len(ends), -1, np.int64), np.full(len(ends), np.inf)
    if len(others):
        near, off = nearest_point(node_xy[ends], make_strips(node_xy[others], tolerance_m=reach_m), tolerance_m=reach_m)
        node, gap = np.where(near >= 0, others[near], -1), off
    if len(ends) > 1:
        tree = cKDTree(node_xy[ends])
        found = tree.query(node_xy[ends], k=2, distance_upper_bound=reach_m)
        distances, neighbours = np.asarray(found[0]), np.asarray(found[1])
        closer = np.flatnonzero(distances[:, 1] < gap)
        node[closer], gap[closer] = ends[neighbours[closer, 1]], distances[closer, 1]
    return node, gap


def _piece_of(pieces: Pieces, ends: Ints, n_nodes: int) -> tuple[Ints, Ints]:
    """Cable of the one piece at each end, and that piece's other node."""
    piece = np.full(n_nodes, -1, np.int64)
    piece[pieces.u] = np.arange(len(pieces.u))
    piece[pieces.v] = np.arange(len(pieces.v))
    found = piece[ends]
    return pieces.cable[found], np.where(pieces.u[found] == ends, pieces.v[found], pieces.u[found])


def report_twins(tables: NetworkTables, *, findings: FindingList) -> int:
    """Find cables drawn twice over the same line, in the same or the other direction; both count.

    Parameters
    ----------
    findings
        Gets ``drawn_twice``.

    Returns
    -------
    Number of cables that lie on an earlier one.
    """
    lines = tables.lines
    if not len(lines.owner):
        return 0
    places = np.round(lines.xy, 2)
    first, last = lines.start[:-1], lines.start[1:] - 1
    ends = np.stack([places[first], places[last]], axis=1)
    turned = (ends[:, 0, 0] > ends[:, 1, 0]) | ((ends[:, 0, 0] == ends[:, 1, 0]) & (ends[:, 0, 1] > ends[:, 1, 1]))
    ends[turned] = ends[turned][:, ::-1]
    sums = np.round(np.add.reduceat(places, first, axis=0), 2)
    key = pd.util.hash_array(np.ascontiguousarray(np.column_stack([ends.reshape(-1, 4), sums])).ravel()).reshape(-1, 6)
    mixed = key @ np.array([1, 3, 5, 7, 11, 13], np.uint64) + np.diff(lines.start).astype(np.uint64)
    order = np.argsort(mixed, kind="stable")
    again = np.flatnonzero(mixed[order][1:] == mixed[order][:-1])
    pairs = np.stack([lines.owner[order[again]], lines.owner[order[again + 1]]], axis=1)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    if len(pairs):
        ids = tables.cables["cable_id"].to_numpy(object)
        a, b = ids[pairs[0, 0]], ids[pairs[0, 1]]
        findings.add(
            "warning",
            "drawn_twice",
            layer="cables",
            ids=ids[np.unique(pairs)],
            message=f"{len(pairs)} cables lie exactly on another one (first: {a!r} and {b!r}); both count, as parallel "
            "cables do; where one is a double record, take it out",
            place=tables.lonlat(lines.xy[lines.start[order[again[0]]]]),
        )
    return len(pairs)
