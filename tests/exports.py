"""A small real export, written as files: two risers, a loop with an open point, padmounts, a pole-mounted bank."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely.geometry import LineString, Point

CRS = "EPSG:32617"
X0, Y0 = 500_000.0, 4_000_000.0


def place(x: float, y: float) -> tuple[float, float]:
    return X0 + x, Y0 + y


def _cable(cable_id, ends, build="ug", **more):
    row = {"cable_id": cable_id, "feeder": "F1", "phases": "ABC", "kv": 12.47, "build": build}
    row |= {
        "cable_type": "1/0 XLPE 15kV 133%" if build == "ug" else "",
        "geometry": LineString([place(*p) for p in ends]),
    }
    return row | more


def _site(site_id, at, **more):
    row = {
        "site_id": site_id,
        "phases": "ABC",
        "kva": 300.0,
        "kv": 12.47,
        "connection": "delta",
        "core": "three_legged",
    }
    row |= {"nll_w": 540.0, "exc_pct": 0.5, "minload_kw": 0.0, "feeder": "F1", "district": "North"}
    row |= {"customers": 12, "critical": 0, "geometry": Point(*place(*at))}
    return row | more


def tables() -> dict[str, pd.DataFrame]:
    """Main M1-M2-M3 overhead; riser R1 feeds C1-C2-C3 to an open point at T3; riser R2 feeds C4 from the other side."""
    cables = [
        _cable("M1", [(0, 0), (200, 0)], "oh"),
        _cable("M2", [(200, 0), (500, 0)], "oh"),
        _cable("M3", [(500, 0), (700, 0)], "oh"),
        _cable("C1", [(200, 0), (200, 80)]),
        _cable("C2", [(200, 80), (300, 80)]),
        _cable("C3", [(300, 80), (400, 80)]),
        _cable("C4", [(500, 0), (500, 80), (400, 80)]),
    ]
    sites = [
        _site("T1", (200, 80)),
        _site("T2", (300, 80), connection="grounded_wye", core="five_legged", critical=1),
        _site("T3", (400, 80), connection="grounded_wye", core="separate"),
        _site("T4", (700, 0), kva=150.0, nll_w=300.0),
    ]
    switches = [
        ("R1", (200, 0), "single", "cutout", "closed", ""),
        ("R2", (500, 0), "single", "cutout", "closed", ""),
        ("G1", (300, 80), "three", "gang switch", "closed", "C2"),
        ("OP", (400, 80), "single", "elbow", "open", "C3"),
    ]
    frame = pd.DataFrame(switches, columns=["switch_id", "at", "poles", "device", "state", "guards"])
    frame["geometry"] = [Point(*place(*p)) for p in frame.pop("at")]
    sources = [{"source_id": "S1", "feeder": "F1", "geometry": Point(*place(0, 0))}]
    return {
        "cables": pd.DataFrame(cables),
        "transformers": pd.DataFrame(sites),
        "switches": frame,
        "sources": pd.DataFrame(sources),
    }


def survey_tables(tables, *, settings, findings):
    """Build the network of clean tables and survey it."""
    from survey.network import build_network
    from survey.pipeline import survey_built

    network = build_network(tables, settings=settings.network, findings=findings)
    return survey_built(network, settings=settings, findings=findings)


def write_gpkg(path: Path, layers: dict[str, pd.DataFrame] | None = None, *, crs: str | None = CRS) -> Path:
    for name, frame in (layers or tables()).items():
        gpd.GeoDataFrame(frame, geometry="geometry", crs=crs).to_file(path, layer=name, driver="GPKG")
    return path
