"""Cables that lie on one another over part of their length; both count, as parallel cables do.

Where both are on one exposed section that length counts twice in it, so each such pair is a finding. What is usual in
one trench is told in one: in and out of one place, and circuits that share no section.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Floats, Ints, heads
from survey.network.drawing.segments import running_along
from survey.network.topology.pieces import walk_vertices

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.drawing.segments import Alongs, Grid
    from survey.network.model import Network
    from survey.read.tables import NetworkTables


OVER_M = 0.05
"""Cables no further apart than this are drawn over one another; those beside each other in a trench are further apart
(common practice, no source)."""
LEAST_M = 5.0
"""Shorter overlaps are left out: cables that leave a joint at a narrow angle lie that close at first."""
LISTED = 20
NAMED = 3
MANY = {
    "overlap": (
        "more cables lie on one another",
        "that counts twice in exposed sections; where it is one cable, correct the drawing",
    ),
    "overlap_at_joint": (
        "cables lie on one another from a common joint on",
        "that counts twice, as is right in and out of one place in one trench; elsewhere correct the drawing",
    ),
    "overlap_apart": (
        "cables lie on one another but share no exposed section on any pole",
        "nothing counts twice; nothing to do where both lie in one trench",
    ),
}


@dataclass(frozen=True)
class Overlaps:
    """Pairs of cables that lie on one another, the longest overlap first; each shape (n_pairs,).

    Parameters
    ----------
    cable_a, cable_b
        Rows of the cables, the lower first.
    length_m
        Overlap, planar metres.
    line_a, line_b, along_a, along_b
        Drawn lines and the middle of the longest stretch on them, planar metres from their start.
    xy
        That place, shape (n_pairs, 2), metres.
    """

    cable_a: Ints
    cable_b: Ints
    length_m: Floats
    line_a: Ints
    line_b: Ints
    along_a: Floats
    along_b: Floats
    xy: Floats


def find_overlaps(tables: NetworkTables, grid: Grid) -> Overlaps:
    """Find pairs of cables that lie on one another for ``LEAST_M`` or more; exact doubles are left out of the grid."""
    lines = tables.lines
    found = running_along(grid, lines.xy, lines.owner, tolerance_m=OVER_M)
    a, b = lines.owner[found.line_a], lines.owner[found.line_b]
    order = np.lexsort((found.y, found.x, -found.length_m, b, a))
    new = np.flatnonzero(heads(a[order], b[order]))
    total = np.add.reduceat(found.length_m[order], new) if len(new) else np.empty(0)
    longest = order[new]
    kept = np.flatnonzero(total >= LEAST_M)
    kept = kept[np.lexsort((b[longest[kept]], a[longest[kept]], -np.round(total[kept], 2)))]
    return _pairs(tables, found, longest[kept], total[kept])


def _pairs(tables: NetworkTables, found: Alongs, which: Ints, total: Floats) -> Overlaps:
    lines = tables.lines
    walked = walk_vertices(lines)
    xy = np.column_stack([found.x[which], found.y[which]])
    along = [
        walked[vertex] - walked[lines.start[line]] + np.hypot(*(xy - lines.xy[vertex]).T)
        for vertex, line in ((found.vertex_a[which], found.line_a[which]), (found.vertex_b[which], found.line_b[which]))
    ]
    a, b = found.line_a[which], found.line_b[which]
    return Overlaps(lines.owner[a], lines.owner[b], total, a, b, along[0], along[1], xy)


def report_overlaps(network: Network, overlaps: Overlaps, *, findings: FindingList) -> None:
    """Tell what lies on one another, and in which exposed sections that counts twice.

    Parameters
    ----------
    findings
        Gets ``overlap`` for each of the longest and one more for what is beyond, ``overlap_at_joint`` for all that
        run in and out of one place, and ``overlap_apart`` for all that share no exposed section.
    """
    if not len(overlaps.length_m):
        return
    ids = network.tables.cables["cable_id"].to_numpy(object)
    pieces = [
        _pieces_at(network, line, along, cable)
        for line, along, cable in (
            (overlaps.line_a, overlaps.along_a, overlaps.cable_a),
            (overlaps.line_b, overlaps.along_b, overlaps.cable_b),
        )
    ]
    together = network.sections.share(pieces[0], pieces[1])
    turned = together & _meet_once(network, pieces[0], pieces[1])
    for k in np.flatnonzero(together & ~turned)[:LISTED]:
        a, b = ids[overlaps.cable_a[k]], ids[overlaps.cable_b[k]]
        both = network.sections.over_both(int(pieces[0][k]), int(pieces[1][k]))
        findings.add(
            "warning",
            "overlap",
            layer="cables",
            ids=[a, b],
            message=f"{a!r} and {b!r} lie on one another for {overlaps.length_m[k]:.1f} m, which counts twice in the "
            f"exposed section of {_named(network, both)}; where it is one cable there, correct the drawing",
            place=network.tables.lonlat(overlaps.xy[k]),
        )
    for rule, rows in (
        ("overlap", np.flatnonzero(together & ~turned)[LISTED:]),
        ("overlap_at_joint", np.flatnonzero(turned)),
        ("overlap_apart", np.flatnonzero(~together)),
    ):
        _report_many(network, overlaps, rows, rule=rule, findings=findings)


def _meet_once(network: Network, first: Ints, second: Ints) -> Bools:
    """Pairs of pieces that have just one end in common: in and out of one place, as in one trench."""
    pieces = network.pieces
    ends = [(pieces.u[p], pieces.v[p]) for p in (first, second)]
    met = [(a == b).astype(np.int64) for a in ends[0] for b in ends[1]]
    return np.sum(met, axis=0) == 1


def _report_many(network: Network, overlaps: Overlaps, rows: Ints, *, rule: str, findings: FindingList) -> None:
    if len(rows):
        ids = network.tables.cables["cable_id"].to_numpy(object)
        a, b = ids[overlaps.cable_a[rows[0]]], ids[overlaps.cable_b[rows[0]]]
        length = overlaps.length_m[rows]
        findings.add(
            "warning",
            rule,
            layer="cables",
            ids=ids[np.unique(np.concatenate([overlaps.cable_a[rows], overlaps.cable_b[rows]]))],
            message=f"{MANY[rule][0]}: {len(rows)} {'pair' if len(rows) == 1 else 'pairs'} (longest {a!r} and {b!r}, "
            f"{length[0]:.1f} m; together {length.sum():.0f} m); {MANY[rule][1]}",
            place=network.tables.lonlat(overlaps.xy[rows[0]]),
        )


def _pieces_at(network: Network, line: Ints, along: Floats, cable: Ints) -> Ints:
    """Piece of each drawn line that holds a place; of a cable that is not cut where it is drawn, the first."""
    pieces = network.pieces
    first = np.full(len(network.tables.lines.owner), -1, np.int64)
    last = first.copy()
    drawn = np.flatnonzero(pieces.line >= 0)
    last[pieces.line[drawn]] = drawn
    first[pieces.line[drawn[::-1]]] = drawn[::-1]
    walked = np.concatenate([[0.0], np.cumsum(pieces.to_m - pieces.from_m)])
    at = np.searchsorted(walked, walked[first[line]] + along, side="right") - 1
    whole = np.searchsorted(pieces.cable, cable)
    return np.where(first[line] < 0, whole, np.clip(at, first[line], last[line]))


def _named(network: Network, devices: Bools) -> str:
    """The nearest of the devices by name, those of the smallest sections first, and how many more there are."""
    sections, names = network.sections, network.tables.switches["switch_id"].to_numpy(object)
    which = np.flatnonzero(devices)
    size = sum(view.high - view.low for view in sections.views)
    which = which[np.lexsort((sections.device[which], np.asarray(size)[which]))]
    more = f" and {len(which) - NAMED} more" if len(which) > NAMED else ""
    return ", ".join(str(names[d]) for d in sections.device[which[:NAMED]]) + more
