"""Which place of the network a point (site, switch, source) stands at."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints, Objects, heads
from survey.findings import FindingList
from survey.network.nearness import make_strips, nearest_point, touching_lines
from survey.network.topology.joints import Joints
from survey.read.tables import NetworkTables

NAMED = 5
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

    ``points``: columns ``node, x, y`` and, first, the id. ``layer``: layer name, for findings. ``pickup_m``: largest
    distance between a point and its node or cable, metres. ``findings``: gets ``unknown_node`` and ``out_of_reach``.
    """
    # RULE 1: by node id, else the nearest end within reach, else the nearest place on a cable; a finding without any
    node = np.full(len(points), -1, np.int64)
    if len(joints.node_ids):
        node[:] = joints.node_ids.get_indexer(pd.Index(points["node"]))
    _report_unknown_nodes(points, node, layer=layer, findings=findings)
    xy = points[["x", "y"]].to_numpy(np.float64)
    open_ = np.flatnonzero((node < 0) & np.isfinite(xy).all(axis=1))
    near, _ = nearest_point(xy[open_], joints.drawn.strips, tolerance_m=pickup_m)
    node[open_] = np.append(joints.drawn.node, -1)[near]
    picked = _nearest_run(node, xy, tables=tables, joints=joints, pickup_m=pickup_m)
    lost = np.flatnonzero((picked.node < 0) & (picked.run < 0))
    _report_lost(lost, points, layer=layer, tables=tables, pickup_m=pickup_m, findings=findings)
    return picked


def _report_lost(
    lost: Ints, points: pd.DataFrame, *, layer: str, tables: NetworkTables, pickup_m: float, findings: FindingList
) -> None:
    """One finding for all points of a layer that are out of reach; it names the nearest cable of some."""
    if not len(lost):
        return
    ids, lonlat = points.iloc[lost, 0].to_numpy(), points[["lon", "lat"]].to_numpy(np.float64)[lost]
    xy = points[["x", "y"]].to_numpy(np.float64)[lost]
    cable, off = _nearest_cables(xy, tables=tables, reach_m=LOOK_OF_PICKUP * pickup_m)
    some = np.lexsort((ids.astype(str), off))[:NAMED]
    named = [
        f"{point!r} {metres:.1f} m from {name!r}"
        for point, name, metres in zip(ids[some], cable[some], off[some], strict=True)
        if name
    ]
    placed = np.isfinite(xy).all(axis=1)
    findings.report(
        "out_of_reach",
        layer=layer,
        ids=ids,
        pickup_m=pickup_m,
        named=", ".join(named) or "none",
        reach_m=LOOK_OF_PICKUP * pickup_m,
        placeless=np.count_nonzero(~placed),
        place=place_of(lonlat[some[0]]),
    )


def _nearest_cables(xy: Floats, *, tables: NetworkTables, reach_m: float) -> tuple[Objects, Floats]:
    """Id of the cable nearest to each place, ``""`` out of reach, and its distance, infinite there; shape (n,)."""
    cable, off = np.full(len(xy), "", object), np.full(len(xy), np.inf)
    drawn = np.flatnonzero(np.isfinite(xy).all(axis=1))
    touch = touching_lines(make_strips(xy[drawn], tolerance_m=reach_m), tables.lines, tolerance_m=reach_m)
    order = np.lexsort((touch.line, np.round(touch.off_m, 6), touch.point))
    order = order[heads(touch.point[order])]
    at = drawn[touch.point[order]]
    cable[at] = tables.cables["cable_id"].to_numpy(object)[tables.lines.owner[touch.line[order]]]
    off[at] = touch.off_m[order]
    return cable, off


def place_of(lonlat: Floats) -> tuple[float, float] | None:
    """Place of a finding from a row's degrees, shape (2,); ``None`` when it is not drawn."""
    return (float(lonlat[0]), float(lonlat[1])) if np.isfinite(lonlat).all() else None


def _report_unknown_nodes(points: pd.DataFrame, node: Ints, *, layer: str, findings: FindingList) -> None:
    unknown = np.flatnonzero((points["node"] != "").to_numpy(bool) & (node < 0))
    if len(unknown):
        ids = points.iloc[unknown, 0].to_numpy()
        findings.report("unknown_node", layer=layer, ids=ids, first=points["node"].iloc[unknown[0]])


def _nearest_run(node: Ints, xy: Floats, *, tables: NetworkTables, joints: Joints, pickup_m: float) -> Picked:
    run = np.full(len(node), -1, np.int64)
    along = np.zeros(len(node))
    open_ = np.flatnonzero((node < 0) & np.isfinite(xy).all(axis=1))
    if len(open_):
        touch = touching_lines(make_strips(xy[open_], tolerance_m=pickup_m), tables.lines, tolerance_m=pickup_m)
        on = joints.run_of_line(len(tables.lines.owner))[touch.line]
        keep = np.flatnonzero(on >= 0)
        keep = keep[np.lexsort((touch.line[keep], np.round(touch.off_m[keep], 6)))][::-1]
        run[open_[touch.point[keep]]] = on[keep]
        along[open_[touch.point[keep]]] = touch.along_m[keep]
    return Picked(node, run, along)
