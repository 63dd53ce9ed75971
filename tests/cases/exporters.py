"""The invented network as three further utilities would export it, each with habits of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from invented import POLES, Bank, Builder, Device, Grid, Section
from shapely.geometry import LineString, Point

CRS, X0, Y0 = "EPSG:32614", 500_000.0, 3_300_000.0
FOOT_M = 0.3048
LIFE_EN = {"in": "IS", "out": "ABN", "plan": "PROP"}
LIFE_ES = {"in": "EN SERVICIO", "out": "RETIRADO", "plan": "EN PROYECTO"}
LIFE_FR = {"in": "En service", "out": "Déposé", "plan": "Projeté"}


def line(section: Section) -> LineString:
    return LineString([(X0 + x, Y0 + y) for x, y in section.ends])


def point(at: tuple[float, float]) -> Point:
    return Point(X0 + at[0], Y0 + at[1])


def drawn(rows: list[dict[str, object]]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)


def numbered(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Rows with the row number that a database makes."""
    return [{"OBJECTID": i + 1, **row} for i, row in enumerate(rows)]


def secondary(grid: Grid) -> list[dict[str, object]]:
    return [
        {"CODE": f"S{i}", "KIND": "TPX", "geometry": LineString([(X0 + x, Y0 + y) for x, y in ends])}
        for i, ends in enumerate(grid.secondary)
    ]


def related_tables(folder: Path) -> tuple[Path, Grid]:
    """GeoPackage: codes in a domain table, units of banks in a table, a state on each pole, feet."""
    grid = Builder(7, partly_open=True).build(3)
    domains = {
        "Voltage": {1: "7.2/12.47 kV", 2: "14.4/24.9 kV"},
        "ConductorMaterial": {10: "AL", 20: "CU"},
        "Insulation": {1: "XLPE", 2: "EPR"},
    }
    material = {word: code for code, word in domains["ConductorMaterial"].items()}

    def conductor(s: Section) -> dict[str, object]:
        return {
            "FACILITY_ID": s.id,
            "CIRCUIT": s.feeder,
            "PHASECODE": s.phases,
            "VOLTAGE_CD": 1,
            "MATERIAL_CD": material[s.material],
            "CONDUCTOR_SIZE": s.size,
            "LIFECYCLE_STATUS": LIFE_EN[s.life],
            "MEASURED_LENGTH": s.length_m / FOOT_M,
            "geometry": line(s),
        }

    def device(d: Device) -> dict[str, object]:
        poles = {f"NORMAL_POSITION_{pole}": int(pole not in d.open) for pole in POLES}
        return {"FACILITY_ID": d.id, "CIRCUIT": d.feeder, **poles, "geometry": point(d.at)}

    def bank(b: Bank) -> dict[str, object]:
        code = {"grounded_wye": "YG", "delta": "D"}[b.connection]
        return {
            "FACILITY_ID": b.id,
            "CIRCUIT": b.feeder,
            "PRI_CONNECTION": code,
            "VOLTAGE_CD": 1,
            "CUSTOMER_COUNT": b.customers,
            "geometry": point(b.at),
        }

    cores = {"five_legged": "5 LEG", "three_legged": "3 LEG", "separate": "TRIPLEX"}
    units = [
        {
            "UNIT_SERIAL": f"N{b.id}-{i}",
            "BANK_FACILITY_ID": b.id,
            "RATED_KVA": kva,
            "PHASE": p,
            "CORE_TYPE": cores[b.core],
        }
        for b in grid.banks
        for i, (p, kva) in enumerate(b.units)
    ]
    told = [d for d in grid.devices if d.told]
    elbows = [{**device(d), "ON_CABLE": d.guards} for d in told if d.kind == "elbow"]
    cells = [{**device(d), "ON_CABLE": d.guards} for d in told if d.kind == "rmu"]
    layers = {
        "UG_PRIMARY_CONDUCTOR": [{**conductor(s), "INSULATION_CD": 1} for s in grid.sections if s.ug],
        "OH_PRIMARY_CONDUCTOR": [conductor(s) for s in grid.sections if not s.ug],
        "SECONDARY_CONDUCTOR": secondary(grid),
        "TRANSFORMER_BANK": [bank(b) for b in grid.banks],
        "FUSE": [device(d) for d in grid.devices if d.kind == "cutout"],
        "SWITCH": [{**device(d), "GANG_OPERATED": "Y"} for d in grid.devices if d.kind == "gang"],
        "ELBOW": elbows,
        "SWITCHGEAR": cells,
        "FEEDER_HEAD": [{"FACILITY_ID": i, "CIRCUIT": f, "geometry": point(at)} for i, at, f in grid.sources],
        "POLE": [{"TAG": f"P{s.id}", "geometry": point(s.ends[0])} for s in grid.sections if not s.ug],
    }
    path = folder / "gis.gpkg"
    for name, rows in layers.items():
        drawn(numbered(rows)).to_file(path, layer=name, driver="GPKG")
    pairs = [
        {"DOMAIN_NAME": d, "CODE": str(c), "DESCRIPTION": w} for d, words in domains.items() for c, w in words.items()
    ]
    for name, table in {"TRANSFORMER_UNIT": numbered(units), "DOMAIN_VALUES": pairs}.items():
        pyogrio.write_dataframe(pd.DataFrame(table), path, layer=name, driver="GPKG")
    return path, grid


