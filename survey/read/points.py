"""Point layers: switches and sources, and what transformers share with them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from survey.read.columns import Rows, plain_text, read_code, read_text, text_series
from survey.read.line_checks import report_drawing

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS

    from survey.read.coordinates import Places
    from survey.read.geometry import RawPoints


@dataclass(frozen=True)
class PointTable:
    """What a point layer gives: a table as in :class:`~survey.read.tables.NetworkTables`, and counts.

    ``other_xy``: places of records that are in no row of the table, shape (n, 2), metres.
    """

    table: pd.DataFrame
    counts: dict[str, int]
    other_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))


def place_columns(rows: Rows, drawn: RawPoints, *, places: Places, crs: CRS | None) -> dict[str, object]:
    """Columns ``node, x, y, lon, lat, row`` of a point layer; the drawing's faults are reported."""
    xy = drawn.xy if crs is None else places.to_working(drawn.xy, crs=crs)
    lost = np.isnan(xy).any(axis=1) & ~np.isnan(drawn.xy).any(axis=1)
    if lost.any():
        drawn.problems.setdefault("not_finite", []).extend(np.flatnonzero(lost).tolist())
    lonlat = places.to_lonlat(xy)
    node = text_series(plain_text(rows, "node"))
    done = "kept, but out of reach" if rows.name == "transformers" else "left out of the network"
    report_drawing(rows, drawn.problems, has_nodes=(node != "").to_numpy(np.bool_), done=done)
    x, y, lon, lat = xy[:, 0], xy[:, 1], lonlat[:, 0], lonlat[:, 1]
    return {"node": node, "x": x, "y": y, "lon": lon, "lat": lat, "row": rows.order}


def read_switches(rows: Rows, drawn: RawPoints, *, places: Places, crs: CRS | None) -> PointTable:
    """Clean the switch layer."""
    table = pd.DataFrame(
        {
            "switch_id": text_series(rows.ids),
            "single_pole": read_code(rows, "poles", fallback="single").codes == 0,
            "device": read_text(rows, "device"),
            "open": read_code(rows, "state", fallback="closed").codes == 1,
            "guards": text_series(plain_text(rows, "guards")),
            **place_columns(rows, drawn, places=places, crs=crs),
        },
        copy=False,
    )
    return _placed(table)


def read_sources(rows: Rows, drawn: RawPoints, *, places: Places, crs: CRS | None) -> PointTable:
    """Clean the source layer."""
    table = pd.DataFrame(
        {
            "source_id": text_series(rows.ids),
            "feeder": read_text(rows, "feeder"),
            **place_columns(rows, drawn, places=places, crs=crs),
        },
        copy=False,
    )
    return _placed(table)


def _placed(table: pd.DataFrame) -> PointTable:
    """Leave out what has neither a place nor a node; a finding names it already."""
    placed = (table["x"].notna() | (table["node"] != "")).to_numpy(np.bool_)
    counts = {"in": len(table), "used": int(placed.sum()), "unusable": int((~placed).sum())}
    return PointTable(table if placed.all() else table[placed].reset_index(drop=True), counts)
