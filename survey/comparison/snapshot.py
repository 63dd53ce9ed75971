"""The tables of one survey as they are compared: rounded as they are written, keyed by site."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from survey.report.tables import TableName, described_columns

POINT_COLUMNS = ("open_points", "exposed_cable_m", "exposed_sites", "exposed_kva", "cap_nf", "charge_loss", "xc_xm")
"""What the worst point of a site is compared by, beside the site's own columns."""


@dataclass(frozen=True)
class Snapshot:
    """One survey.

    ``sites`` index ``site_id``; the columns of the sites table, and those of its worst point with ``point_`` before
    their name; ``settings`` as in ``run.json``; ``version`` of the survey that made it; ``open_devices`` ids of the
    devices that are open in the normal state.
    """

    sites: pd.DataFrame
    settings: Mapping[str, Any]
    version: str
    open_devices: frozenset[str]


def take_snapshot(sites: pd.DataFrame, switching_points: pd.DataFrame, *, record: Mapping[str, Any]) -> Snapshot:
    """Round the tables as they are written, and put the worst point's figures beside each site.

    ``record``: content of ``run.json``, or as much of it as is compared: ``settings, survey, open_devices``.
    """
    table = _rounded(sites, "sites").set_index("site_id", drop=False)
    if "own_id" not in table.columns:
        table["own_id"] = table["site_id"]
    points = _rounded(switching_points, "switching_points").set_index("switch_id")
    if "open_points" not in points.columns:
        points["open_points"] = ""
    worst = points.reindex(table["worst_switch_id"])[list(POINT_COLUMNS)].reset_index(drop=True)
    worst["open_points"] = worst["open_points"].fillna("")
    worst.index = table.index
    return Snapshot(
        table.join(worst.add_prefix("point_")),
        record["settings"],
        str(record["survey"]),
        frozenset(record.get("open_devices", ())),
    )


def _rounded(frame: pd.DataFrame, name: TableName) -> pd.DataFrame:
    out = frame.copy(deep=False)
    for column in described_columns(name):
        if column.name not in out.columns:
            continue
        if column.kind == "text":
            out[column.name] = out[column.name].fillna("").astype(object)
        else:
            numbers = out[column.name].to_numpy(np.float64, na_value=np.nan)
            out[column.name] = np.round(numbers, column.decimals)
    return out
