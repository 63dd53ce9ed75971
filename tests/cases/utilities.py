"""One network as three invented utilities with different habits would export it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import geopandas as gpd
import pandas as pd

FOOT_M = 0.3048
Layers = dict[str, gpd.GeoDataFrame]


def _coded(column: pd.Series, codes: Mapping[object, object]) -> pd.Series:
    """Values by their codes; what has none, and so is a slip, stays as it is."""
    return column.map(lambda value: codes.get(value, value))


def _renamed(frame: gpd.GeoDataFrame, names: Mapping[str, str]) -> gpd.GeoDataFrame:
    """Fields of these names in this order; others are left out."""
    return frame[[*names, "geometry"]].rename(columns=names)


def _copies(layers: Layers) -> list[gpd.GeoDataFrame]:
    """Cables, transformers, switches and sources, to be changed."""
    return [layers[name].copy() for name in ("cables", "transformers", "switches", "sources")]


def feet_and_words(layers: Layers, folder: Path) -> Path:
    """GeoPackage: feet, volts, words in full, yes and no."""
    cables, sites, switches, sources = _copies(layers)
    cables["kv"] *= 1000
    cables["length_m"] /= FOOT_M
    cables["build"] = _coded(cables["build"], {"ug": "Underground", "oh": "Overhead"})
    sites["kv"] *= 1000
    sites["connection"] = _coded(
        sites["connection"],
        {"grounded_wye": "Wye Grounded", "floating_wye": "Wye Ungrounded", "delta": "Delta", "open_wye": "Open Wye"}
        | {"open_delta": "Open Delta"},
    )
    sites["critical"] = _coded(sites["critical"], {0: "No", 1: "Yes"})
    switches["poles"] = _coded(switches["poles"], {"single": "N", "three": "Y"})
    out = {
        "PrimaryConductor": _renamed(
            cables,
            {"cable_id": "FACILITYID", "feeder": "CIRCUITID", "phases": "PHASEDESIGNATION", "kv": "OPERATINGVOLTAGE"}
            | {"build": "INSTALLATION", "cable_type": "CONDUCTORTYPE", "cap_nf_km": "CAP_NF_KM"}
            | {"length_m": "MEASUREDLENGTH"},
        ),
        "DistTransformer": _renamed(
            sites,
            {"site_id": "FACILITYID", "phases": "PHASEDESIGNATION", "bank_id": "BANKID", "kva": "RATEDKVA"}
            | {
                "kv": "PRIMARYVOLTAGE",
                "connection": "WINDINGCONNECTION",
                "core": "CORETYPE",
                "nll_w": "NOLOADLOSSWATTS",
            }
            | {"exc_pct": "EXCITINGCURRENTPCT", "minload_kw": "MINLOADKW", "feeder": "CIRCUITID"}
            | {"district": "DISTRICT", "customers": "CUSTOMERCOUNT", "critical": "CRITICALCUSTOMER"}
            | {"arrester": "ARRESTERS", "minload_3p": "MINLOAD3PH"},
        ),
        "SwitchingDevice": _renamed(
            switches,
            {"switch_id": "FACILITYID", "poles": "GANGOPERATED", "device": "DEVICETYPE", "state": "NORMALSTATE"}
            | {"guards": "PROTECTEDCABLE", "arrester": "ARRESTERS", "ops_year": "OPSPERYEAR"},
        ),
        "CircuitSource": _renamed(sources, {"source_id": "FACILITYID", "feeder": "CIRCUITID"}),
    }
    for name, frame in out.items():
        frame.to_file(folder / "gis.gpkg", layer=name, driver="GPKG")
    return folder / "gis.gpkg"


def metric_and_german(layers: Layers, folder: Path) -> Path:
    """GeoParquet: kilometres, MVA, vector groups, German words."""
    cables, sites, switches, sources = _copies(layers)
    cables["length_m"] /= 1000
    cables["build"] = _coded(cables["build"], {"ug": "Kabel", "oh": "Freileitung"})
    sites["kva"] /= 1000
    switches["state"] = _coded(switches["state"], {"closed": "ein", "open": "aus"})
    out = {
        "leitung": _renamed(
            cables,
            {"cable_id": "Leitung_Nr", "feeder": "Abgang", "phases": "Leiter", "kv": "Un_kV", "build": "Bauart"}
            | {"cable_type": "Typ", "cap_nf_km": "C_nF_je_km", "length_m": "Laenge_km"},
        ),
        "trafo": _renamed(
            sites,
            {"site_id": "Trafo_Nr", "phases": "Leiter", "bank_id": "Bank", "kva": "Sr_MVA", "kv": "UrOS_kV"}
            | {
                "connection": "Schaltung",
                "core": "Kern",
                "nll_w": "P0_W",
                "exc_pct": "I0_proz",
                "minload_kw": "Pmin_kW",
            }
            | {"feeder": "Abgang", "district": "Bezirk", "customers": "Kunden", "critical": "wichtig"}
            | {"arrester": "Ableiter", "minload_3p": "Minload_3ph"},
        ),
        "schalter": _renamed(
            switches,
            {"switch_id": "Schalter_Nr", "poles": "Polzahl", "device": "Art", "state": "Stellung", "guards": "Kabel"}
            | {"arrester": "Ableiter", "ops_year": "Schaltungen"},
        ),
        "einspeisung": _renamed(sources, {"source_id": "Einsp_Nr", "feeder": "Abgang"}),
    }
    for name, frame in out.items():
        frame.to_parquet(folder / f"{name}.parquet")
    return folder


def clipped_and_coded(layers: Layers, folder: Path) -> Path:
    """Shapefiles: ten letters, bits for phases, nameplates, kinds of device in place of poles."""
    cables, sites, switches, sources = _copies(layers)
    bits = {"A": 4, "B": 2, "C": 1, "AB": 6, "BC": 3, "AC": 5, "ABC": 7}
    cables["phases"], sites["phases"] = (_coded(frame["phases"], bits) for frame in (cables, sites))
    cables["kv"] = _coded(cables["kv"], {12.47: "7.2/12.47", 24.9: "14.4/24.9"})
    cables["length_m"] /= FOOT_M
    cables["build"] = cables["build"].str.upper()
    sites["connection"] = _coded(
        sites["connection"],
        {"grounded_wye": "YG", "floating_wye": "Y", "delta": "D", "open_wye": "OY", "open_delta": "OD"},
    )
    sites["core"] = _coded(
        sites["core"], {"separate": "TRIPLEX", "five_legged": "5LEG WND", "three_legged": "3LEG STK"}
    )
    sites["critical"] = _coded(sites["critical"], {0: "N", 1: "Y"})
    kinds = {"elbow": "ELB", "fused cutout": "FCO", "cutout": "CO", "gang switch": "GANG SW", "recloser": "RCL"}
    switches["device"] = _coded(switches["device"], kinds)
    out = {
        "PRIM_COND": _renamed(
            cables,
            {"cable_id": "COND_NO", "feeder": "CKT", "phases": "PHS_CD", "kv": "VOLT_TXT", "build": "CONSTR"}
            | {"cable_type": "CBL_DESC", "cap_nf_km": "NF_PER_KM", "length_m": "LEN_FT"},
        ),
        "XFMR": _renamed(
            sites,
            {"site_id": "XFMR_NO", "phases": "PHASING", "bank_id": "BANK_ID", "kva": "KVA_RTG", "kv": "PRI_KV"}
            | {"connection": "WDG_CONN", "core": "CORE_TX", "nll_w": "NLL_W", "exc_pct": "EXC_PCT"}
            | {"minload_kw": "MIN_KW", "feeder": "CKT", "district": "OPS_AREA", "customers": "CUST_CT"}
            | {"critical": "KEY_ACCT", "arrester": "ARRESTER", "minload_3p": "MIN_LD_3PH"},
        ),
        "PROT_DEV": _renamed(
            switches,
            {"switch_id": "DEV_NO", "poles": "POLE_CD", "device": "DEV_TYP", "state": "NORM_ST", "guards": "ON_COND"}
            | {"arrester": "ARRESTER", "ops_year": "OPS_YEAR"},
        ),
        "SUB_BKR": _renamed(sources, {"source_id": "BKR_NO", "feeder": "CKT"}),
    }
    for name, frame in out.items():
        frame.to_file(folder / f"{name}.shp")
    return folder


HABITS: tuple[Callable[[Layers, Path], Path], ...] = (feet_and_words, metric_and_german, clipped_and_coded)
