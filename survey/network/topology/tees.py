"""Cable ends that touch the middle of another cable.

A free end within the snapping tolerance of a cable is a tee: the cable is split there. Ends whose feet on one cable lie
within the tolerance of each other are one node, transitively, wherever they stand beside it.
"""

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Floats, Ints, heads
from survey.findings import FindingList
from survey.network.nearness import join_pairs, touching_lines
from survey.network.topology.joints import Joints, report_wide
from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class Tees:
    """Places where an end touches a run: ``run``, ``along_m`` in planar metres, and the ``node`` of the end; sorted."""

    run: Ints
    along_m: Floats
    node: Ints


def find_tees(tables: NetworkTables, joints: Joints, *, snap_m: float, findings: FindingList) -> tuple[Joints, Tees]:
    """Find every tee, and the joints with the nodes that meet at one place of a cable made one.

    ``snap_m``: an end touches a cable at this distance or nearer, metres. ``findings``: gets ``wide_joint`` where ends
    that meet at one place of a cable stand further apart than that.
    """
    ends = joints.free
    if not len(ends.node):
        return joints, Tees(np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64))
    tees = _touches(tables, joints, snap_m)
    new = _merged(tees, len(joints.node_xy), snap_m)
    if new is None:
        return joints, tees
    _report_merged(tables, joints, new, snap_m=snap_m, findings=findings)
    joints = replace(
        joints,
        u=new[joints.u],
        v=new[joints.v],
        free=replace(joints.free, node=new[joints.free.node]),
        drawn=replace(joints.drawn, node=new[joints.drawn.node]),
    )
    return joints, _first_of_each(Tees(tees.run, tees.along_m, new[tees.node]), tees.along_m)


def _report_merged(tables: NetworkTables, joints: Joints, new: Ints, *, snap_m: float, findings: FindingList) -> None:
    run = np.flatnonzero(~joints.named)
    node = np.stack([joints.u[run], joints.v[run]], axis=1).ravel()
    at = np.flatnonzero((np.bincount(new, minlength=len(new))[new] > 1)[node])
    xy = tables.lines.ends()[joints.line[run]].reshape(-1, 2)[at]
    _, first, group = np.unique(new[node[at]], return_index=True, return_inverse=True)
    cable = np.repeat(joints.cable[run], 2)[at]
    report_wide(first[group], xy, cable=cable, tables=tables, snap_m=snap_m, findings=findings)


def _touches(tables: NetworkTables, joints: Joints, snap_m: float) -> Tees:
    run = joints.run_of_line(len(tables.lines.owner))
    own = joints.free.node, np.where(run >= 0, joints.u[run], -1), np.where(run >= 0, joints.v[run], -1)
    touch = touching_lines(joints.free.strips, tables.lines, own=own, tolerance_m=snap_m)
    keep = np.flatnonzero(run[touch.line] >= 0)
    # RULE 1: an end at the middle of another cable is a tee
    found = Tees(run[touch.line[keep]], touch.along_m[keep], joints.free.node[touch.point[keep]])
    return _first_of_each(found, touch.off_m[keep])


def _first_of_each(tees: Tees, off: Floats) -> Tees:
    """Of the touches of one node with one run only the one with the least ``off``; sorted by run and place."""
    order = np.lexsort((tees.along_m, off, tees.node, tees.run))
    run, along, node = tees.run[order], tees.along_m[order], tees.node[order]
    first = heads(run, node)
    run, along, node = run[first], along[first], node[first]
    order = np.lexsort((node, along, run))
    return Tees(run[order], along[order], node[order])


def _merged(tees: Tees, n_nodes: int, snap_m: float) -> Ints | None:
    """New number of every node, where tees of different nodes are one place of a run; ``None`` where there are none."""
    close = np.flatnonzero((np.diff(tees.run) == 0) & (np.diff(tees.along_m) <= snap_m))
    if not len(close):
        return None
    return join_pairs(tees.node[close], tees.node[close + 1], n=n_nodes)
