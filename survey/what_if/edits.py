"""What-if: changes to the network that are tried without touching the export.

A list of changes is a CSV file, one change a row:

====================  ===============  ==========================================================================
change                id               more columns
====================  ===============  ==========================================================================
``three_pole``        switch           none: the device becomes a three-pole one
``add_three_pole``    a new switch id  ``at``: ``site:ID``, or ``cable:ID:from`` / ``cable:ID:to`` (an end of a cable)
``add_cable``         a new cable id   ``at`` and, unless it ends freely, ``to``: places as above; ``like``: the cable
                                       whose build, type, phases, voltage and feeder it takes; ``value``: length, m
``cable_length``      cable            ``value``: length, m
``transformer``       site             ``field``: ``kva, kv, connection, core, nll_w, exc_pct``; ``value``
``load``              site             ``value``: dependable secondary load, kW
``switch_state``      switch           ``value``: ``open`` or ``closed``
====================  ===============  ==========================================================================

A transformer that gets another ``kva``, ``kv``, ``connection`` or ``core`` is another transformer: its no-load loss and
exciting current are taken as not recorded unless rows of the same list give them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Floats, Objects
from survey.errors import SettingsError
from survey.lists import read_list
from survey.network.topology.placement import is_added
from survey.physics.families import CONNECTIONS, CORES
from survey.read.tables import THREE_PHASE, Lines, NetworkTables

COLUMNS = ("change", "id", "field", "value", "at", "to", "like", "note")
STUB_M = 1.0
"""Drawn length of an added cable that ends freely; its electrical length is its ``value``."""

TRANSFORMER_FIELDS: dict[str, tuple[str, float]] = {
    "kva": ("rating_va", 1e3),
    "kv": ("voltage_v", 1e3),
    "nll_w": ("no_load_loss_w", 1.0),
    "exc_pct": ("exciting_pu", 0.01),
}


@dataclass(frozen=True)
class Change:
    """One change to try; fields as in the table above, all text.

    ``origin`` says where it was read, for refusals.
    """

    change: str
    id: str
    field: str = ""
    value: str = ""
    at: str = ""
    to: str = ""
    like: str = ""
    note: str = ""
    origin: str = "change"

    def row(self) -> dict[str, str]:
        """The change as a row of the CSV file."""
        return {name: value for name, value in asdict(self).items() if name != "origin"}

    def refuse(self, problem: str) -> SettingsError:
        """A refusal that names the row."""
        return SettingsError(f"{self.origin}: {self.change} {self.id!r}: {problem}")


def read_changes(path: Path) -> tuple[Change, ...]:
    """Read a list of changes.

    Raises ``SettingsError``: the file cannot be read, lacks a column, or holds an unknown change.
    """
    rows = read_list(path, "changes", needed=COLUMNS[:2], optional=COLUMNS[2:], others=False)
    return tuple(_known(Change(**row, origin=where)) for where, row in rows)


def _known(change: Change) -> Change:
    if change.change not in _APPLIERS:
        raise change.refuse(f"is not a known change; choices: {', '.join(_APPLIERS)}")
    if not change.id:
        raise change.refuse("has no id; name the asset")
    return change


def changes_from_record(rows: Iterable[dict[str, str]]) -> tuple[Change, ...]:
    """Changes as ``run.json`` keeps them.

    Raises ``SettingsError``: one is not known, or names no asset.
    """
    return tuple(_known(Change(**row, origin=f"run.json, change {k}")) for k, row in enumerate(rows, start=1))


def apply_changes(tables: NetworkTables, changes: Sequence[Change]) -> NetworkTables:
    """The tables as they would be with the changes made, in the order of the list.

    Raises ``SettingsError``: a change names an asset that is not there, one that is there already, or a value that
    cannot be.
    """
    if not changes:
        return tables
    edited = _Edit(tables)
    for change in changes:
        _APPLIERS[change.change](edited, change)
    edited.forget_nameplates()
    return edited.finish()


class _Edit:
    """Tables under change; rows of the originals are never touched."""

    def __init__(self, tables: NetworkTables) -> None:
        self.tables = tables
        self.cables = tables.cables.copy()
        self.sites = tables.transformers.copy()
        self.switches = tables.switches.copy()
        self.switches["placed_single"] = self.switches.get("placed_single", self.switches["single_pole"])
        self.switches["placed_open"] = self.switches.get("placed_open", self.switches["open"])
        self.switches["added"] = is_added(self.switches)
        self.new_switches: list[dict[str, Any]] = []
        self.new_cables: list[dict[str, Any]] = []
        self.new_lines: list[Floats] = []
        self.replaced: dict[int, set[str]] = {}
        self._rows: dict[str, dict[str, int]] = {}

    @cached_property
    def ends(self) -> tuple[Objects, ...]:
        """Nodes at the ends of the cables, and their ids."""
        return tuple(self.tables.cables[name].to_numpy(object) for name in ("from_node", "to_node", "cable_id"))

    def find(self, layer: str, asset: str, *, change: Change) -> int:
        """Row of an asset."""
        row = self._rows_of(layer).get(asset, -1)
        if row < 0:
            raise change.refuse(f"no such asset among the {layer}: {asset!r}; check the id")
        return row

    def name_new(self, layer: str, change: Change) -> None:
        """Take the id of a change for a new asset; refuse one that is there already."""
        if change.id in self._rows_of(layer):
            raise change.refuse("is there already; give a new id")
        self._rows_of(layer)[change.id] = -1

    def _rows_of(self, layer: str) -> dict[str, int]:
        """Row by id of the assets of a layer; -1 of new ones."""
        if layer not in self._rows:
            ids = getattr(self, layer).iloc[:, 0].to_numpy(object)
            self._rows[layer] = {str(asset): row for row, asset in enumerate(ids)}
        return self._rows[layer]

    def forget_nameplates(self) -> None:
        """Another transformer has another no-load loss and exciting current."""
        for row, fields in self.replaced.items():
            if fields & {"kva", "kv", "connection", "core"}:
                lost = [TRANSFORMER_FIELDS[f][0] for f in ("nll_w", "exc_pct") if f not in fields]
                self.sites.loc[self.sites.index[row], lost] = np.nan

    def finish(self) -> NetworkTables:
        """The changed tables; added devices come first, so that on one cable end they stand next to the node."""
        switches = _with_rows(self.switches, self.new_switches, first=True)
        cables = _with_rows(self.cables, self.new_cables, first=False)
        lines = _with_lines(self.tables.lines, self.new_lines, first_owner=len(self.cables))
        return replace(self.tables, cables=cables, transformers=self.sites, switches=switches, lines=lines)


def _with_rows(frame: pd.DataFrame, rows: list[dict[str, Any]], *, first: bool) -> pd.DataFrame:
    if not rows:
        return frame
    added = pd.DataFrame(rows, columns=list(frame.columns)).astype(frame.dtypes.to_dict())
    return pd.concat([added, frame] if first else [frame, added], ignore_index=True)


def _with_lines(lines: Lines, new: list[Floats], *, first_owner: int) -> Lines:
    if not new:
        return lines
    length = [float(np.hypot(*np.diff(xy, axis=0).T).sum()) for xy in new]
    last = lines.start[-1]
    return Lines(
        xy=np.concatenate([lines.xy, *new]),
        start=np.concatenate([lines.start, last + np.cumsum([len(xy) for xy in new])]),
        owner=np.concatenate([lines.owner, first_owner + np.arange(len(new))]),
        ground_m=np.concatenate([lines.ground_m, length]),
    )


@dataclass(frozen=True)
class Place:
    """A place named in a change: ``node`` id or coordinates in planar metres, and the cable that ends there."""

    node: str
    xy: Floats
    cable: str = ""


def find_place(edit: _Edit, text: str, *, change: Change) -> Place:
    """The place that ``site:ID`` or ``cable:ID:from`` / ``cable:ID:to`` names.

    Raises ``SettingsError``: it is written otherwise, or names no asset.
    """
    kind, _, rest = text.partition(":")
    if kind == "site" and rest:
        row, sites = edit.find("sites", rest, change=change), edit.sites
        xy = np.array([sites["x"].iloc[row], sites["y"].iloc[row]], np.float64)
        return Place(str(sites["node"].iloc[row]), xy)
    cable, _, end = rest.rpartition(":")
    if kind != "cable" or not cable or end not in ("from", "to"):
        raise change.refuse(f"found place {text!r}; expected site:ID, cable:ID:from or cable:ID:to")
    found = edit.find("cables", cable, change=change)
    return _cable_end(edit, found, end=end)


def _cable_end(edit: _Edit, row: int, *, end: str) -> Place:
    """One end of a cable, by its node id where the topology has them."""
    lines, (start, stop, names) = edit.tables.lines, edit.ends
    node = str((start, stop)[end == "to"][row]) if start[row] and stop[row] else ""
    first, last = np.searchsorted(lines.owner, [row, row + 1])
    xy = np.full(2, np.nan)
    if first < last:
        xy = lines.xy[lines.start[first] if end == "from" else lines.start[last] - 1]
    return Place(node, xy, str(names[row]))


def _three_pole(edit: _Edit, change: Change) -> None:
    row = edit.find("switches", change.id, change=change)
    edit.switches.loc[edit.switches.index[row], ["single_pole", "presumed"]] = False
    _set_state(edit, row, is_open=bool(edit.switches["open"].iloc[row]))


def _switch_state(edit: _Edit, change: Change) -> None:
    row = edit.find("switches", change.id, change=change)
    if change.value not in ("open", "closed"):
        raise change.refuse(f"found value {change.value!r}; expected open or closed")
    _set_state(edit, row, is_open=change.value == "open")


def _set_state(edit: _Edit, row: int, *, is_open: bool) -> None:
    """Open or close all poles of a device."""
    at = edit.switches.index[row]
    edit.switches.loc[at, "open"] = is_open
    edit.switches.loc[at, "open_phases"] = THREE_PHASE if is_open else 0


def _add_three_pole(edit: _Edit, change: Change) -> None:
    edit.name_new("switches", change)
    place = find_place(edit, change.at, change=change)
    lonlat = edit.tables.lonlat(place.xy) or (np.nan, np.nan)
    edit.new_switches.append(
        {
            "switch_id": change.id,
            "single_pole": False,
            "presumed": False,
            "placed_single": False,
            "added": True,
            "device": "three-pole switch (what-if)",
            "open": False,
            "placed_open": False,
            "open_phases": 0,
            "guards": place.cable,
            "node": place.node,
            "x": place.xy[0],
            "y": place.xy[1],
            "lon": lonlat[0],
            "lat": lonlat[1],
            "row": -1,
        }
    )


def _add_cable(edit: _Edit, change: Change) -> None:
    edit.name_new("cables", change)
    like = edit.find("cables", change.like, change=change)
    length = _number(change)
    start = find_place(edit, change.at, change=change)
    end = find_place(edit, change.to, change=change) if change.to else None
    stop = Place(f"{change.id} (free end)", start.xy + np.array([0.0, STUB_M])) if end is None else end
    row: dict[str, Any] = {str(name): value for name, value in edit.cables.iloc[like].items()} | {
        "cable_id": change.id,
        "length_m": length,
        "drawn_m": np.nan,
        "from_node": start.node if start.node else "",
        "to_node": stop.node if start.node else "",
        "row": -1,
    }
    ends = np.array([_joint(edit.tables, start), stop.xy if end is None else _joint(edit.tables, stop)])
    edit.new_cables.append(row)
    if np.isfinite(ends).all():
        edit.new_lines.append(ends)


def _joint(tables: NetworkTables, place: Place) -> Floats:
    """Where a cable must end to be joined at a place: the nearest cable end, or vertex, to it."""
    lines = tables.lines
    if not len(lines.xy) or not np.isfinite(place.xy).all():
        return place.xy
    ends = lines.xy[np.concatenate([lines.start[:-1], lines.start[1:] - 1])]
    return ends[np.argmin(np.hypot(*(ends - place.xy).T))]


def _cable_length(edit: _Edit, change: Change) -> None:
    row = edit.find("cables", change.id, change=change)
    edit.cables.loc[edit.cables.index[row], "length_m"] = _number(change)


def _load(edit: _Edit, change: Change) -> None:
    row = edit.find("sites", change.id, change=change)
    edit.sites.loc[edit.sites.index[row], "min_load_w"] = _number(change, least=0.0) * 1e3


def _transformer(edit: _Edit, change: Change) -> None:
    row = edit.find("sites", change.id, change=change)
    where = edit.sites.index[row]
    words = {"connection": CONNECTIONS, "core": CORES}
    if change.field in words:
        if change.value not in words[change.field]:
            raise change.refuse(f"found {change.field} {change.value!r}; choices: {', '.join(words[change.field])}")
        edit.sites.loc[where, change.field] = change.value
    elif change.field in TRANSFORMER_FIELDS:
        column, factor = TRANSFORMER_FIELDS[change.field]
        edit.sites.loc[where, column] = _number(change) * factor
    else:
        choices = ", ".join([*TRANSFORMER_FIELDS, *words])
        raise change.refuse(f"found field {change.field!r}; choices: {choices}")
    edit.replaced.setdefault(row, set()).add(change.field)
    rated = edit.sites.loc[where, ["rating_va", "voltage_v"]].to_numpy(np.float64)
    edit.sites.loc[where, "usable"] = bool(np.isfinite(rated).all() and (rated > 0).all())


def _number(change: Change, *, least: float | None = None) -> float:
    try:
        number = float(change.value)
    except ValueError:
        number = np.nan
    good = np.isfinite(number) and (number > 0 if least is None else number >= least)
    if not good:
        expected = "a number above 0" if least is None else "a number of 0 or more"
        raise change.refuse(f"found value {change.value!r}; expected {expected}")
    return number


_APPLIERS: dict[str, Callable[[_Edit, Change], None]] = {
    "three_pole": _three_pole,
    "add_three_pole": _add_three_pole,
    "add_cable": _add_cable,
    "cable_length": _cable_length,
    "transformer": _transformer,
    "load": _load,
    "switch_state": _switch_state,
}
