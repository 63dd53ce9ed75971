"""Point layers: switches and sources, and what transformers share with them."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS

from survey.arrays import Bools, Floats
from survey.read.columns import MISSING, Rows, plain_text, read_code, read_number, read_text, text_series
from survey.read.coordinates import Places
from survey.read.geometry import RawPoints, report_drawing
from survey.read.tables import PHASE_A, PHASE_B, PHASE_C, THREE_PHASE, no_units

SINGLE, PRESUMED = 0, 2  # places in the codes of poles
POLE_STATES = ("state_a", "state_b", "state_c")


@dataclass(frozen=True)
class PointTable:
    """What a point layer gives: a table as in :class:`~survey.read.tables.NetworkTables`, and counts.

    ``other_xy``: places of records that are in no row of the table, shape (n, 2), metres; ``one_phase``: those on one
    phase or between two.
    """

    table: pd.DataFrame
    counts: dict[str, int]
    other_xy: Floats = field(default_factory=lambda: np.empty((0, 2)))
    one_phase: pd.DataFrame = field(default_factory=no_units)


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
    poles = read_code(rows, "poles", fallback="single").codes
    single_pole, presumed = poles == SINGLE, poles == PRESUMED
    rows.report("poles_presumed", where=presumed)
    open_phases = _open_phases(rows, single_pole=single_pole)
    table = pd.DataFrame(
        {
            "switch_id": text_series(rows.ids),
            "single_pole": single_pole,
            "presumed": presumed,
            "device": read_text(rows, "device"),
            "address": read_text(rows, "address"),
            "open": open_phases == THREE_PHASE,
            "open_phases": open_phases,
            "arrester": read_code(rows, "arrester", fallback="unknown").texts(),
            "ops_year": read_number(rows, "ops_year", then="that of the kind of device is used").si,
            "guards": text_series(plain_text(rows, "guards")),
            **place_columns(rows, drawn, places=places, crs=crs),
        },
        copy=False,
    )
    return _placed(table)


def _open_phases(rows: Rows, *, single_pole: Bools) -> NDArray[np.uint8]:
    """Mask of the open poles: by the state of each where one is recorded, else by that of the device.

    A pole that records none, beside one that does, is taken as open where all those are: it is often not there.
    """
    states = np.array([read_code(rows, field, fallback="closed").codes for field in POLE_STATES])
    known = states != MISSING
    told = known.any(axis=0)
    whole = read_code(rows, "state", fallback="closed", told=told).codes == 1
    is_open = np.where(known, states == 1, (known <= (states == 1)).all(axis=0))
    differ = told & is_open.any(axis=0) & ~is_open.all(axis=0) & ~single_pole
    rows.report("poles_differ", where=differ)
    rows.report("open_on_some_poles", where=told & is_open.any(axis=0) & ~is_open.all(axis=0) & single_pole)
    rows.report("state_differs", where=told & whole & ~is_open.any(axis=0))
    by_pole = np.array([PHASE_A, PHASE_B, PHASE_C], np.uint8) @ is_open.astype(np.uint8)
    by_device = np.where(whole, np.uint8(THREE_PHASE), np.uint8(0))
    return np.asarray(np.where(differ, np.uint8(0), np.where(told, by_pole, by_device)), np.uint8)


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
