"""How a what-if is told wherever its figures are shown: never as the network that stands."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from survey.fingerprint import COLUMN, what_if_words
from survey.read.tables import NetworkTables
from survey.result import SurveyResult
from survey.what_if.edits import Change

_TEXTS = {
    "three_pole": "{id} made three-pole",
    "add_three_pole": "three-pole device {id} added at {at}",
    "add_cable": "cable {id} added at {at}, {value} m",
    "cable_length": "cable {id}: {value} m",
    "transformer": "{id}: {field} {value}",
    "load": "{id}: dependable load {value} kW",
    "switch_state": "{id} {value}",
}


def change_text(change: Mapping[str, str]) -> str:
    """One change in words.

    Examples
    --------
    >>> change_text({"change": "switch_state", "id": "S-1", "value": "open"})
    'S-1 open'
    """
    return _TEXTS[change["change"]].format(**{"at": "", "field": "", "value": "", **change})


def marked_as_what_if(result: SurveyResult, changes: Sequence[Change]) -> SurveyResult:
    """The result with a column that says in every row of sites and switching points that it is hypothetical."""
    words = what_if_words({"changes": changes})
    tables = {name: getattr(result, name).assign(**{COLUMN: words}) for name in ("sites", "switching_points")}
    return replace(result, **tables)


def changes_shown(changes: Sequence[Change], tables: NetworkTables) -> list[dict[str, Any]]:
    """Each change with its words and its place (WGS 84, ``None`` where it has none), for people.

    ``tables``: the changed tables.
    """
    layers = (("switch_id", tables.switches), ("site_id", tables.transformers))
    places: dict[str, tuple[float, float]] = {}
    for name, table in layers:
        places |= dict(zip(table[name].astype(str), zip(table["x"], table["y"], strict=True), strict=True))
    shown = []
    for change in changes:
        at = tables.lonlat(np.array(places.get(change.id, (np.nan, np.nan)), np.float64))
        lon, lat = at or (None, None)
        shown.append({"id": change.id, "text": change_text(change.row()), "lon": lon, "lat": lat})
    return shown
