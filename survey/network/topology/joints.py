"""Which cable ends are one node.

Rules (numbers as in the developer notes on the network):

1. A cable with both node ids takes its topology from them; a line drawn the other way round is turned.
2. Otherwise ends within the snapping tolerance are one node, transitively; a free end near a named end joins it.
3. A joint wider than the tolerance is a finding. Cables that merely cross are not joined.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints, Objects
from survey.network.nearness import Strips, join_close, make_strips, nearest_point
from survey.network.topology.reversals import find_turned, known_points

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class Ends:
    """Drawn ends: in strips, and the node of each; shape (n_ends,)."""

    strips: Strips
    node: Ints


@dataclass(frozen=True)
class Joints:
    """Runs of cable between two joints, before anything is split.

    Parameters
    ----------
    cable
        Row of the cable of each run, shape (n_runs,), rising. A run is a drawn line, or a cable known by node ids
        alone.
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


def join_ends(tables: NetworkTables, *, snap_m: float, pickup_m: float, findings: FindingList) -> Joints:
    """Find the nodes of the network.

    Parameters
    ----------
    tables
        Clean tables.
    snap_m
        Ends at this distance or nearer are one, metres.
    pickup_m
        Largest distance that will be asked of the ends, metres.
    findings
        Gets ``wide_joint`` for the joints whose ends lie further apart than that.
    """
    lines, cables = tables.lines, tables.cables
    has_ids = ((cables["from_node"] != "") & (cables["to_node"] != "")).to_numpy()
    free_line = np.flatnonzero(~has_ids[lines.owner])
    named_cable = np.flatnonzero(has_ids)
    codes, node_ids = _node_codes(cables, named_cable)
    one_line = _only_line(lines.owner, len(cables))[named_cable]

    xy_start, xy_end = lines.xy[lines.start[:-1]], lines.xy[lines.start[1:] - 1]
    free_xy = np.stack([xy_start[free_line], xy_end[free_line]], axis=1).reshape(-1, 2)
    strips = make_strips(free_xy, tolerance_m=max(snap_m, pickup_m))
    group = join_close(strips, tolerance_m=snap_m)
    ids = cables["cable_id"].to_numpy()[np.repeat(lines.owner[free_line], 2)]
    report_wide(group, free_xy, ids=ids, tables=tables, snap_m=snap_m, findings=findings)

    drawn = one_line >= 0
    named_xy = np.full((len(named_cable), 2, 2), np.nan)
    named_xy[drawn] = np.stack([xy_start[one_line[drawn]], xy_end[one_line[drawn]]], axis=1)
    if drawn.any():
        codes = _turned(tables, named_cable, codes, named_xy, node_ids=node_ids, reach_m=pickup_m, findings=findings)
    node_of_group = _nodes_of_groups(
        group, free_xy, named=(codes.reshape(-1), named_xy.reshape(-1, 2)), n_named=len(node_ids), snap_m=snap_m
    )

    free_nodes = node_of_group.reshape(-1, 2)
    cable = np.concatenate([named_cable, lines.owner[free_line]])
    order = np.argsort(cable, kind="stable")
    ends = np.concatenate([codes, free_nodes])[order]
    end_xy = np.concatenate([named_xy, free_xy.reshape(-1, 2, 2)])
    end_node = np.concatenate([codes, free_nodes]).reshape(-1)
    node_xy = _places(end_node, end_xy.reshape(-1, 2), len(node_ids))
    free = every = Ends(strips, free_nodes.reshape(-1))
    if drawn.any():
        at = np.flatnonzero(np.isfinite(end_xy.reshape(-1, 2)[:, 0]))
        every = Ends(make_strips(end_xy.reshape(-1, 2)[at], tolerance_m=max(snap_m, pickup_m)), end_node[at])
    return Joints(
        cable=cable[order],
        line=np.concatenate([one_line, free_line])[order],
        u=ends[:, 0],
        v=ends[:, 1],
        named=np.concatenate([np.ones(len(named_cable), bool), np.zeros(len(free_line), bool)])[order],
        node_xy=node_xy,
        node_ids=node_ids,
        free=free,
        drawn=every,
    )


def _node_codes(cables: pd.DataFrame, rows: Ints) -> tuple[Ints, pd.Index[str]]:
    """Node of both ends of each named cable, shape (n, 2), and the sorted node ids."""
    names = pd.concat([cables["from_node"].iloc[rows], cables["to_node"].iloc[rows]], ignore_index=True)
    codes, ids = pd.factorize(names, sort=True)
    return np.ascontiguousarray(codes.astype(np.int64).reshape(2, -1).T), pd.Index(ids)


def _turned(
    tables: NetworkTables,
    rows: Ints,
    codes: Ints,
    xy: Floats,
    *,
    node_ids: pd.Index[str],
    reach_m: float,
    findings: FindingList,
) -> Ints:
    """Node at the first and the last drawn place of each named cable: turned where it is drawn the other way round."""
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


def _nodes_of_groups(group: Ints, free_xy: Floats, *, named: tuple[Ints, Floats], n_named: int, snap_m: float) -> Ints:
    """Node of every free end: the named node its group touches, else a new one."""
    named_node, named_xy = named
    tag = np.full(len(group), -1, np.int64)
    drawn = np.flatnonzero(np.isfinite(named_xy[:, 0]))
    if len(drawn) and len(free_xy):
        strips = make_strips(named_xy[drawn], tolerance_m=snap_m)
        near, off = nearest_point(free_xy, strips, tolerance_m=snap_m)
        hit = np.flatnonzero(near >= 0)
        by_distance = hit[np.lexsort((hit, off[hit]))][::-1]
        tag[group[by_distance]] = named_node[drawn[near[by_distance]]]
    fresh = np.flatnonzero((tag < 0) & (group == np.arange(len(group))))
    tag[fresh] = n_named + np.arange(len(fresh))
    return tag[group]


def _places(node: Ints, xy: Floats, n_named: int) -> Floats:
    """First drawn place of every node."""
    place = np.full((max(n_named, int(node.max()) + 1 if len(node) else 0), 2), np.nan)
    drawn = np.flatnonzero(np.isfinite(xy[:, 0]))[::-1]
    place[node[drawn]] = xy[drawn]
    return place


def report_wide(
    group: Ints, xy: Floats, *, ids: Objects, tables: NetworkTables, snap_m: float, findings: FindingList
) -> None:
    """Add ``wide_joint`` for the groups of ends that lie further apart than the tolerance.

    Parameters
    ----------
    group
        Position of the lowest end of the group each end belongs to, shape (n,).
    xy, ids
        Places, shape (n, 2), metres, and cables of the ends.
    """
    # where every end lies within half the tolerance of the lowest, no two can be wider apart
    apart = np.hypot(xy[:, 0] - xy[group, 0], xy[:, 1] - xy[group, 1]) > snap_m / 2
    if not apart.any():
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
            ids=set(ids[np.concatenate(wide)]),
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
