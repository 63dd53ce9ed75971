"""Cut the cables where something touches or stands on them: runs become pieces."""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Floats, Ints
from survey.findings import FindingList
from survey.network.topology.joints import Joints
from survey.network.topology.pickup import Picked
from survey.network.topology.tees import Tees
from survey.read.tables import Lines, NetworkTables

VERTICES_AT_ONCE = 200_000


@dataclass(frozen=True)
class Pieces:
    """Parts of cables between two nodes; all shape (n_pieces,).

    ``cable`` row of the cable; ``u, v`` nodes; ``length_m`` on the ground, recorded where recorded; ``line`` drawn line
    (-1: not one line, draw all of the cable's), ``from_m, to_m`` where it begins and ends on that line, planar metres.
    """

    cable: Ints
    u: Ints
    v: Ints
    length_m: Floats
    line: Ints
    from_m: Floats
    to_m: Floats


@dataclass(frozen=True)
class Cuts:
    """Places where runs are split: ``run``, ``along_m`` and the ``node`` that comes to stand there, sorted."""

    run: Ints
    along_m: Floats
    node: Ints
    tees: int


def find_cuts(
    tables: NetworkTables, joints: Joints, picked: list[Picked], *, tees: Tees, walked_m: Floats, snap_m: float
) -> tuple[Cuts, list[Ints], Floats]:
    """Collect tees and picked-up points, and give every picked-up point its node.

    Points that stand on a cable within the snapping tolerance of each other, or of a tee, share one node.

    ``walked_m``: as of :func:`walk_vertices`. Returns the cuts, the node of every point (one array per layer of
    ``picked``; -1 out of reach), and the place of every node, old and new, shape (n_nodes, 2), metres.
    """
    layer = np.concatenate([np.full(len(p.node), k) for k, p in enumerate(picked)] or [np.empty(0, np.int64)])
    run = np.concatenate([p.run for p in picked])
    on_run = np.flatnonzero(run >= 0)
    along = np.concatenate([p.along_m for p in picked])[on_run]
    cut_run = np.concatenate([tees.run, run[on_run]])
    cut_along = np.concatenate([tees.along_m, along])
    cut_node = np.concatenate([tees.node, np.full(len(on_run), -1, np.int64)])
    order = np.lexsort((cut_node < 0, cut_along, cut_run))
    node, keep, first_new = _name_cuts(
        cut_run[order], cut_along[order], cut_node[order], n_nodes=len(joints.node_xy), snap_m=snap_m
    )
    cut_node[order] = node
    nodes = np.concatenate([p.node for p in picked])
    nodes[on_run] = cut_node[len(tees.run) :]
    cuts = Cuts(cut_run[order][keep], cut_along[order][keep], node[keep], len(tees.run))
    fresh = np.flatnonzero(cuts.node >= first_new)
    new_xy = np.empty((len(fresh), 2))
    place = points_on(tables.lines, joints.line[cuts.run[fresh]], cuts.along_m[fresh], walked_m=walked_m)
    new_xy[cuts.node[fresh] - first_new] = place
    return cuts, [nodes[layer == k] for k in range(len(picked))], np.concatenate([joints.node_xy, new_xy])


def cut_pieces(tables: NetworkTables, joints: Joints, cuts: Cuts, *, walked_m: Floats, findings: FindingList) -> Pieces:
    """Cut every run at its cuts.

    ``findings``: gets ``no_length`` (neither recorded nor drawn; 0 m used) and ``ends_joined`` (both ends at one node).
    """
    planar = np.zeros(len(joints.cable))
    cuttable = np.flatnonzero(joints.line >= 0)
    start = tables.lines.start
    planar[cuttable] = (walked_m[start[1:] - 1] - walked_m[start[:-1]])[joints.line[cuttable]]
    run = np.repeat(np.arange(len(planar)), np.bincount(cuts.run, minlength=len(planar)) + 1)
    u, v, from_m, to_m = joints.u[run], joints.v[run], np.zeros(len(run)), planar[run]
    # cuts are sorted by run, so that before the k-th of them lie k others and all runs before its own
    before = cuts.run + np.arange(len(cuts.run))
    v[before] = u[before + 1] = cuts.node
    to_m[before] = from_m[before + 1] = np.minimum(cuts.along_m, planar[cuts.run])
    cable = joints.cable[run]
    # RULE 2: recorded, else drawn; shared as drawn
    length_m = _cable_lengths(tables, findings)[cable] * _shares(cable, to_m - from_m, len(tables.cables))
    pieces = Pieces(cable, u, v, length_m, joints.line[run], from_m, to_m)
    _report_closed(pieces, tables, findings)
    return pieces


