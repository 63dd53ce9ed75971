"""Sites new, gone, better and worse between two surveys, one line a site."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

import survey
from survey.arrays import Bools
from survey.comparison.causes import Pair, find_causes
from survey.comparison.snapshot import Snapshot, take_snapshot
from survey.result import SurveyResult

CHANGES = ("worse", "new", "unknown", "same", "gone", "better")
"""In order of how soon to look at them."""
MEANINGS = {
    "unknown": "could be assessed in one of the two surveys only",
    "same": "priority as before, though something behind it changed",
}
"""Kinds of change that do not say all by their name."""

COLUMNS: dict[str, int | None] = {
    "site_id": None, "change": None, "priority_old": 1, "priority_new": 1, "score_old": 1, "score_new": 1,
    "band_old": None, "band_new": None, "status_old": None, "status_new": None, "switch_old": None, "switch_new": None,
    "worst_old": None, "worst_new": None, "causes": None, "why": None, "detail": None, "feeder": None,
    "district": None, "lon": 7, "lat": 7,
}  # fmt: skip
BASE_COLUMNS = {
    "base_band": "band_old",
    "base_score": "score_old",
    "base_prio": "priority_old",
    "base_worst": "worst_old",
    "change": "change",
    "why": "why",
}
"""Columns a what-if adds to the sites, and where they come from."""


def compare_sites(old: Snapshot, new: Snapshot, *, every: bool = False) -> pd.DataFrame:
    """One line for every site that changed.

    ``every``: also list the sites of which nothing changed. Returns columns :data:`COLUMNS`; worse first, then by how
    much, then by id. See :data:`MEANINGS`.
    """
    ids = old.sites.index.union(new.sites.index, sort=True)
    a, b = old.sites.reindex(ids), new.sites.reindex(ids)
    in_old, in_new = ids.isin(old.sites.index), ids.isin(new.sites.index)
    both = in_old & in_new
    pair = Pair(a[both], b[both])
    causes, why, detail = (np.full(len(ids), "", object) for _ in range(3))
    reasons = find_causes(old, new, pair)
    causes[both], why[both], detail[both] = reasons.names, reasons.short, reasons.full
    causes[~both] = np.where(in_new[~both], "new", "gone")
    why[~both] = detail[~both] = np.where(in_new[~both], "not in the old survey", "not in the new survey")
    table = _table(ids, a, b, in_new)
    before, after = a["priority"].to_numpy(float), b["priority"].to_numpy(float)
    half = np.isnan(before) != np.isnan(after)
    conditions = [~in_old, ~in_new, half, after > before, after < before]
    table["change"] = np.select(conditions, ["new", "gone", "unknown", "worse", "better"], "same").astype(object)
    table["causes"], table["why"], table["detail"] = causes, why, detail
    kept = table if every else table[(table["change"] != "same") | (table["causes"] != "")]
    return _ordered(kept)[list(COLUMNS)]


def _table(ids: pd.Index[Any], a: pd.DataFrame, b: pd.DataFrame, in_new: Bools) -> pd.DataFrame:
    names = {"priority": "priority", "score": "score", "band": "band", "status": "status", "switch": "switch_id",
             "worst": "worst_switch_id"}  # fmt: skip
    table = pd.DataFrame({"site_id": ids.to_numpy(object)})
    for name, column in names.items():
        for when, side in (("old", a), ("new", b)):
            values = side[column]
            text = not pd.api.types.is_numeric_dtype(values)
            table[f"{name}_{when}"] = (values.fillna("") if text else values).to_numpy()
    for name in ("feeder", "district", "lon", "lat"):
        table[name] = np.where(in_new, b[name].to_numpy(object), a[name].to_numpy(object))
    return table


def _ordered(table: pd.DataFrame) -> pd.DataFrame:
    rank = table["change"].map({name: k for k, name in enumerate(CHANGES)}).to_numpy(np.int64)
    before, after = (np.nan_to_num(table[f"priority_{when}"].to_numpy(float)) for when in ("old", "new"))
    order = np.lexsort((np.arange(len(table)), -np.round(np.abs(after - before), 6), rank))
    return table.iloc[order].reset_index(drop=True)


def with_base(result: SurveyResult, base: SurveyResult) -> SurveyResult:
    """The result with what the network as it is says of every site, and why the two differ."""
    lines = compare_sites(snapshot_of(base), snapshot_of(result), every=True).set_index("site_id")
    sites = result.sites.copy(deep=False)
    mine = lines.reindex(sites["site_id"])
    for name, column in BASE_COLUMNS.items():
        sites[name] = mine[column].to_numpy()
    return replace(result, sites=sites)


def snapshot_of(result: SurveyResult) -> Snapshot:
    """A result as it is compared."""
    return take_snapshot(
        result.sites,
        result.switching_points,
        record={
            "settings": result.settings.model_dump(mode="json"),
            "survey": survey.__version__,
            "open_devices": result.record["open_devices"],
        },
    )
