"""Turn pandapower's CIGRE medium-voltage network into a survey input; see README.md beside this file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import networkx as nx
import pandas as pd
from shapely.geometry import LineString, Point

TABLES = Path(__file__).with_name("tables")
CRS = "EPSG:32632"
ORIGIN = (500_000.0, 5_500_000.0)
SINGLE_POLE = {"Line 1-2": 1, "Line 12-13": 12, "Line 3-4": 3, "Line 3-8": 3, "Line 7-8": 8, "Line 8-9": 8}
SOURCES = (1, 12)


@dataclass(frozen=True)
class Cigre:
    """The library's own tables, and its closed lines as a plain graph."""

    lines: pd.DataFrame
    graph: nx.Graph
    sites: list[int]


@cache
def network() -> SimpleNamespace:
    """The library's own tables by name, as it wrote them (tables/README.md)."""
    return SimpleNamespace(**{f.stem: pd.read_csv(f, index_col=0) for f in sorted(TABLES.glob("*.csv"))})


def places() -> dict[int, tuple[float, float]]:
    """Place of every bus, metres: one unit of the library's diagram is drawn as 1 km."""
    return {
        b: tuple(o + 1000 * c for o, c in zip(ORIGIN, json.loads(g)["coordinates"], strict=True))
        for b, g in network().bus.geo.items()
    }


def load() -> Cigre:
    net = network()
    is_open = net.switch[(net.switch.et == "l") & ~net.switch.closed]
    open_at = dict(zip(is_open.element, is_open.bus, strict=True))
    graph = nx.Graph()
    for i, line in net.line.iterrows():
        # a line that is open at one end still hangs on the other
        ends = [f"open end of {line['name']}" if b == open_at.get(i) else b for b in (line.from_bus, line.to_bus)]
        graph.add_edge(*ends, name=line["name"], length_m=line.length_km * 1000)
    sites = sorted(set(net.load.bus) - set(SOURCES))
    lines = net.line.set_index("name")
    return Cigre(lines, graph, sites)


def write(path: Path, *, node_ids: bool) -> None:
    """Write the GeoPackage, with node ids or with topology from geometry alone."""
    net = network()
    xy = places()
    cables = [
        {
            "cable_id": line["name"],
            "feeder": "cigre",
            "kv": 20.0,
            "build": "oh" if line["type"] == "ol" else "ug",
            "cap_nf_km": line.c_nf_per_km,
            "length_m": line.length_km * 1000,
            "from_node": f"b{line.from_bus}",
            "to_node": f"b{line.to_bus}",
            "geometry": LineString([xy[line.from_bus], xy[line.to_bus]]),
        }
        for _, line in net.line.iterrows()
    ]
    line_switches = net.switch[net.switch.et == "l"]
    switches = [
        {"switch_id": f"LBS{i}", "poles": "three", "state": "closed" if s.closed else "open", "bus": s.bus}
        | {"guards": net.line.name[s.element]}
        for i, s in line_switches.iterrows()
    ]
    switches += [
        {"switch_id": f"CO {name}", "poles": "single", "state": "closed", "bus": bus, "guards": name}
        for name, bus in SINGLE_POLE.items()
    ]
    sites = [
        {"site_id": f"T{b}", "kva": 400.0, "kv": 20.0, "connection": "delta", "core": "three_legged", "bus": b}
        | {"nll_w": 387.0, "exc_pct": 0.5}
        for b in sorted(set(net.load.bus) - set(SOURCES))
    ]
    sources = [{"source_id": f"S{b}", "bus": b} for b in SOURCES]
    layers = {"cables": cables, "switches": switches, "transformers": sites, "sources": sources}
    for name, rows in layers.items():
        frame = pd.DataFrame(rows)
        if "bus" in frame:
            frame["geometry"] = [Point(xy[b]) for b in frame.bus]
            frame["node"] = [f"b{b}" for b in frame.pop("bus")]
        if not node_ids:
            frame = frame.drop(columns=["from_node", "to_node", "node"], errors="ignore")
        gpd.GeoDataFrame(frame, crs=CRS).to_file(path, layer=name, driver="GPKG")
