"""Small exports written as real files of each format."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from shapely import LineString, Point

from survey.findings import FindingList
from survey.read import read_network
from survey.settings import build_settings

UTM = "EPSG:32614"
X0, Y0 = 500_000.0, 4_000_000.0
FILLED_CABLES = {"feeder": "F1", "phases": "ABC", "kv": 12.47, "build": "ug", "cable_type": "K1", "length_m": 100.0}
FILLED_SITES = {
    "phases": "ABC",
    "kva": 150.0,
    "kv": 12.47,
    "connection": "delta",
    "core": "five_legged",
    "nll_w": 300.0,
    "exc_pct": 0.5,
    "minload_kw": 0.0,
    "feeder": "F1",
    "district": "North",
    "customers": 3,
    "critical": 0,
    "arrester": "yes",
}
FILLED_SWITCHES = {"poles": "single", "device": "cutout", "state": "closed"}


def line(*points):
    """A line through points given in metres from the corner of the test ground."""
    return LineString([(X0 + x, Y0 + y, *z) for x, y, *z in points])


def point(x, y):
    """A point in metres from the corner of the test ground."""
    return Point(X0 + x, Y0 + y)


def cable(cable_id, geometry="default", **fields):
    """A cable record with every field filled, but for those given."""
    drawn = line((0, 0), (100, 0)) if isinstance(geometry, str) else geometry
    return {"cable_id": cable_id, **FILLED_CABLES, **fields, "geometry": drawn}


def site(site_id, geometry="default", **fields):
    """A transformer record with every field filled, but for those given."""
    drawn = point(100, 0) if isinstance(geometry, str) else geometry
    return {"site_id": site_id, **FILLED_SITES, **fields, "geometry": drawn}


def switch(switch_id, geometry="default", **fields):
    """A switch record with every field filled, but for those given."""
    drawn = point(0, 0) if isinstance(geometry, str) else geometry
    return {"switch_id": switch_id, **FILLED_SWITCHES, **fields, "geometry": drawn}


def frame(records, crs=UTM):
    """Records as a GeoDataFrame; no records give an empty layer, no geometry key a plain table."""
    if not records:
        return gpd.GeoDataFrame({"geometry": []}, geometry="geometry", crs=crs)
    if "geometry" not in records[0]:
        return pd.DataFrame(records)
    return gpd.GeoDataFrame(records, geometry="geometry", crs=crs)


def write_gpkg(path, layers):
    for name, table in layers.items():
        if isinstance(table, gpd.GeoDataFrame):
            table.to_file(path, layer=name, driver="GPKG", engine="pyogrio")
        else:
            pyogrio.write_dataframe(table, path, layer=name, driver="GPKG")
    return path


def write_shapes(folder, layers):
    folder.mkdir(exist_ok=True)
    for name, table in layers.items():
        if isinstance(table, gpd.GeoDataFrame):
            table.to_file(folder / f"{name}.shp", engine="pyogrio", encoding="UTF-8")
        else:
            pyogrio.write_dataframe(table, folder / f"{name}.dbf", driver="ESRI Shapefile", encoding="UTF-8")
    return folder


def write_parquet(folder, layers):
    folder.mkdir(exist_ok=True)
    for name, table in layers.items():
        table.to_parquet(folder / f"{name}.parquet")
    return folder


WRITERS = {"gpkg": write_gpkg, "shapes": write_shapes, "parquet": write_parquet}


@pytest.fixture
def export(tmp_path):
    """Write an export; layers not given hold one clean record, ``None`` leaves a layer out."""

    def write(kind="gpkg", name="network", **layers):
        records = {
            "cables": [cable("C1")],
            "transformers": [site("T1")],
            "switches": [switch("S1")],
            "sources": [{"source_id": "X1", "feeder": "F1", "geometry": point(0, 0)}],
            **layers,
        }
        tables = {k: frame(v) if isinstance(v, list) else v for k, v in records.items() if v is not None}
        path = tmp_path / (f"{name}.gpkg" if kind == "gpkg" else name)
        return WRITERS[kind](path, tables)

    return write


class Read:
    """What reading gave: tables and findings."""

    def __init__(self, path, raw):
        self.findings = FindingList()
        self.steps = []
        settings = build_settings(raw)
        self.tables = read_network(path, settings=settings, findings=self.findings, progress=self.steps.append)

    def rules(self):
        """Rule, severity and ids of every finding."""
        return [(f.severity, f.rule, f.layer, f.ids) for f in self.findings.ordered()]

    def one(self, rule):
        """The only finding of a rule."""
        (found,) = self.findings.of(rule)
        return found


@pytest.fixture
def read():
    """Read an export with settings given as a nested dict."""
    return lambda path, **raw: Read(path, raw)
