"""Cables that lie on one another over part of their length; both count, as parallel cables do.

Where both are on one exposed section that length counts twice in it, so each such pair is a finding. What is usual in
one trench is told in one: in and out of one place, and circuits that share no section.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Bools, Floats, Ints, heads
from survey.findings import FindingList
from survey.network.drawing.segments import Alongs, Grid, lying_along
from survey.network.model import Network
from survey.read.tables import Lines, NetworkTables, some_lines

OVER_M = 0.05
"""Cables no further apart than this are drawn over one another; those beside each other in a trench are further apart
(common practice, no source)."""
LEAST_M = 5.0
"""Shorter overlaps are left out: cables that leave a joint at a narrow angle lie that close at first."""
NAMED, DEVICES = 5, 3
ODD = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0xD6E8FEB86659FD93], np.uint64)


@dataclass(frozen=True)
class Overlaps:
    """Pairs of cables that lie on one another, the longest overlap first; each shape (n_pairs,).

    ``cable_a``, ``cable_b``: rows of the cables, the lower first. ``length_m``: overlap, planar metres. ``line_a``,
    ``line_b``, ``along_a``, ``along_b``: drawn lines and the middle of the longest common part on them, planar metres
    from their start. ``xy``: that place, shape (n_pairs, 2), metres.
    """

    cable_a: Ints
    cable_b: Ints
    length_m: Floats
    line_a: Ints
    line_b: Ints
    along_a: Floats
    along_b: Floats
    xy: Floats


def find_overlaps(tables: NetworkTables, grid: Grid, *, walked_m: Floats) -> Overlaps:
    """Find pairs of cables that lie on one another for ``LEAST_M`` or more; exact doubles are left out of the grid.

    ``walked_m``: planar distance to every vertex along all lines in a row.
    """
    lines = tables.lines
    found = lying_along(grid, lines.xy, lines.owner, tolerance_m=OVER_M)
    a, b = lines.owner[found.line_a], lines.owner[found.line_b]
    order = np.lexsort((found.y, found.x, -found.length_m, b, a))
    new = np.flatnonzero(heads(a[order], b[order]))
    total = np.add.reduceat(found.length_m[order], new) if len(new) else np.empty(0)
    longest = order[new]
    kept = np.flatnonzero(total >= LEAST_M)
    kept = kept[np.lexsort((b[longest[kept]], a[longest[kept]], -np.round(total[kept], 2)))]
    return _pairs(lines, found, longest[kept], total[kept], walked=walked_m)


def _pairs(lines: Lines, found: Alongs, which: Ints, total: Floats, *, walked: Floats) -> Overlaps:
    xy = np.column_stack([found.x[which], found.y[which]])
    along = [
        walked[vertex] - walked[lines.start[line]] + np.hypot(*(xy - lines.xy[vertex]).T)
        for vertex, line in ((found.vertex_a[which], found.line_a[which]), (found.vertex_b[which], found.line_b[which]))
    ]
    a, b = found.line_a[which], found.line_b[which]
    return Overlaps(lines.owner[a], lines.owner[b], total, a, b, along[0], along[1], xy)


def report_overlaps(network: Network, overlaps: Overlaps, *, findings: FindingList) -> None:
    """Tell what lies on one another, and in which exposed sections that counts twice.

    ``findings``: gets ``overlap``, ``overlap_at_joint`` for all that run in and out of one place, and ``overlap_apart``
    for all that share no exposed section.
    """
    if not len(overlaps.length_m):
        return
    pieces = [
        _pieces_at(network, line, along, cable)
        for line, along, cable in (
            (overlaps.line_a, overlaps.along_a, overlaps.cable_a),
            (overlaps.line_b, overlaps.along_b, overlaps.cable_b),
        )
    ]
    together = network.sections.share(pieces[0], pieces[1])
    turned = together & _meet_once(network, pieces[0], pieces[1])
    told = np.flatnonzero(together & ~turned)
    sections = [network.sections.over_both(int(pieces[0][k]), int(pieces[1][k])) for k in told[:NAMED]]
    words = [f" in the section of {_named(network, both)}" for both in sections]
    _report_pairs(network, overlaps, told, rule="overlap", words=words, findings=findings)
    for rule, rows in (("overlap_at_joint", np.flatnonzero(turned)), ("overlap_apart", np.flatnonzero(~together))):
        _report_pairs(network, overlaps, rows, rule=rule, words=[""] * NAMED, findings=findings)


def _meet_once(network: Network, first: Ints, second: Ints) -> Bools:
    """Pairs of pieces that have just one end in common: in and out of one place, as in one trench."""
    pieces = network.pieces
    ends = [(pieces.u[p], pieces.v[p]) for p in (first, second)]
    met = [(a == b).astype(np.int64) for a in ends[0] for b in ends[1]]
    return np.sum(met, axis=0) == 1


def _report_pairs(
    network: Network, overlaps: Overlaps, rows: Ints, *, rule: str, words: list[str], findings: FindingList
) -> None:
    """One finding, that names the longest with the words for each."""
    if len(rows):
        ids = network.tables.cables["cable_id"].to_numpy(object)
        a, b, length = ids[overlaps.cable_a[rows]], ids[overlaps.cable_b[rows]], overlaps.length_m[rows]
        named = zip(a[:NAMED], b[:NAMED], length[:NAMED], words, strict=False)
        findings.report(
            rule,
            ids=np.unique(np.concatenate([a, b])),
            pairs=len(rows),
            metres=length.sum(),
            named=", ".join(f"{one!r} and {other!r} {metres:.1f} m{where}" for one, other, metres, where in named),
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
    more = f" and {len(which) - DEVICES} more" if len(which) > DEVICES else ""
    return ", ".join(str(names[d]) for d in sections.device[which[:DEVICES]]) + more


def report_twins(tables: NetworkTables, *, findings: FindingList) -> tuple[int, Bools]:
    """Find cables drawn twice over the same line, in the same or the other direction; both count.

    ``findings``: gets ``drawn_twice``. Returns number of cables that lie on an earlier one; and the lines that do,
    shape (n_lines,).
    """
    lines = tables.lines
    double = np.zeros(len(lines.owner), bool)
    if not len(lines.owner):
        return 0, double
    mixed = _prints(lines)
    order = _met_again(mixed)
    again = np.flatnonzero(mixed[order][1:] == mixed[order][:-1])
    pairs = np.stack([lines.owner[order[again]], lines.owner[order[again + 1]]], axis=1)
    double[order[again + 1]] = True
    phases = tables.cables["phases"].to_numpy(np.uint8)
    # conductors of other phases on one line are one line
    kept = (pairs[:, 0] != pairs[:, 1]) & ((phases[pairs[:, 0]] & phases[pairs[:, 1]]) != 0)
    pairs, again = pairs[kept], again[kept]
    if len(pairs):
        ids = tables.cables["cable_id"].to_numpy(object)
        a, b = ids[pairs[0, 0]], ids[pairs[0, 1]]
        place = tables.lonlat(lines.xy[lines.start[order[again[0]]]])
        findings.report("drawn_twice", ids=ids[np.unique(pairs)], pairs=len(pairs), one=a, other=b, place=place)
    return len(pairs), double


def _met_again(numbers: NDArray[np.uint64]) -> Ints:
    """Rows whose number another row has, in order of number."""
    rising = np.sort(numbers)
    row = np.flatnonzero(np.isin(numbers, rising[1:][rising[1:] == rising[:-1]]))
    return row[np.argsort(numbers[row], kind="stable")]


def _prints(lines: Lines) -> NDArray[np.uint64]:
    """One number per line, the same in both directions, from both ends, the sum of all places (cm) and their number."""
    prints = np.empty(len(lines.owner), np.uint64)
    for which, xy, begin in some_lines(lines.xy, lines.start):
        places = np.rint(xy * 100).astype(np.int64)
        first, last = begin[:-1], begin[1:] - 1
        ends = _mixed(places[first]) + _mixed(places[last])
        prints[which] = ends ^ _mixed(np.add.reduceat(places, first, axis=0)) ^ np.diff(begin).astype(np.uint64)
    return prints


def _mixed(place: Ints) -> NDArray[np.uint64]:
    """Two whole numbers stirred into one (multiplying by large odd numbers and folding high bits down)."""
    x = place[:, 0].astype(np.uint64) * ODD[0] + place[:, 1].astype(np.uint64) * ODD[1]
    x ^= x >> np.uint64(31)
    x *= ODD[2]
    return x ^ (x >> np.uint64(29))
