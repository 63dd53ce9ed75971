"""Exports that make naive programs slow: all on one line, in one place, or wrong. Work may grow as the input does."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

import survey
from survey.assess import collect
from survey.library import Survey

CRS, ORIGIN, STEP_M = 32614, np.array([500_000.0, 4_000_000.0]), 20.0
MOST_S = 30.0
"""Of the processor; an hour and more where work grows with the square."""


def on_line(steps: Sequence[int] | NDArray[np.int64]) -> NDArray[np.object_]:
    """Points so many steps along the line."""
    along = np.asarray(steps, float) * STEP_M
    return shapely.points(np.stack([along, 0 * along], axis=1) + ORIGIN)


def line_of(cables: int) -> gpd.GeoDataFrame:
    """Shielded cables end to end."""
    ends = shapely.get_coordinates(on_line(np.arange(cables + 1)))
    columns = {"cable_id": [f"C{k}" for k in range(cables)], "kv": 12.47, "phases": "ABC", "build": "ug"}
    lines = shapely.linestrings(np.stack([ends[:-1], ends[1:]], axis=1))
    return gpd.GeoDataFrame(columns | {"cable_type": "1/0 XLPE 15kV 133%"}, geometry=lines, crs=CRS)


def surveyed(
    folder: Path, cables: gpd.GeoDataFrame, *, sites: Sequence[int], points: Sequence[int], guards: Sequence[str]
) -> Survey:
    """Survey and write in reasonable time."""
    site = {"site_id": [f"T{k}" for k in range(len(sites))], "kv": 12.47, "kva": 300.0, "connection": "delta"}
    switch = {"switch_id": [f"S{k}" for k in range(len(points))], "device": "cutout", "poles": "single"}
    layers = {
        "cables": cables,
        "transformers": gpd.GeoDataFrame(site | {"phases": "ABC"}, geometry=on_line(sites), crs=CRS),
        "switches": gpd.GeoDataFrame(switch | {"guards": guards}, geometry=on_line(points), crs=CRS),
        "sources": gpd.GeoDataFrame({"source_id": ["Q"]}, geometry=on_line([0]), crs=CRS),
    }
    (folder / "net").mkdir()
    for name, frame in layers.items():
        frame.to_parquet(folder / "net" / f"{name}.parquet")
    began = time.process_time()
    result = survey.run(folder / "net", study=False)
    result.save(folder / "out")
    assert time.process_time() - began < MOST_S
    return result


def test_a_line_of_many_cables_with_sites_all_along(tmp_path: Path) -> None:
    cables, sites = 5_000, range(10, 5_000, 20)
    result = surveyed(tmp_path, line_of(cables), sites=sites, points=[1], guards=["C1"])
    assert result.switching_points["exposed_cable_m"].tolist() == [(cables - 1) * STEP_M]
    assert result.switching_points["exposed_sites"].tolist() == [len(sites)]
    pieces = gpd.read_file(tmp_path / "out/survey.gpkg", layer="path_pieces")
    assert pieces.length.sum() == pytest.approx((max(sites) - 1) * STEP_M, abs=1e-3)


def test_a_site_behind_many_single_pole_points(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(collect, "LEAST_ROOM", 100_000)
    monkeypatch.setattr(collect, "TIMES_DRAWN", 0)
    points = range(1, 2000)
    result = surveyed(tmp_path, line_of(2000), sites=[2000], points=points, guards=[f"C{k}" for k in points])
    assert result.sites["switch_id"].tolist() == ["S1998"]
    cable_m = result.switching_points.set_index("switch_id")["exposed_cable_m"]
    assert [cable_m[f"S{k}"] for k in (0, 1000, 1998)] == [1999 * STEP_M, 999 * STEP_M, STEP_M]
    drawn = gpd.read_file(tmp_path / "out/survey.gpkg", layer="sections").set_index("switch_id").length
    assert len(drawn) == len(points) - result.record["sections_left_out"] < len(points)
    assert (abs(drawn - cable_m[drawn.index]) < 1e-3).all()


def test_many_devices_in_one_place(tmp_path: Path) -> None:
    result = surveyed(tmp_path, line_of(10), sites=[10], points=[3] * 3000, guards=["C3"] * 3000)
    assert len(result.switching_points) == 3000
    assert set(result.switching_points["exposed_cable_m"]) == {7 * STEP_M}


def test_a_finding_on_every_cable_each_with_words_of_its_own(tmp_path: Path) -> None:
    cables = line_of(3000)
    odd = cables["cable_id"] + " old kind"
    result = surveyed(tmp_path, cables.assign(build=odd, cable_type=odd), sites=[3000], points=[1], guards=["C1"])
    found = result.findings.set_index("rule")
    assert found.loc["unknown_build", "count"] == len(cables)
    assert found.loc["unknown_build", "sites"] == 1
    assert len(result.record["unread_codes"]) < len(cables)
