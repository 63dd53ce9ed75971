"""Honest faults, planted into otherwise clean records: what real exports have. Each is listed with its ids."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from ledger import Ledger, Row
from shapely import LineString, Point
from shapely.ops import substring


@dataclass
class Planting:
    """Chooses records that nothing has been done to yet, and keeps the list of what was planted."""

    ledger: Ledger
    listed: list[Row] = field(default_factory=list)

    def choose(self, rows: list[Row], fits: Callable[[Row], bool]) -> Row:
        """One record that fits; never the same twice."""
        taken = {(row["layer"], row["id"]) for row in self.listed}
        key = next(name for name in ("cable_id", "site_id", "switch_id") if name in rows[0])
        layer = {"cable_id": "cables", "site_id": "transformers", "switch_id": "switches"}[key]
        free = [row for row in rows if fits(row) and (layer, row[key]) not in taken]
        return free[int(self.ledger.rng.integers(len(free)))]

    def note(self, fault: str, layer: str, asset_id: str, *, what: str) -> None:
        """List a fault."""
        self.listed.append({"fault": fault, "layer": layer, "id": asset_id, "what": what})


def plant(ledger: Ledger) -> list[Row]:
    """Plant every fault; returns their list."""
    planting = Planting(ledger)
    for kind in (_bad_transformer_values, _bad_banks_and_ids, _bad_places, _bad_cables, _bad_switches):
        kind(planting)
    return planting.listed


def _padmounted(district: str) -> Callable[[Row], bool]:
    return lambda row: row["phases"] == "ABC" and row["district"] == district and not row["critical"]


def _bad_transformer_values(planting: Planting) -> None:
    changes = (
        ("missing_kva", "Old Ferry", {"kva": None}, "rating not recorded"),
        ("negative_kv", "Larkmoor", {"kv": -12.47}, "voltage with a minus sign"),
        ("unknown_connection", "Quarry Park", {"connection": "zigzag?"}, "connection is no accepted code"),
        (
            "missing_connection",
            "Tanner Heights",
            {"connection": None, "core": None},
            "connection and core not recorded",
        ),
        ("missing_connection", "Quarry Park", {"connection": None, "core": None}, "connection and core not recorded"),
        ("unknown_core", "Old Ferry", {"core": "shell"}, "core is no accepted code"),
        ("zero_kva", "Upper Tamsin", {"kva": 0.0}, "rating recorded as 0"),
    )
    for fault, district, change, what in changes:
        row = planting.choose(planting.ledger.transformers, _padmounted(district))
        row.update(change)
        planting.note(fault, "transformers", row["site_id"], what=what)
    row = planting.choose(
        planting.ledger.transformers,
        lambda r: _padmounted("Quarry Park")(r) and r["nll_w"] and r["connection"] == "delta",
    )
    row["exc_pct"] = math.floor(row["nll_w"] / row["kva"] * 10) / 100
    planting.note("loss_as_exciting", "transformers", row["site_id"], what="exciting current holds only the core loss")


def _bad_banks_and_ids(planting: Planting) -> None:
    units = planting.ledger.transformers
    last = planting.choose(units, lambda row: row["bank_id"] is not None and row["phases"] == "C")
    units.remove(last)
    planting.note("incomplete_bank", "transformers", last["bank_id"], what="the unit on phase C is not in the export")
    kept, second = _two(planting, units, _padmounted("Larkmoor"), key="site_id")
    second["site_id"] = kept
    planting.note("duplicate_site_id", "transformers", kept, what="two transformers with one id")
    kept, second = _two(
        planting, planting.ledger.cables, lambda r: r["feeder"] == "FG-15" and r["build"] == "oh", key="cable_id"
    )
    for switch in planting.ledger.switches:
        if switch["guards"] == second["cable_id"]:
            switch["guards"] = None
    second["cable_id"] = kept
    planting.note("duplicate_cable_id", "cables", kept, what="two lines with one id")


def _two(planting: Planting, rows: list[Row], fits: Callable[[Row], bool], *, key: str) -> tuple[str, Row]:
    """Id of one record, and another record further down."""
    one = planting.choose(rows, fits)
    other = planting.choose(rows, lambda row: fits(row) and row is not one)
    first, second = sorted((one, other), key=lambda row: str(row[key]))
    return first[key], second


def _bad_places(planting: Planting) -> None:
    ledger = planting.ledger
    row = planting.choose(ledger.transformers, _padmounted("Upper Tamsin"))
    row["geometry"] = Point(row["geometry"].x + 45.0, row["geometry"].y + 30.0)
    planting.note("far_site", "transformers", row["site_id"], what="54 m from its cable")
    row = planting.choose(ledger.switches, lambda r: r["device"] == "cutout" and r["guards"] is None)
    row["geometry"] = Point(row["geometry"].x - 21.0, row["geometry"].y + 28.0)
    planting.note("far_switch", "switches", row["switch_id"], what="35 m from its pole")


def _bad_cables(planting: Planting) -> None:
    ledger = planting.ledger
    row = planting.choose(ledger.cables, lambda r: r["build"] == "ug" and r["length_m"] and r["feeder"] == "FG-11")
    row["length_m"] = round(row["length_m"] * 10, 1)
    planting.note("length_mismatch", "cables", row["cable_id"], what="recorded length ten times the drawn one")
    row = planting.choose(
        ledger.cables, lambda r: r["build"] == "ug" and r["feeder"] == "QP-22" and r["phases"] == "ABC"
    )
    row["cable_type"] = "3C-1/0 PILC belted 1938"
    planting.note("unknown_cable_type", "cables", row["cable_id"], what="type is not in the catalogue")
    _gap(planting)
    like = next(r for r in ledger.cables if r["feeder"] == "FG-14" and r["build"] == "ug")
    path = LineString([(1150, -2040), (1208, -2032), (1256, -2051)])
    if not ledger.is_clear(path, beyond_m=0.0):
        msg = "the dead cable touches another one"
        raise RuntimeError(msg)
    ledger.cables.append(dict(like, cable_id="C-14-9001", phases="ABC", length_m=None, cable_type=None, geometry=path))
    planting.note("dead_cable", "cables", "C-14-9001", what="left in the ground, joined to nothing")


def _gap(planting: Planting) -> None:
    """A cable that ends 1.8 m short of its riser, so that its site has no way to a supply."""
    ledger = planting.ledger
    with_elbow = {row["guards"] for row in ledger.switches}
    risers = [row["geometry"] for row in ledger.switches if row["device"] == "cutout" and row["guards"] is None]

    def fits(row: Row) -> bool:
        start = Point(row["geometry"].coords[0])
        return (
            row["build"] == "ug" and row["feeder"] == "QP-21" and row["cable_id"] not in with_elbow
            and any(start.distance(place) < 1 for place in risers) and _ends_at_one_site(row, ledger)
        )  # fmt: skip

    row = planting.choose(ledger.cables, fits)
    pole = Point(row["geometry"].coords[0])
    device = next(r for r in ledger.switches if r["geometry"].distance(pole) < 1 and r["device"] == "cutout")
    ledger.switches.remove(device)
    short = substring(row["geometry"], 1.8, row["geometry"].length)
    row["geometry"] = LineString(np.round(short.coords, 3))
    planting.note("gap", "cables", row["cable_id"], what="ends 1.8 m short of its riser, whose cutout is not recorded")
    end = Point(row["geometry"].coords[-1])
    site = next(r["site_id"] for r in ledger.transformers if r["geometry"].distance(end) < 1)
    planting.note("unreached_site", "transformers", site, what="behind that gap: no way to a supply")


def _ends_at_one_site(row: Row, ledger: Ledger) -> bool:
    """Whether the far end is a dead end with one whole transformer."""
    end = Point(row["geometry"].coords[-1])
    joined = [c for c in ledger.cables if c is not row and c["geometry"].distance(end) < 0.5]
    return not joined and sum(r["geometry"].distance(end) < 1 and _whole(r) for r in ledger.transformers) == 1


def _whole(row: Row) -> bool:
    """Whether a transformer could be assessed and can ring."""
    return bool(row["kva"] and row["kv"] > 0 and row["connection"] == "grounded_wye" and row["core"] == "five_legged")


def _closed(device: str) -> Callable[[Row], bool]:
    return lambda row: row["device"] == device and row["state"] == "closed"


def _bad_switches(planting: Planting) -> None:
    changes = (
        ("unknown_poles", "elbow", {"poles": "two"}, "poles is no accepted code"),
        ("unknown_state", "fused cutout", {"state": "N.C."}, "state is no accepted code"),
    )
    for fault, device, change, what in changes:
        row = planting.choose(planting.ledger.switches, _closed(device))
        row.update(change)
        planting.note(fault, "switches", row["switch_id"], what=what)
    row = planting.choose(planting.ledger.switches, _closed("elbow"))
    number = planting.ledger.switches.index(row)
    planting.note("null_switch_id", "switches", f"row {number}", what="no id; named here by its row, counted from 0")
    row["switch_id"] = None