def walk_vertices(lines: Lines) -> Floats:
    """Planar distance to every vertex along all lines in a row, metres, shape (n_vertices,)."""
    walked = np.zeros(len(lines.xy))
    for first in range(0, len(walked) - 1, VERTICES_AT_ONCE):
        dx, dy = np.diff(lines.xy[first : first + VERTICES_AT_ONCE + 1], axis=0).T
        np.hypot(dx, dy, out=walked[first + 1 : first + 1 + len(dx)])
    return np.cumsum(walked, out=walked)


def _name_cuts(run: Ints, along: Floats, node: Ints, *, n_nodes: int, snap_m: float) -> tuple[Ints, Ints, int]:
    """Node of every cut (sorted by run and place), which cuts to keep, and the first new node."""
    if not len(run):
        return node, np.empty(0, np.int64), n_nodes
    apart = np.append(True, (np.diff(run) != 0) | (np.diff(along) > snap_m))
    cluster = np.cumsum(apart) - 1
    known = np.full(cluster[-1] + 1, -1, np.int64)
    with_node = np.flatnonzero(node >= 0)[::-1]
    known[cluster[with_node]] = node[with_node]
    bare = np.flatnonzero(known < 0)
    known[bare] = n_nodes + np.arange(len(bare))
    named = np.where(node >= 0, node, known[cluster])
    keep = (node >= 0) | (apart & (named >= n_nodes))
    return named, np.flatnonzero(keep), n_nodes


def points_on(lines: Lines, line: Ints, along: Floats, *, walked_m: Floats) -> Floats:
    """Place at a planar distance along a line, shape (n, 2)."""
    if not len(line):
        return np.empty((0, 2))
    target = walked_m[lines.start[line]] + along
    vertex = np.clip(np.searchsorted(walked_m, target, side="right") - 1, lines.start[line], lines.start[line + 1] - 2)
    step = walked_m[vertex + 1] - walked_m[vertex]
    part = np.divide(target - walked_m[vertex], step, out=np.zeros(len(line)), where=step > 0)
    return lines.xy[vertex] + np.clip(part, 0.0, 1.0)[:, None] * (lines.xy[vertex + 1] - lines.xy[vertex])


def _shares(cable: Ints, planar: Floats, n_cables: int) -> Floats:
    """Share of its cable's length that falls to each piece; equal shares where nothing is drawn."""
    total = np.bincount(cable, weights=planar, minlength=n_cables)[cable]
    count = np.bincount(cable, minlength=n_cables)[cable]
    return np.divide(planar, total, out=1.0 / count, where=total > 0)


def _cable_lengths(tables: NetworkTables, findings: FindingList) -> Floats:
    cables = tables.cables
    total = cables["length_m"].fillna(cables["drawn_m"]).to_numpy(np.float64, copy=True)
    missing = np.flatnonzero(~np.isfinite(total))
    if len(missing):
        findings.report("no_length", ids=cables["cable_id"].iloc[missing])
        total[missing] = 0.0
    return total


def _report_closed(pieces: Pieces, tables: NetworkTables, findings: FindingList) -> None:
    closed = np.flatnonzero(np.bincount(pieces.cable[pieces.u == pieces.v], minlength=1))
    if len(closed):
        findings.report("ends_joined", ids=tables.cables["cable_id"].iloc[closed])
