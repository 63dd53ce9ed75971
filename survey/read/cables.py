"""The cable layer: rows and drawn lines → clean table and :class:`~survey.read.tables.Lines`."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyproj import CRS

from survey.arrays import Bools, Floats
from survey.read.columns import (
    Rows,
    plain_text,
    read_category,
    read_code,
    read_number,
    read_phases,
    text_series,
)
from survey.read.coordinates import Places
from survey.read.geometry import RawLines, drop_unusable, report_drawing, report_lengths, report_line_shapes
from survey.read.tables import Lines
from survey.settings import NetworkSettings


@dataclass(frozen=True)
class Cables:
    """What the cable layer gives.

    ``table``, ``lines`` as in :class:`~survey.read.tables.NetworkTables`; ``counts`` rows in, used, and named in
    findings as unusable.
    """

    table: pd.DataFrame
    lines: Lines
    counts: dict[str, int]


def read_cables(rows: Rows, drawn: RawLines, *, places: Places, crs: CRS | None, settings: NetworkSettings) -> Cables:
    """Clean the cable layer.

    ``rows``: the records. ``drawn``: their lines, in the coordinates of the layer. ``places``, ``crs``: the working
    system, and that of the layer. ``settings``: tolerances of recorded against drawn lengths.
    """
    if crs is not None:
        moved = places.to_working(drawn.xy, crs=crs)
        if moved is not drawn.xy:
            drawn.xy = moved
            drop_unusable(drawn)
    ground_m = drawn.length if places.true_scale else places.line_lengths(drawn.xy, drawn.start)
    lines = Lines(drawn.xy, drawn.start, drawn.owner, ground_m)
    table = _fields(rows)
    table["drawn_m"] = _drawn_lengths(lines, rows=len(rows))
    usable = _report_geometry(rows, drawn, table)
    report_line_shapes(rows, drawn, settings=settings)
    report_lengths(
        rows, recorded_m=table["length_m"].to_numpy(), drawn_m=table["drawn_m"].to_numpy(), settings=settings
    )
    counts = {"in": len(rows), "used": int(usable.sum()), "unusable": int((~usable).sum())}
    if usable.all():
        return Cables(table, lines, counts)
    # An unusable cable has no line, so that only the owners move.
    owner = (np.cumsum(usable) - 1)[lines.owner]
    return Cables(table[usable].reset_index(drop=True), Lines(lines.xy, lines.start, owner, lines.ground_m), counts)


def _fields(rows: Rows) -> pd.DataFrame:
    missing = "counted as missing"
    return pd.DataFrame(
        {
            "cable_id": text_series(rows.ids),
            "feeder": read_category(rows, "feeder"),
            "phases": read_phases(rows),
            "voltage_v": read_number(rows, "kv", then=missing).si,
            "shielded": read_code(rows, "build", fallback="ug").codes == 0,
            "cable_type": read_category(rows, "cable_type"),
            "cap_f_m": read_number(rows, "cap_nf_km", then=missing).si,
            "length_m": read_number(
                rows, "length_m", then="the drawn length is used", zero_rule="length_not_recorded"
            ).si,
            **_nodes(rows),
            "row": rows.order,
        },
        copy=False,
    )


def _nodes(rows: Rows) -> dict[str, pd.Series]:
    """Both node ids, or none: one alone says nothing of where the cable goes."""
    one, other = plain_text(rows, "from_node"), plain_text(rows, "to_node")
    if not rows.columns.keys() & {"from_node", "to_node"}:
        return {"from_node": text_series(one), "to_node": text_series(other)}
    empty_one, empty_other = _empty(one), _empty(other)
    half = empty_one != empty_other
    rows.report("half_nodes", where=half)
    same = ~empty_one & ~half & pc.equal(one, other).to_numpy(zero_copy_only=False)
    rows.report("same_nodes", where=same)
    if half.any():
        one, other = (pc.if_else(pa.array(half), "", text) for text in (one, other))
    return {"from_node": text_series(one), "to_node": text_series(other)}


def _empty(text: pa.LargeStringArray) -> Bools:
    empty: Bools = pc.equal(pc.binary_length(text), 0).to_numpy(zero_copy_only=False)
    return empty


def _drawn_lengths(lines: Lines, *, rows: int) -> Floats:
    drawn = np.full(rows, np.nan)
    total = np.bincount(lines.owner, weights=lines.ground_m, minlength=rows)
    drawn[lines.owner] = total[lines.owner]
    return drawn


def _report_geometry(rows: Rows, drawn: RawLines, table: pd.DataFrame) -> Bools:
    """Name the cables without a usable line; return which cables have a place in the network at all."""
    has_nodes = (table["from_node"] != "").to_numpy(np.bool_)
    has_line = table["drawn_m"].notna().to_numpy()
    report_drawing(rows, drawn.problems, has_nodes=has_nodes, done="they were left out of the network")
    return np.asarray(has_line | has_nodes)
