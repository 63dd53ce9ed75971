"""Which place of the network a point (site, switch, source) stands at.

1. A point with a node id of the network stands at that node.
2. Otherwise it takes the nearest cable end within the pick-up tolerance,
3. else the nearest place on a cable within it; the cable will be split there.
4. What stays out of reach is a finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints, Objects, heads
from survey.network.nearness import make_strips, nearest_point, touching_lines

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.topology.joints import Joints
    from survey.read.tables import NetworkTables


LOOK_OF_PICKUP = 10.0
"""Out of reach, the nearest cable is still looked for up to this many times the tolerance."""


@dataclass(frozen=True)
class Picked:
    """Where the points of one layer stand.

    ``node`` is -1 where the point stands on a run (``run`` and ``along_m`` say where) or out of reach (both -1).
    All have shape (n_points,).
    """

    node: Ints
    run: Ints
    along_m: Floats


def pick_up(
    points: pd.DataFrame, *, layer: str, tables: NetworkTables, joints: Joints, pickup_m: float, findings: FindingList
) -> Picked:
    """Find the place of every point of one layer.

    Parameters
    ----------
    points
        Columns ``node, x, y`` and, first, the id.
    layer
        Layer name, for findings.
    pickup_m
        Largest distance between a point and its node or cable, metres.
    findings
        Gets ``unknown_node`` and ``out_of_reach``.
    """
    node = np.full(len(points), -1, np.int64)
    if len(joints.node_ids):
        node[:] = joints.node_ids.get_indexer(pd.Index(points["node"]))
    ids = points.iloc[:, 0].to_numpy()
    lonlat = points[["lon", "lat"]].to_numpy(np.float64)
    _report_unknown_nodes(points["node"].to_numpy(), node, ids=ids, layer=layer, findings=findings)
    xy = points[["x", "y"]].to_numpy(np.float64)
    open_ = np.flatnonzero((node < 0) & np.isfinite(xy).all(axis=1))
    near, _ = nearest_point(xy[open_], joints.drawn.strips, tolerance_m=pickup_m)
    node[open_] = np.append(joints.drawn.node, -1)[near]
    picked = _nearest_run(node, xy, tables=tables, joints=joints, pickup_m=pickup_m)
    lost = np.flatnonzero((picked.node < 0) & (picked.run < 0))
    nearest = _nearest_words(lost, xy, tables=tables, pickup_m=pickup_m)
    for i, words in zip(lost, nearest, strict=True):
        findings.add(
            "error",
            "out_of_reach",
            layer=layer,
            ids=[ids[i]],
            message=words + "; it is not connected to the network; correct its place or raise network.pickup_m",
            place=place_of(lonlat[i]),
        )
    return picked


def _nearest_words(lost: Ints, xy: Floats, *, tables: NetworkTables, pickup_m: float) -> list[str]:
    """What is near each point that is out of reach."""
    if not len(lost):
        return []
    lines, reach_m = tables.lines, LOOK_OF_PICKUP * pickup_m
    drawn = np.flatnonzero(np.isfinite(xy[lost]).all(axis=1))
    none = np.full(len(lines.owner), -2, np.int64)
    strips = make_strips(xy[lost[drawn]], tolerance_m=reach_m)
    skip = (np.full(len(drawn), -1, np.int64), none, none)
    touch = touching_lines(strips, lines.xy, lines.start, skip=skip, tolerance_m=reach_m)
    words = ["neither a place nor a known node id"] * len(lost)
    for k in drawn:
        words[k] = f"no cable within {pickup_m:g} m of this point, nor within {reach_m:g} m"
    order = np.lexsort((touch.line, np.round(touch.off_m, 6), touch.point))
    order = order[heads(touch.point[order])]
    ids = tables.cables["cable_id"].to_numpy(object)
    for point, line, off in zip(touch.point[order], touch.line[order], touch.off_m[order], strict=True):
        nearest = f"the nearest, {ids[lines.owner[line]]!r}, is {off:.1f} m off"
        words[drawn[point]] = f"no cable within {pickup_m:g} m of this point; {nearest}"
    return words


def place_of(lonlat: Floats) -> tuple[float, float] | None:
    """Place of a finding from a row's degrees, shape (2,); ``None`` when it is not drawn."""
    return (float(lonlat[0]), float(lonlat[1])) if np.isfinite(lonlat).all() else None


def _report_unknown_nodes(names: Objects, node: Ints, *, ids: Objects, layer: str, findings: FindingList) -> None:
    unknown = np.flatnonzero((names != "") & (node < 0))
    if len(unknown):
        findings.add(
            "warning",
            "unknown_node",
            layer=layer,
            ids=ids[unknown],
            message=f"node id not at any cable (first: {names[unknown[0]]!r}); the drawn place was used instead; "
            "correct the node id",
        )


def _nearest_run(node: Ints, xy: Floats, *, tables: NetworkTables, joints: Joints, pickup_m: float) -> Picked:
    run = np.full(len(node), -1, np.int64)
    along = np.zeros(len(node))
    open_ = np.flatnonzero((node < 0) & np.isfinite(xy).all(axis=1))
    if len(open_) and len(tables.lines.owner):
        none = np.full(len(tables.lines.owner), -2, np.int64)
        strips = make_strips(xy[open_], tolerance_m=pickup_m)
        touch = touching_lines(
            strips,
            tables.lines.xy,
            tables.lines.start,
            skip=(np.full(len(open_), -1, np.int64), none, none),
            tolerance_m=pickup_m,
        )
        run_of_line = none.copy()
        run_of_line[joints.line[joints.line >= 0]] = np.flatnonzero(joints.line >= 0)
        keep = np.flatnonzero(run_of_line[touch.line] >= 0)
        keep = keep[np.lexsort((touch.line[keep], np.round(touch.off_m[keep], 6)))][::-1]
        run[open_[touch.point[keep]]] = run_of_line[touch.line[keep]]
        along[open_[touch.point[keep]]] = touch.along_m[keep]
    return Picked(node, run, along)
