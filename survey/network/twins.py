"""Cables that stand in the drawing twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.read.tables import NetworkTables


def report_twins(tables: NetworkTables, *, findings: FindingList) -> tuple[int, NDArray[np.bool_]]:
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
    places = np.round(lines.xy, 2)
    first, last = lines.start[:-1], lines.start[1:] - 1
    ends = np.stack([places[first], places[last]], axis=1)
    turned = (ends[:, 0, 0] > ends[:, 1, 0]) | ((ends[:, 0, 0] == ends[:, 1, 0]) & (ends[:, 0, 1] > ends[:, 1, 1]))
    ends[turned] = ends[turned][:, ::-1]
    sums = np.round(np.add.reduceat(places, first, axis=0), 2)
    key = pd.util.hash_array(np.ascontiguousarray(np.column_stack([ends.reshape(-1, 4), sums])).ravel()).reshape(-1, 6)
    mixed = key @ np.array([1, 3, 5, 7, 11, 13], np.uint64) + np.diff(lines.start).astype(np.uint64)
    order = np.argsort(mixed, kind="stable")
    again = np.flatnonzero(mixed[order][1:] == mixed[order][:-1])
    pairs = np.stack([lines.owner[order[again]], lines.owner[order[again + 1]]], axis=1)
    double[order[again + 1]] = True
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    if len(pairs):
        ids = tables.cables["cable_id"].to_numpy(object)
        a, b = ids[pairs[0, 0]], ids[pairs[0, 1]]
        findings.add(
            "warning",
            "drawn_twice",
            layer="cables",
            ids=ids[np.unique(pairs)],
            message=f"{len(pairs)} cables lie exactly on another one (first: {a!r} and {b!r}); both count, as parallel "
            "cables do; where one is a double record, take it out",
            place=tables.lonlat(lines.xy[lines.start[order[again[0]]]]),
        )
    return len(pairs), double