def spanish_and_cut(folder: Path) -> tuple[Path, Grid]:
    """Shapefiles in Spanish: names of ten letters, Windows-1252 without saying so, a state on each pole."""
    grid = Builder(11, partly_open=True).build(3)
    kinds = {
        "cutout": "CORTACIRCUITO",
        "elbow": "CODO",
        "gang": "SECCIONADOR TRIPOLAR",
        "rmu": "CELDA",
    }
    connections = {"grounded_wye": "ESTRELLA ATERRIZADA", "delta": "TRIÁNGULO"}
    layers = {
        "TRAMO_MT": [
            {
                "COD_TRAMO": s.id,
                "ALIMENTADO": s.feeder,
                "FASES": s.phases,
                "TIPO_RED": "SUBTERRÁNEA" if s.ug else "AÉREA",
                "TENSION_KV": 13.2,
                "LONGITUD_M": s.length_m,
                "CONDUCTOR": f"{s.size} {s.material} XLPE 15kV" if s.ug else f"{s.size} ACSR",
                "ESTADO": LIFE_ES[s.life],
                "geometry": line(s),
            }
            for s in grid.sections
        ],
        "TRAMO_BT": secondary(grid),
        "CT_MT_BT": [
            {
                "COD_CT": b.id,
                "BANCO": b.id if len(b.units) > 1 else None,
                "UNIDAD": f"{b.id}-{i}",
                "FASES": phases,
                "POT_KVA": kva,
                "TENSION_PR": 13200,
                "CONEXION": connections[b.connection],
                "ALIMENTADO": b.feeder,
                "MUNICIPIO": "Peñas Altas",
                "CLIENTES": b.customers,
                "geometry": point(b.at),
            }
            for b in grid.banks
            for i, (phases, kva) in enumerate(b.units)
        ],
        "EQUIPO_COR": [
            {
                "COD_EQUIPO": d.id,
                "TIPO": kinds[d.kind],
                **{f"ESTADO_{pole}": "ABIERTO" if pole in d.open else "CERRADO" for pole in POLES},
                "TRAMO": d.guards if d.told else None,
                "geometry": point(d.at),
            }
            for d in grid.devices
        ],
        "CABECERA": [{"COD_CAB": i, "ALIMENTADO": f, "geometry": point(at)} for i, at, f in grid.sources],
    }
    for name, rows in layers.items():
        drawn(rows).to_file(folder / f"{name}.shp", encoding="cp1252")
        (folder / f"{name}.cpg").unlink(missing_ok=True)
    return folder, grid


