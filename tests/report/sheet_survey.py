"""Saved surveys of an invented town of any size, for the tests of the sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from survey.report.reread import SavedSurvey
from survey.report.tables import described_columns

GRID = CRS.from_epsg(32614)
CORNER = np.array([500_000.0, 4_000_000.0])


def _columns(table: str, rows: int) -> dict[str, Any]:
    missing = {"text": "", "integer": 0, "number": np.nan}
    return {column.name: [missing[column.kind]] * rows for column in described_columns(table)}


def site_table(places: np.ndarray, **changes: Any) -> pd.DataFrame:
    """Sites at places (n, 2) of the grid, in metres from its corner; ``changes`` replace columns."""
    count = len(places)
    number = np.arange(count)
    priority = np.linspace(99, 1, count) if count else np.empty(0)
    lon, lat = Transformer.from_crs(GRID, 4326, always_xy=True).transform(*(places + CORNER).T)
    values = {
        **_columns("sites", count),
        "rank": number + 1,
        "site_id": [f"T-{i:04d}" for i in number],
        "feeder": np.where(number % 3 == 0, "Feeder 2", "Feeder 1"),
        "district": "Harbour",
        "status": "assessed",
        "band": np.select([priority >= 90, priority >= 70, priority >= 40], ["severe", "high", "moderate"], "low"),
        "priority": priority,
        "hazard": priority,
        "kva": np.where(number % 2 == 0, 300.0, 112.5),
        "connection": "delta",
        "core": "five_legged",
        "switch_id": [f"S-{i // 4:03d}" for i in number],
        "worst_switch_id": [f"S-{i // 4:03d}" for i in number],
        "switch_device": "cutout",
        "path_length_m": 30.48 * (1 + number % 5),
        "exposed_cable_m": 304.8 + number,
        "peak_pu": 1.0 + number % 4,
        "peak_loaded_pu": 1.05,
        "hold_kw": 13.0,
        "action": [f"Switch three-pole at S-{i // 4:03d}, opening as well as closing" for i in number],
        "lon": lon,
        "lat": lat,
    }
    return pd.DataFrame({**values, **changes})


def streets(count: int, *, spacing_m: float = 55.0, seed: int = 7) -> np.ndarray:
    """Places along the streets of a town, a few of them far out; shape (count, 2)."""
    random = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(count)))
    number = np.arange(count)
    places = np.stack([number % side, number // side], axis=1) * spacing_m + random.normal(0, spacing_m / 5, (count, 2))
    places[::29] += random.uniform(-900, 900, (len(places[::29]), 2))
    return places


def saved_survey(sites: pd.DataFrame, *, record: dict[str, Any] | None = None) -> SavedSurvey:
    """A survey of these sites: cables from site to site, a point with its section for every four, others for states."""
    to_grid = Transformer.from_crs(4326, GRID, always_xy=True)
    xy = np.stack(to_grid.transform(sites["lon"].to_numpy(float), sites["lat"].to_numpy(float)), axis=1)
    placed = np.isfinite(xy).all(axis=1)
    points = np.full(len(sites), None, dtype=object)
    points[placed] = shapely.points(xy[placed])
    lines = [shapely.LineString([a, b]) for a, b in zip(xy[placed][:-1], xy[placed][1:], strict=True)]
    ids = sorted({*sites["switch_id"], *sites["tie_worst_id"]} - {""})
    named = [((sites["switch_id"] == name) | (sites["tie_worst_id"] == name)).to_numpy() for name in ids]
    firsts = [np.flatnonzero(placed & rows) for rows in named]
    switch_points = np.full(len(ids), None, dtype=object)
    for row, first in enumerate(firsts):
        if len(first):
            switch_points[row] = shapely.Point(xy[first[0]] + (9.0, 4.0))
    switches = pd.DataFrame(_columns("switching_points", len(ids))).assign(switch_id=ids)
    network = gpd.GeoDataFrame(
        {"cable_id": [f"C-{i}" for i in range(len(lines))], "shielded": [i % 4 > 0 for i in range(len(lines))]},
        geometry=lines, crs=GRID,
    )  # fmt: skip
    sections = gpd.GeoDataFrame(
        {"switch_id": ids, "top_priority": 50.0, "exposed_cable_m": 100.0},
        geometry=[shapely.MultiLineString([lines[f[0]]]) if len(f) and f[0] < len(lines) else None for f in firsts],
        crs=GRID,
    )
    findings = pd.DataFrame(_columns("findings", 0))
    return SavedSurvey(
        Path("OUT"), sites, switches, findings, points, switch_points, sections, network, GRID, record or {}
    )


def town(count: int, **changes: Any) -> SavedSurvey:
    """A survey of a town of so many sites."""
    return saved_survey(site_table(streets(count), **changes))
