"""Which cable ends are one node."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints
from survey.findings import FindingList
from survey.network.nearness import Strips, join_close, make_strips, nearest_point
from survey.network.topology.reversals import find_turned, known_points
from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class Ends:
    """Drawn ends: in strips, and the node of each; shape (n_ends,)."""

    strips: Strips
    node: Ints


@dataclass(frozen=True)
class Joints:
    """Runs between two joints: a run is a drawn line, or a cable known by node ids alone, before it is cut.

    Parameters
    ----------
    cable
        Row of the cable of each run, shape (n_runs,), rising.
    line
        Drawn line of the run, -1 when it cannot be cut (no line, or several).
    u, v
        Node at its start and end, shape (n_runs,).
    named
        The run's topology comes from node ids.
    node_xy
        Place of each node, metres, NaN when nothing is drawn there, shape (n_nodes, 2).
    node_ids
        Node ids of the export; position is the node.
    free, drawn
        Ends that take their topology from the drawing, and all drawn ends.
    """

    cable: Ints
    line: Ints
    u: Ints
    v: Ints
    named: Bools
    node_xy: Floats
    node_ids: pd.Index[str]
    free: Ends
    drawn: Ends

    def run_of_line(self, n_lines: int) -> Ints:
        """Run of every drawn line, -1 where it cannot be cut, shape (n_lines,)."""
        run, drawn = np.full(n_lines, -1, np.int64), np.flatnonzero(self.line >= 0)
        run[self.line[drawn]] = drawn
        return run


def join_ends(tables: NetworkTables, *, snap_m: float, pickup_m: float, findings: FindingList) -> Joints:
    """Find the nodes of the network.

    ``tables``: clean tables. ``snap_m``: ends at this distance or nearer are one, metres. ``pickup_m``: largest
    distance that will be asked of the ends, metres. ``findings``: gets ``wide_joint`` for the joints whose ends lie
    further apart than that.
    """
    # RULE 1: node ids decide where a cable has both; else ends within the tolerance are one node, transitively
    lines, has_ids, reach_m = tables.lines, tables.named, max(snap_m, pickup_m)
    named = _named_runs(tables, np.flatnonzero(has_ids), reach_m=pickup_m, findings=findings)
    free_line = np.flatnonzero(~has_ids[lines.owner])
    free_xy = (lines.ends()[free_line] if has_ids.any() else lines.ends()).reshape(-1, 2)
    strips = make_strips(free_xy, tolerance_m=reach_m)
    group = join_close(strips, tolerance_m=snap_m)
    cable = lines.owner[free_line]
    report_wide(group, free_xy, cable=np.repeat(cable, 2), tables=tables, snap_m=snap_m, findings=findings)
    free = Ends(strips, _nodes_of_groups(group, free_xy, named=named, snap_m=snap_m))
    cable = np.concatenate([named.cable, cable])
    order = np.argsort(cable, kind="stable")
    ends = np.concatenate([named.node, free.node.reshape(-1, 2)])[order]
    return Joints(
        cable=cable[order],
        line=np.concatenate([named.line, free_line])[order],
        u=ends[:, 0],
        v=ends[:, 1],
        named=order < len(named.cable),
        node_xy=_places(named, free.node, free_xy, first=group == np.arange(len(group))),
        node_ids=named.node_ids,
        free=free,
        drawn=_all_drawn(named, free.node, free_xy, reach_m=reach_m) if (named.line >= 0).any() else free,
    )


class _NamedRuns(NamedTuple):
    """Cables known by node ids: rows, line (-1: none, or several), nodes (n, 2), places (n, 2, 2), ids of the nodes."""

    cable: Ints
    line: Ints
    node: Ints
    xy: Floats
    node_ids: pd.Index[str]


def _named_runs(tables: NetworkTables, rows: Ints, *, reach_m: float, findings: FindingList) -> _NamedRuns:
    """Runs of the cables that have node ids, each with the nodes at its first and last drawn place."""
    names = pd.concat([tables.cables[end].iloc[rows] for end in ("from_node", "to_node")], ignore_index=True)
    codes, ids = pd.factorize(names, sort=True)
    node, node_ids = np.ascontiguousarray(codes.astype(np.int64).reshape(2, -1).T), pd.Index(ids)
    line = _only_line(tables.lines.owner, len(tables.cables))[rows]
    drawn = line >= 0
    xy = np.full((len(rows), 2, 2), np.nan)
    if drawn.any():
        xy[drawn] = tables.lines.ends()[line[drawn]]
        node = _as_drawn(tables, rows, node, xy, node_ids=node_ids, reach_m=reach_m, findings=findings)
    return _NamedRuns(rows, line, node, xy, node_ids)


def _as_drawn(
    tables: NetworkTables,
    rows: Ints,
    codes: Ints,
    xy: Floats,
    *,
    node_ids: pd.Index[str],
    reach_m: float,
    findings: FindingList,
) -> Ints:
    """Nodes of each named cable in the order it is drawn; a finding where that is not the order of its ids."""
    turned = find_turned(codes, xy, points=known_points(tables, node_ids), tolerance_m=reach_m)
    if turned.any():
        at = np.flatnonzero(turned)
        ids = tables.cables["cable_id"].to_numpy(object)[rows[at]]
        findings.report("reversed_line", ids=ids, first=ids[0], place=tables.lonlat(xy[at[0], 0]))
    return np.where(turned[:, None], codes[:, ::-1], codes)


def _only_line(owner: Ints, n_cables: int) -> Ints:
    """Line of each cable that has exactly one, else -1."""
    count = np.bincount(owner, minlength=n_cables)
    line = np.full(n_cables, -1, np.int64)
    line[owner] = np.arange(len(owner))
    line[count != 1] = -1
    return line


def _nodes_of_groups(group: Ints, free_xy: Floats, *, named: _NamedRuns, snap_m: float) -> Ints:
    """Node of every free end: the named node its group touches, else a new one."""
    named_xy, named_node = named.xy.reshape(-1, 2), named.node.ravel()
    tag = np.full(len(group), -1, np.int64)
    drawn = np.flatnonzero(np.isfinite(named_xy[:, 0]))
    if len(drawn) and len(free_xy):
        strips = make_strips(named_xy[drawn], tolerance_m=snap_m)
        near, off = nearest_point(free_xy, strips, tolerance_m=snap_m)
        hit = np.flatnonzero(near >= 0)
        by_distance = hit[np.lexsort((hit, off[hit]))][::-1]
        tag[group[by_distance]] = named_node[drawn[near[by_distance]]]
    fresh = np.flatnonzero((tag < 0) & (group == np.arange(len(group))))
    tag[fresh] = len(named.node_ids) + np.arange(len(fresh))
    return tag[group]


def _all_drawn(named: _NamedRuns, free_node: Ints, free_xy: Floats, *, reach_m: float) -> Ends:
    xy = np.concatenate([named.xy.reshape(-1, 2), free_xy])
    at = np.flatnonzero(np.isfinite(xy[:, 0]))
    return Ends(make_strips(xy[at], tolerance_m=reach_m), np.concatenate([named.node.ravel(), free_node])[at])


def _places(named: _NamedRuns, free_node: Ints, free_xy: Floats, *, first: Bools) -> Floats:
    """First drawn place of every node; ``first``: the free ends that are the lowest of their group."""
    n_named = len(named.node_ids)
    place = np.full((max(n_named, int(free_node.max(initial=-1)) + 1), 2), np.nan)
    at = np.flatnonzero(first | (free_node < n_named))[::-1]
    place[free_node[at]] = free_xy[at]
    node, xy = named.node.ravel(), named.xy.reshape(-1, 2)
    at = np.flatnonzero(np.isfinite(xy[:, 0]))[::-1]
    place[node[at]] = xy[at]
    return place


def report_wide(
    group: Ints, xy: Floats, *, cable: Ints, tables: NetworkTables, snap_m: float, findings: FindingList
) -> None:
    """Add ``wide_joint`` for the groups of ends that lie further apart than the tolerance.

    ``group``: position of the lowest end of the group each end belongs to, shape (n,). ``xy``, ``cable``: places, shape
    (n, 2), metres, and rows of the cables of the ends.
    """
    # where every end lies within half the tolerance of the lowest, no two can be wider apart
    other = np.flatnonzero(group != np.arange(len(group)))
    off = xy[other] - xy[group[other]]
    apart = other[np.hypot(off[:, 0], off[:, 1]) > snap_m / 2]
    if not len(apart):
        return
    member = np.flatnonzero(np.isin(group, np.unique(group[apart])))
    order = member[np.argsort(group[member], kind="stable")]
    joints = np.split(order, np.flatnonzero(np.diff(group[order])) + 1)
    width = np.array([_width(xy[joint]) for joint in joints])
    wide = [joint for joint, metres in zip(joints, width, strict=True) if metres > snap_m]
    if wide:
        widest = joints[int(np.argmax(width))]
        findings.report(
            "wide_joint",
            ids=set(tables.cables["cable_id"].iloc[cable[np.concatenate(wide)]]),
            joints=len(wide),
            width_m=width.max(),
            ends=len(widest),
            snap_m=snap_m,
            place=tables.lonlat(xy[widest[0]]),
        )


def _width(xy: Floats) -> float:
    """Largest distance between two of the points; of the bounding box's diagonal when there are very many."""
    if len(xy) > 400:
        return float(np.hypot(*np.ptp(xy, axis=0)))
    gap = xy[:, None, :] - xy[None, :, :]
    return float(np.hypot(gap[..., 0], gap[..., 1]).max())
