"""What the town has beside wires: streets, river, greens, places by name. Only drawn, pale, beneath the network."""

from __future__ import annotations

from itertools import cycle
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from districts import corner, street
from ledger import Ledger
from pyproj import CRS
from shapely import LineString, Point, Polygon, affinity
from shapes import rounded

ROWS = ("Chandler Row", "Weir Street", "South Avenue", "Market Street", "Ferry Street", "North Avenue", "Mill Lane",
        "Kiln Road")  # fmt: skip
COLUMNS = ("Rope Walk", "Tanner Street", "Church Street", "Exchange Street", "Bridge Street", "Glover Street",
           "Cooper Street", "Wharf Street", "East Quay")  # fmt: skip
ROADS = {
    "Larkmoor Road": [(475, -260), (700, -120), (880, 40), (1080, 70), (1500, 170), (2050, 40), (2650, 190),
                      (3250, 90)],
    "Lower Bridge Road": [(60, -560), (60, -760), (420, -1250), (1000, -1620), (1350, -1900), (1900, -1960),
                          (2500, -1880), (2950, -2050)],
    "Quarry Road": [(-1480, 1420), (-1400, 1400), (330, 1500), (410, 1590), (330, 2750)],
    "Foundry Way": [(-1490, 1440), (-1490, 2120), (-1330, 2120), (-1300, 2095), (-700, 2060), (-150, 2110),
                    (120, 2080), (170, 2500)],
    "Lower Farm Road": [(-560, 300), (-900, 200), (-1800, 60), (-2600, -500), (-3700, -620), (-4600, -1300)],
    "Upper Farm Road": [(-1510, 1440), (-2300, 1500), (-2900, 1250), (-3900, 1320), (-4700, 900), (-5400, 1000)],
}  # fmt: skip
LOCAL = ("Wren", "Plover", "Teasel", "Sorrel", "Linnet", "Bracken", "Heron", "Campion", "Sedge", "Curlew", "Yarrow",
         "Finch", "Clover", "Dunlin", "Bramble")  # fmt: skip
RIVER = [(1900, 7500), (1500, 4800), (1000, 2900), (820, 1700), (690, 800), (640, 100), (540, -560), (170, -930),
         (-500, -1290), (-1400, -1500), (-3600, -2300), (-6000, -2200), (-9500, -3400)]  # fmt: skip
GREENS = {
    "Ferry Green": [corner(*at) for at in ((3.1, 3.1), (3.9, 3.1), (3.9, 3.9), (3.1, 3.9))],
    "Larkmoor Common": [(3300, 250), (3900, 320), (3950, 900), (3350, 800)],
    "Quarry": [(500, 1800), (900, 1750), (1000, 2350), (560, 2450)],
}
PLACES = {
    "Hospital": (-250, 520),
    "Water works": (-2080, 2220),
    "Lower Bridge": (320, -1060),
    "Ferry landing": (560, 60),
}


def town_layers(ledger: Ledger) -> dict[str, gpd.GeoDataFrame]:
    """The layers ``water``, ``greens``, ``streets`` and ``places``, in the metres of the town."""
    river = LineString(rounded(RIVER).coords).buffer(42)
    streets = {name: street(*((u, row) for u in range(9))) for row, name in enumerate(ROWS)}
    streets |= {name: street(*((u, row) for row in range(8))) for u, name in enumerate(COLUMNS)}
    streets |= {name: rounded(points) for name, points in ROADS.items()} | local_streets(ledger)
    return {
        "water": _frame({"River Tamsin": river}),
        "greens": _frame({name: Polygon(points) for name, points in GREENS.items()}),
        "streets": _frame({name: line.simplify(1.0) for name, line in streets.items()}),
        "places": _frame({name: Point(place) for name, place in PLACES.items()}),
    }


def local_streets(ledger: Ledger) -> dict[str, LineString]:
    """A street beside every loop of cable in the suburbs."""
    buried = [row["geometry"] for row in ledger.cables if row["feeder"] in {"FG-13", "FG-14"} and row["build"] == "ug"]
    lines = shapely.get_parts(shapely.line_merge(shapely.union_all(np.array(buried, object))))
    loops = [line for line in lines if line.length > 250]
    ends = cycle(("Crescent", "Drive", "Way"))
    return {f"{name} {end}": line.offset_curve(7.0) for name, end, line in zip(cycle(LOCAL), ends, loops, strict=False)}


def _frame(shapes: dict[str, shapely.Geometry]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": list(shapes)}, geometry=list(shapes.values()))


def write_town(ledger: Ledger, path: Path, *, crs: CRS, origin: tuple[float, float]) -> None:
    """One GeoPackage, in degrees: another office's export."""
    path.unlink(missing_ok=True)
    for name, frame in town_layers(ledger).items():
        moved = frame.set_geometry(frame.geometry.apply(affinity.translate, xoff=origin[0], yoff=origin[1]), crs=crs)
        pyogrio.write_dataframe(moved.to_crs("EPSG:4326"), path, layer=name, driver="GPKG")