def french_in_two_layers(folder: Path) -> tuple[Path, Grid]:
    """GeoParquet in French: all lines in one layer, all points in another; three-core cable and ring main units."""
    grid = Builder(13, partly_open=False).build(3)
    mm2 = {"1/0": 50, "4/0": 95, "500": 240, "750": 400}
    lines = [
        {
            "id_troncon": s.id,
            "depart": s.feeder,
            "niveau": "HTA",
            "pose": "Souterrain" if s.ug else "Aérien",
            "type_cable": f"3x{mm2[s.size]} AL XLPE 12/20 kV" if s.ug else f"{mm2[s.size]} ALM",
            "longueur": s.length_m,
            "etat": LIFE_FR[s.life],
            "geometry": line(s),
        }
        for s in grid.sections
    ]
    low = [{**row, "id_troncon": row["CODE"], "niveau": "BT", "etat": "En service"} for row in secondary(grid)]
    lines += [{k: v for k, v in row.items() if k not in ("CODE", "KIND")} for row in low]
    kinds = {"cutout": "Fusible HTA", "elbow": "Connecteur séparable", "gang": "Interrupteur aérien", "rmu": "Cellule"}
    points = [
        {
            "ident": d.id,
            "categorie": kinds[d.kind],
            "position": "Ouvert" if d.open else "Fermé",
            "troncon": d.guards if d.told else None,
            "depart": d.feeder,
            "geometry": point(d.at),
        }
        for d in grid.devices
    ]
    points += [
        {
            "ident": b.id,
            "categorie": "Poste HTA/BT",
            "puissance_kva": sum(kva for _, kva in b.units),
            "tension_hta": "20 kV",
            "couplage": "Dyn11" if b.connection == "delta" else "YNyn0",
            "phases": "".join(phases for phases, _ in b.units),
            "depart": b.feeder,
            "clients": b.customers,
            "geometry": point(b.at),
        }
        for b in grid.banks
    ]
    points += [
        {"ident": i, "categorie": "Poste source", "depart": f, "geometry": point(at)} for i, at, f in grid.sources
    ]
    points += [
        {"ident": f"P{s.id}", "categorie": "Support", "geometry": point(s.ends[0])} for s in grid.sections if not s.ug
    ]
    for name, rows in {"lignes": lines, "ouvrages": points}.items():
        drawn(rows).to_parquet(folder / f"{name}.parquet")
    return folder, grid


EXPORTERS: tuple[Callable[[Path], tuple[Path, Grid]], ...] = (related_tables, spanish_and_cut, french_in_two_layers)


def plain(grid: Grid) -> dict[str, gpd.GeoDataFrame]:
    """A grid without open poles under the survey's own names, for utilities that only spell it in another way."""
    kinds = {"cutout": "cutout", "elbow": "elbow", "gang": "gang switch", "rmu": "gang switch"}
    cables = [
        {
            "cable_id": s.id,
            "feeder": s.feeder,
            "phases": s.phases,
            "kv": 12.47,
            "build": "ug" if s.ug else "oh",
            "cable_type": f"{s.size} {s.material} XLPE 15kV" if s.ug else f"{s.size} ACSR",
            "cap_nf_km": 250.0 if s.ug else None,
            "length_m": s.length_m,
            "geometry": line(s),
        }
        for s in grid.sections
        if s.life == "in"
    ]
    sites = [
        {
            "site_id": f"{b.id}-{i}" if len(b.units) > 1 else b.id,
            "bank_id": b.id if len(b.units) > 1 else None,
            "phases": phases,
            "kva": kva,
            "kv": 12.47,
            "connection": b.connection,
            "core": b.core,
            "nll_w": 2.5 * kva,
            "exc_pct": 0.6,
            "minload_kw": 0.0,
            "feeder": b.feeder,
            "district": "North",
            "customers": b.customers,
            "critical": int(b.customers > 80),
            "arrester": "yes",
            "minload_3p": "no",
            "geometry": point(b.at),
        }
        for b in grid.banks
        for i, (phases, kva) in enumerate(b.units)
    ]
    switches = [
        {
            "switch_id": d.id,
            "poles": "single" if d.single else "three",
            "device": kinds[d.kind],
            "state": "open" if d.open else "closed",
            "guards": d.guards if d.told else None,
            "arrester": "yes",
            "ops_year": 0.5,
            "geometry": point(d.at),
        }
        for d in grid.devices
    ]
    sources = [{"source_id": i, "feeder": f, "geometry": point(at)} for i, at, f in grid.sources]
    return {
        name: drawn(rows)
        for name, rows in (("cables", cables), ("transformers", sites), ("switches", switches), ("sources", sources))
    }
