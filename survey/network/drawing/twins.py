"""Cables that stand in the drawing twice."""

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Bools, Ints
from survey.findings import FindingList
from survey.read.tables import Lines, NetworkTables

ODD = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0xD6E8FEB86659FD93], np.uint64)


def report_twins(tables: NetworkTables, *, findings: FindingList) -> tuple[int, Bools]:
    """Find cables drawn twice over the same line, in the same or the other direction; both count.

    Parameters
    ----------
    findings
        Gets ``drawn_twice``.

    Returns
    -------
    Number of cables that lie on an earlier one; and the lines that do, shape (n_lines,).
    """
    lines = tables.lines
    double = np.zeros(len(lines.owner), bool)
    if not len(lines.owner):
        return 0, double
    mixed = _prints(lines)
    order = np.argsort(mixed, kind="stable")
    again = np.flatnonzero(mixed[order][1:] == mixed[order][:-1])
    pairs = np.stack([lines.owner[order[again]], lines.owner[order[again + 1]]], axis=1)
    double[order[again + 1]] = True
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    if len(pairs):
        ids = tables.cables["cable_id"].to_numpy(object)
        a, b = ids[pairs[0, 0]], ids[pairs[0, 1]]
        place = tables.lonlat(lines.xy[lines.start[order[again[0]]]])
        findings.report("drawn_twice", ids=ids[np.unique(pairs)], pairs=len(pairs), one=a, other=b, place=place)
    return len(pairs), double


def _prints(lines: Lines) -> NDArray[np.uint64]:
    """One number per line, the same in both directions, from both ends, the sum of all places (cm) and their number."""
    places = np.rint(lines.xy * 100).astype(np.int64)
    first, last = lines.start[:-1], lines.start[1:] - 1
    ends = _mixed(places[first]) + _mixed(places[last])
    return ends ^ _mixed(np.add.reduceat(places, first, axis=0)) ^ np.diff(lines.start).astype(np.uint64)


def _mixed(place: Ints) -> NDArray[np.uint64]:
    """Two whole numbers stirred into one (multiplying by large odd numbers and folding high bits down)."""
    x = place[:, 0].astype(np.uint64) * ODD[0] + place[:, 1].astype(np.uint64) * ODD[1]
    x ^= x >> np.uint64(31)
    x *= ODD[2]
    return x ^ (x >> np.uint64(29))
