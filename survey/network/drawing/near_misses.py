"""What the drawing almost says: bare ends, and those that stop just short of an end or a cable, or run past one.

Nothing is mended here. The findings say what would change if it were, and which snapping tolerance would do it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from survey.arrays import Bools, Floats, Ints, Objects
from survey.findings import FindingList
from survey.network.drawing.segments import Grid, Hits, hit_by_ends
from survey.network.nearness import make_strips, nearest_point
from survey.network.topology.pieces import Pieces
from survey.read.tables import NetworkTables

REACH_M, REACH_OF_SNAP = 5.0, 10.0
"""A gap is looked for up to the larger of 5 m and ten times the snapping tolerance (common practice, no source)."""
COVERED = 0.9
NAMED = 5


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


@dataclass(frozen=True)
class Misses:
    """Bare ends that nearly meet something, by kind.

    ``short`` of another end, ``gap`` metres from it; ``line_short`` of the middle of a cable, or ``line_past`` it,
    ``line_off`` metres from it; ``stub``: run past the end that is joined to them by ``stub_m``. Rows of the ends.
    """

    short: Ints
    gap: Floats
    line_short: Ints
    line_past: Ints
    hits: Hits
    stub: Ints
    stub_m: Floats


def find_misses(
    tables: NetworkTables, pieces: Pieces, bare: BareEnds, *, grid: Grid, node_xy: Floats, snap_m: float
) -> Misses:
    """Find bare ends that stop just short of another end or of a cable, or run a little past one.

    1. An end with another node within reach, and no cable nearer than that, stops short of that node.
    2. One that points at a cable within reach stops short of it; one that crossed a cable within reach runs past it.
       By node ids alone nothing is drawn wrongly: such cables are left aside.
    3. A last piece shorter than the reach, behind a joint in the middle of its cable, runs past that joint.

    Parameters
    ----------
    grid
        Of the drawn lines.
    node_xy
        Place of every node, metres.
    snap_m
        Snapping tolerance, metres.
    """
    reach_m = max(REACH_M, REACH_OF_SNAP * snap_m)
    node, gap = _nearest_other(bare.node, node_xy, reach_m=reach_m)
    near = (node >= 0) & (node != bare.other) & (gap > snap_m)
    hits = _hits(tables, pieces, bare, grid=grid, node_xy=node_xy, snap_m=snap_m, reach_m=reach_m)
    by_line = (hits.line >= 0) & (hits.off_m > snap_m) & ~(near & (gap <= hits.off_m + snap_m))
    stub = _stubs(pieces, bare, n_nodes=len(node_xy), reach_m=reach_m)
    by_line[stub] = near[stub] = False
    return Misses(
        short=np.flatnonzero(near & ~by_line),
        gap=gap,
        line_short=np.flatnonzero(by_line & (hits.past_m < 0)),
        line_past=np.flatnonzero(by_line & (hits.past_m >= 0)),
        hits=hits,
        stub=stub,
        stub_m=pieces.length_m[bare.piece],
    )


def _hits(
    tables: NetworkTables, pieces: Pieces, bare: BareEnds, *, grid: Grid, node_xy: Floats, snap_m: float, reach_m: float
) -> Hits:
    lines = tables.lines
    line = pieces.line[bare.piece]
    asked = np.flatnonzero((line >= 0) & ~tables.named[bare.cable])
    found = hit_by_ends(
        grid,
        lines.xy,
        lines.start,
        owner=lines.owner,
        ends=(line[asked], bare.at_last[asked]),
        apart=(node_xy[bare.other[asked]], snap_m),
        reach_m=reach_m,
    )
    hits = Hits(np.full(len(line), -1, np.int64), *(np.full(len(line), np.nan) for _ in range(4)))
    for column, values in zip(hits, found, strict=True):
        column[asked] = values
    return hits


def _stubs(pieces: Pieces, bare: BareEnds, *, n_nodes: int, reach_m: float) -> Ints:
    """Ends whose last piece is no longer than the reach and goes on, past a joint, from another of the same cable."""
    degree = np.bincount(pieces.u, minlength=n_nodes) + np.bincount(pieces.v, minlength=n_nodes)
    before = np.clip(bare.piece + np.where(bare.at_last, -1, 1), 0, len(pieces.u) - 1)
    meets = np.where(bare.at_last, pieces.v[before], pieces.u[before]) == bare.other
    drawn_m = (pieces.to_m - pieces.from_m)[bare.piece]
    goes_on = meets & (pieces.cable[before] == bare.cable) & (before != bare.piece)
    return np.flatnonzero(goes_on & (degree[bare.other] > 2) & (drawn_m <= reach_m) & (drawn_m > 0))


def report_misses(
    tables: NetworkTables, bare: BareEnds, misses: Misses, *, snap_m: float, findings: FindingList
) -> dict[str, int]:
    """Tell of ends that nearly meet something.

    ``findings``: gets ``near_miss`` and ``undershoot`` with advice on ``network.snap_m``, ``overshoot`` and ``stub``.
    Returns number of ends by kind, for the network's health.
    """
    gaps = np.concatenate([misses.gap[misses.short], misses.hits.off_m[misses.line_short]])
    if len(gaps):
        advised = np.ceil(np.quantile(gaps, COVERED) * 10 + 1e-9) / 10
        advice = {"snap_m": snap_m, "advised": advised, "joins": (gaps <= advised).mean()}
        _report_short(tables, bare, misses, advice=advice, findings=findings)
        _report_by_line(
            tables, bare, misses, rule="undershoot", rows=misses.line_short, advice=advice, findings=findings
        )
    _report_by_line(tables, bare, misses, rule="overshoot", rows=misses.line_past, advice={}, findings=findings)
    _report_stubs(tables, bare, misses, findings=findings)
    return {
        "near_misses": len(misses.short),
        "undershoots": len(misses.line_short),
        "overshoots": len(misses.line_past),
        "stubs": len(misses.stub),
    }


def _report_short(
    tables: NetworkTables, bare: BareEnds, misses: Misses, *, advice: dict[str, Any], findings: FindingList
) -> None:
    short, gap = misses.short, misses.gap[misses.short]
    if len(short):
        gaps: dict[str, Any] = {"least": gap.min(), "most": gap.max(), "middle": np.median(gap)}
        place = tables.lonlat(bare.xy[short[0]])
        ids = _ids(tables, bare.cable[short])
        findings.report("near_miss", ids=ids, ends=len(short), **gaps, **advice, place=place)


def _report_by_line(
    tables: NetworkTables,
    bare: BareEnds,
    misses: Misses,
    *,
    rule: str,
    rows: Ints,
    advice: dict[str, Any],
    findings: FindingList,
) -> None:
    """Report the ends in one finding, with the place of the nearest miss."""
    if not len(rows):
        return
    ids = tables.cables["cable_id"].to_numpy(object)
    onto, past = tables.lines.owner[misses.hits.line[rows]], np.abs(misses.hits.past_m[rows])
    order = np.lexsort((onto, bare.cable[rows], np.round(past, 6)))
    pairs = zip(ids[bare.cable[rows[order[:NAMED]]]], ids[onto[order[:NAMED]]], past[order[:NAMED]], strict=True)
    findings.report(
        rule,
        ids=_ids(tables, np.concatenate([bare.cable[rows], onto])),
        ends=len(rows),
        least=past.min(),
        most=past.max(),
        named=", ".join(f"{own!r} and {other!r} {metres:.2f} m" for own, other, metres in pairs),
        place=tables.lonlat(bare.xy[rows[order[0]]]),
        **advice,
    )


def _report_stubs(tables: NetworkTables, bare: BareEnds, misses: Misses, *, findings: FindingList) -> None:
    stub, past = misses.stub, misses.stub_m[misses.stub]
    if len(stub):
        place, ids = tables.lonlat(bare.xy[stub[0]]), _ids(tables, bare.cable[stub])
        findings.report("stub", ids=ids, ends=len(stub), least=past.min(), most=past.max(), place=place)


def _ids(tables: NetworkTables, cables: Ints) -> Objects:
    return tables.cables["cable_id"].iloc[np.unique(cables)].to_numpy()


def _nearest_other(ends: Ints, node_xy: Floats, *, reach_m: float) -> tuple[Ints, Floats]:
    """Nearest other node of each end within reach, and how far it is."""
    drawn = np.flatnonzero(np.isfinite(node_xy).all(axis=1))
    strips = make_strips(node_xy[drawn], tolerance_m=reach_m)
    near, gap = nearest_point(node_xy[ends], strips, tolerance_m=reach_m, own=np.searchsorted(drawn, ends))
    return np.where(near >= 0, np.append(drawn, -1)[near], -1), gap


def find_bare(tables: NetworkTables, pieces: Pieces, *, node_xy: Floats, used: Ints, pickup_m: float) -> BareEnds:
    """Find the ends with nothing at them.

    ``node_xy``: place of every node, metres. ``used``: nodes that hold a site, a device or a source; an end there is
    meant to be one. ``pickup_m``: a transformer that is no three-phase site is at an end at this distance or nearer,
    metres.
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
