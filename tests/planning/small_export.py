"""Small invented exports, drawn from a seed or written out, as GeoPackages that a survey reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point

CRS = "EPSG:32633"
ORIGIN = np.array([500_000.0, 5_300_000.0])
WINDINGS = (("delta", ""), ("floating_wye", ""), ("grounded_wye", "five_legged"), ("grounded_wye", "separate"))


@dataclass
class Export:
    """Rows of an export; places in metres from a corner."""

    cables: list[dict] = field(default_factory=list)
    sites: list[dict] = field(default_factory=list)
    switches: list[dict] = field(default_factory=list)
    sources: list[dict] = field(default_factory=list)

    def cable(self, cable_id, start, end, length_m, **more):
        row = {
            "cable_id": cable_id,
            "feeder": "F1",
            "kv": 12.47,
            "cap_nf_km": 150.0,
            "length_m": length_m,
            "build": "ug",
        }
        line = LineString([ORIGIN + start, ORIGIN + end])
        self.cables.append({**row, **more, "geometry": line})

    def site(self, site_id, place, **more):
        row = {"site_id": site_id, "kva": 300.0, "kv": 12.47, "connection": "delta", "core": "", "nll_w": 450.0,
               "exc_pct": 0.5, "minload_kw": 0.0, "customers": 10, "critical": 0, "district": "North"}  # fmt: skip
        self.sites.append({**row, **more, "geometry": Point(ORIGIN + place)})

    def switch(self, switch_id, place, guards, **more):
        row = {"switch_id": switch_id, "poles": "single", "device": "cutout", "state": "closed", "guards": guards}
        self.switches.append({**row, **more, "geometry": Point(ORIGIN + place)})

    def source(self, source_id, place):
        self.sources.append({"source_id": source_id, "feeder": "F1", "geometry": Point(ORIGIN + place)})

    def write(self, path: Path) -> Path:
        path.unlink(missing_ok=True)
        layers = {"cables": self.cables, "transformers": self.sites, "switches": self.switches, "sources": self.sources}
        empty = {"switches": ["switch_id", "poles"], "sources": ["source_id"]}
        for name, rows in layers.items():
            if rows:
                frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=CRS)
            elif name == "sources":
                continue
            else:
                frame = gpd.GeoDataFrame({c: [] for c in empty[name]}, geometry=[], crs=CRS)
            frame.to_file(path, layer=name, driver="GPKG")
        return path


def tree(seed: int, *, cables: int = 12, sourced: bool = True, singles: float = 0.5, threes: float = 0.15) -> Export:
    """A random radial network: devices at the upper ends of cables, sites at about half of the nodes."""
    rng = np.random.default_rng(seed)
    export = Export()
    places = [np.zeros(2)]
    for k in range(cables):
        parent = int(rng.integers(0, len(places)))
        places.append(places[parent] + rng.uniform(30, 90, 2) * rng.choice([-1, 1], 2) + 0.37 * k)
        name = f"C{k:02d}"
        export.cable(
            name, places[parent], places[-1], float(rng.uniform(20, 300)), build=str(rng.choice(["ug", "ug", "oh"]))
        )
        if rng.random() < singles:
            export.switch(f"S{k:02d}", places[parent], name)
        elif rng.random() < threes:
            export.switch(f"G{k:02d}", places[parent], name, poles="three", device="gang")
        if rng.random() < 0.6:
            connection, core = WINDINGS[int(rng.integers(0, len(WINDINGS)))]
            export.site(
                f"T{k:02d}", places[-1], connection=connection, core=core, kva=float(rng.choice([75, 150, 300, 500])),
                customers=int(rng.integers(0, 120)), critical=int(rng.random() < 0.2),
                district=str(rng.choice(["North", "South"])), minload_kw=float(rng.choice([0, 0, 5])),
            )  # fmt: skip
    if not export.sites:
        export.site("T99", places[-1])
    if sourced:
        export.source("SRC", places[0])
    return export


def lateral() -> Export:
    """A main with one cutout on a lateral of two sites, the second behind an elbow of its own::

    SRC --main(oh)-- a --[K1] c1-- b(T1) --[E2] c2-- c(T2)
                     |
                     +--[K3] c3-- d(T3)
    """
    e = Export()
    a, b, c, d = np.array([500.0, 0]), np.array([500.0, 200]), np.array([650.0, 320]), np.array([700.0, -150])
    e.cable("main", np.zeros(2), a, 500, build="oh")
    e.cable("c1", a, b, 220)
    e.cable("c2", b, c, 190)
    e.cable("c3", a, d, 260)
    e.site("T1", b, customers=40)
    e.site("T2", c, customers=5)
    e.site("T3", d, district="South")
    e.switch("K1", a, "c1")
    e.switch("E2", b, "c2", device="elbow")
    e.switch("K3", a, "c3")
    e.source("SRC", np.zeros(2))
    return e


def wild(seed: int, *, cables: int = 7) -> Export:
    """A random radial network as records have it: risers, cutouts without guards, devices in series, sites on the way.

    Sites stand at nodes of any kind and in the middle of cables, some with a tap beside them.
    """
    rng = np.random.default_rng(seed)
    export = Export()
    places = [np.zeros(2)]
    for k in range(cables):
        parent = max(0, len(places) - 1 - int(rng.integers(0, 3)))
        step = rng.uniform(40, 90, 2) * rng.choice([-1, 1], 2) + 0.37 * k
        places.append(places[parent] + step)
        name, build = f"C{k}", str(rng.choice(["ug", "oh"], p=[0.7, 0.3]))
        turned = rng.random() < 0.3
        ends = (places[-1], places[parent]) if turned else (places[parent], places[-1])
        export.cable(name, *ends, float(rng.uniform(20, 300)), build=build)
        if rng.random() < 0.55:
            near = places[parent] + step * float(rng.choice([0, 0.03])) if k else places[parent]
            export.switch(f"S{k}", near, name if rng.random() < 0.5 else "")
        if rng.random() < 0.15:
            export.switch(f"G{k}", places[parent], name, poles="three", device="gang")
        for at, chance in ((places[-1], 0.6), (places[parent] + step / 2, 0.25)):
            if rng.random() < chance:
                connection, core = WINDINGS[int(rng.choice([0, 1, 2, 3], p=[0.4, 0.3, 0.2, 0.1]))]
                export.site(
                    f"T{len(export.sites)}", at, connection=connection, core=core,
                    kva=float(rng.choice([75, 150, 300, 500])), customers=int(rng.integers(0, 120)),
                    critical=int(rng.random() < 0.2), district=str(rng.choice(["North", "South"])),
                )  # fmt: skip
    if not export.sites:
        export.site("T9", places[-1])
    export.source("SRC", places[0])
    return export


def meshed(seed: int, *, cables: int = 7) -> Export:
    """A wild network with one more cable between two nodes: a normally open point at its end, or a closed ring."""
    rng = np.random.default_rng(1000 + seed)
    export = wild(seed, cables=cables)
    nodes = sorted({(x, y) for row in export.cables for x, y in row["geometry"].coords})
    start, end = (np.array(nodes[k]) - ORIGIN for k in rng.choice(len(nodes), 2, replace=False))
    export.cable("TIE", start, end, float(rng.uniform(20, 300)))
    kind = int(rng.choice(4, p=[0.5, 0.2, 0.15, 0.15]))
    if kind < 3:
        poles, state = (("single", "open"), ("three", "open"), ("single", "closed"))[kind]
        export.switch("N", start, "TIE", poles=poles, state=state, device="elbow")
    if rng.random() < 0.4:
        export.switch("M", end, "TIE", poles=str(rng.choice(["single", "three"])), device="elbow")
    return export
