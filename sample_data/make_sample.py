"""Make the sample: the records of an invented utility in an invented town.

``python sample_data/make_sample.py [FOLDER]`` writes ``network.gpkg``, ``town.gpkg``, ``shapefiles/`` and
``planted.csv`` into FOLDER (default: beside this script). The same seed gives the same records. Nothing here is real:
the town of Tamsin Ferry, its districts and its utility are made up, and the coordinates lie in the open ocean.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
from districts import build
from extras import extend
from faults import plant
from ledger import Ledger, Row
from pyproj import CRS
from shapely import affinity
from town import write_town

SEED = 20
CRS_METRES = CRS.from_epsg(32625)
ORIGIN = (512_000.0, 4_880_000.0)
CRS_FEET = CRS.from_user_input(
    "+proj=tmerc +lat_0=44 +lon_0=-33 +k=0.9999 +x_0=609601.2192024385 +y_0=152400.3048006096 +datum=WGS84 +units=us-ft"
)
STAMP = "2026-01-15T00:00:00.000Z"
FIELDS = {
    "cables": "cable_id feeder phases kv build cable_type cap_nf_km length_m",
    "transformers": "site_id phases bank_id kva kv connection core nll_w exc_pct minload_kw minload_3p arrester feeder "
    "district customers critical",
    "switches": "switch_id poles device state arrester ops_year guards",
    "sources": "source_id feeder",
}
SHAPEFILE_FEEDERS = ("QP-21", "QP-22")
SHAPEFILE_NAMES = {"cables": "PriCond", "transformers": "XfmrLoc", "switches": "SwDevice", "sources": "FeederHd"}


def make_ledger(seed: int = SEED) -> tuple[Ledger, list[Row]]:
    """All records, and the list of planted faults."""
    ledger = Ledger(np.random.default_rng(seed))
    build(ledger)
    _record_some_capacitances(ledger)
    planted = plant(ledger)
    extend(ledger, seed + 1)
    return ledger, planted


def _record_some_capacitances(ledger: Ledger) -> None:
    """A few cables with a measured capacitance, and one overhead main with its own."""
    buried = [row for row in ledger.cables if row["build"] == "ug" and row["phases"] == "ABC"]
    for row in buried[7::41]:
        row["cap_nf_km"] = round(float(ledger.rng.uniform(165, 240)), 1)
    for row in ledger.cables:
        if row["feeder"] == "FG-12" and row["build"] == "oh" and row["phases"] == "ABC":
            row["cap_nf_km"] = 5.2


def layers(ledger: Ledger) -> dict[str, gpd.GeoDataFrame]:
    """The four layers of the survey's input, in metres."""
    frames = {}
    for name, fields in FIELDS.items():
        rows = getattr(ledger, name)
        frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS_METRES)
        frame = frame[[*fields.split(), "geometry"]]
        frames[name] = frame.set_geometry(frame.geometry.apply(affinity.translate, xoff=ORIGIN[0], yoff=ORIGIN[1]))
    return frames


def write_geopackage(frames: dict[str, gpd.GeoDataFrame], path: Path) -> None:
    """One GeoPackage with a fixed time stamp."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    for name, frame in frames.items():
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG")


def write_shapefiles(ledger: Ledger, frames: dict[str, gpd.GeoDataFrame], folder: Path) -> None:
    """The industrial park once more, as another department keeps it: own names, codes, volts and feet."""
    folder.mkdir(exist_ok=True)
    feeders = {name: [row["feeder"] for row in getattr(ledger, name)] for name in FIELDS}
    for name, frame in frames.items():
        part = frame[np.isin(feeders[name], SHAPEFILE_FEEDERS)].to_crs(CRS_FEET)
        table = {"cables": _conductors, "transformers": _locations, "switches": _devices, "sources": _heads}[name](part)
        path = folder / f"{SHAPEFILE_NAMES[name]}.shp"
        pyogrio.write_dataframe(
            table, path, driver="ESRI Shapefile", layer_options={"DBF_DATE_LAST_UPDATE": STAMP[:10]}
        )


def _phase_code(phases: gpd.GeoSeries) -> list[str]:
    """Letters of the other department: red, white, blue."""
    return ["".join("RWB"["ABC".index(letter)] for letter in text) for text in phases]


def _conductors(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "COND_NO": frame["cable_id"],
            "CIRCUIT": frame["feeder"],
            "PH_CODE": _phase_code(frame["phases"]),
            "NOM_VOLT": (frame["kv"] * 1000).round().astype(int),
            "INSTALL": frame["build"].map({"ug": "BUR", "oh": "AER"}),
            "SPEC": frame["cable_type"],
            "PF_PER_FT": (frame["cap_nf_km"].astype(float) * 0.3048).round(2),
            "LEN_FT": (frame["length_m"] / 0.3048).round(1),
        },
        geometry=frame.geometry,
    )


def _locations(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    winding = {"delta": "D", "floating_wye": "Y", "grounded_wye": "YG", "open_delta": "OD", "open_wye": "OY"}
    core = {"five_legged": "5L", "three_legged": "3L", "separate": "1PH"}
    return gpd.GeoDataFrame(
        {
            "ASSET_NO": frame["site_id"],
            "BANK_NO": frame["bank_id"],
            "PH_CODE": _phase_code(frame["phases"]),
            "RATED_KVA": frame["kva"],
            "PRIM_VOLT": (frame["kv"] * 1000).round().astype(int),
            "HV_WDG": frame["connection"].map(lambda value: winding.get(value, value)),
            "CORE_CD": frame["core"].map(lambda value: core.get(value, value)),
            "CORELOSS_W": frame["nll_w"],
            "EXCIT_PCT": frame["exc_pct"],
            "MIN_KW": frame["minload_kw"],
            "CIRCUIT": frame["feeder"],
            "AREA": frame["district"],
            "CUST_CNT": frame["customers"],
            "KEY_CUST": frame["critical"].map({0: "N", 1: "Y"}),
        },
        geometry=frame.geometry,
    )


def _devices(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "DEV_NO": frame["switch_id"],
            "OPERATION": frame["poles"].map({"single": "IND", "three": "GNG"}).fillna(frame["poles"]),
            "TYPE": frame["device"],
            "NORM_POS": frame["state"].map({"closed": 1, "open": 0}).fillna(1).astype(int),
            "ON_COND": frame["guards"],
        },
        geometry=frame.geometry,
    )


def _heads(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"HEAD_NO": frame["source_id"], "CIRCUIT": frame["feeder"]}, geometry=frame.geometry)


def write_planted(planted: list[Row], path: Path) -> None:
    """The list of planted faults."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ["fault", "layer", "id", "what"], lineterminator="\n")
        writer.writeheader()
        writer.writerows(planted)


def main(folder: Path) -> None:
    """Write everything."""
    folder.mkdir(parents=True, exist_ok=True)
    ledger, planted = make_ledger()
    frames = layers(ledger)
    write_geopackage(frames, folder / "network.gpkg")
    write_town(ledger, folder / "town.gpkg", crs=CRS_METRES, origin=ORIGIN)
    write_shapefiles(ledger, frames, folder / "shapefiles")
    write_planted(planted, folder / "planted.csv")
    for name, frame in frames.items():
        print(f"{name}: {len(frame)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
