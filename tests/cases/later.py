"""Three further utilities that drafts had not seen the like of when they were invented."""

from __future__ import annotations

import random
import uuid
from datetime import date
from pathlib import Path

import pandas as pd
import pyogrio
from exporters import FOOT_M, drawn, line, point
from invented import POLES, Builder, Grid
from shapely.geometry import LineString, MultiPoint

MM2 = {"1/0": 50, "4/0": 95, "500": 240, "750": 400}
LIFE_PT = {"in": "Em exploração", "out": "Abandonado", "plan": "Em projeto"}
KINDS_PT = {
    "cutout": "Chave fusível unipolar",
    "elbow": "Terminal desconectável tipo cotovelo",
    "gang": "Seccionadora tripolar a óleo",
    "rmu": "Cela de corte tripolar",
}
SUBTYPES = {
    1: "Underground primary",
    2: "Overhead primary",
    3: "Fused cutout",
    4: "Loadbreak elbow",
    5: "Gang operated switch",
    6: "Padmount switchgear, group operated",
    7: "Transformer bank",
    8: "Feeder head",
    9: "Secondary",
}
CODES = {"cutout": 3, "elbow": 4, "gang": 5, "rmu": 6}
BITS = dict(zip(POLES, (1, 2, 4), strict=True))


def flags_and_references(folder: Path) -> tuple[Path, Grid]:
    """GeoPackage in Portuguese: layers by voltage, a flag for each phase, volts, km, ids of no meaning."""
    grid, chance = _numbered(Builder(61, partly_open=False).build(3)), random.Random(5)
    keys = {s.id: f"{{{uuid.UUID(int=chance.getrandbits(128))}}}" for s in grid.sections}

    def phases(carried: str) -> dict[str, object]:
        return {f"FASE_{letter}": pole in carried for letter, pole in zip("RST", POLES, strict=True)}

    lines = {
        s.id: {
            "GlobalID": keys[s.id],
            "COD_TRECHO": s.id,
            "CIRCUITO": s.feeder,
            **phases(s.phases),
            "TENSAO_NOM": 15000,
            "COMPRIMENTO_KM": round(s.length_m / 1000, 5),
            "SITUACAO": LIFE_PT[s.life],
            "CABO": f"3x1x{MM2[s.size]} {s.material}" if s.ug else f"{MM2[s.size]} CAA",
            "geometry": line(s),
        }
        for s in grid.sections
    }
    sites = [
        {
            "COD_PT": f"{b.id}-{i}" if len(b.units) > 1 else b.id,
            "COD_BANCO": b.id if len(b.units) > 1 else None,
            "CIRCUITO": b.feeder,
            **phases(carried),
            "POTENCIA_KVA": kva,
            "TENSAO_PRIM": 15000,
            "LIGACAO": "Dyn5" if b.connection == "delta" else "YNyn0",
            "N_CLIENTES": b.customers,
            "geometry": point(b.at),
        }
        for b in grid.banks
        for i, (carried, kva) in enumerate(b.units)
    ]
    devices = {
        d.id: {
            "COD_EQUIP": d.id,
            "DESIGNACAO": KINDS_PT[d.kind],
            "EST_NORMAL": "Aberto" if d.open else "Fechado",
            "TRECHO_GUID": keys[d.guards] if d.told else None,
            "geometry": point(d.at),
        }
        for d in grid.devices
    }
    layers = {
        "Cabo_Subterraneo_15kV": [lines[s.id] for s in grid.sections if s.ug],
        "Linha_Aerea_15kV": [lines[s.id] for s in grid.sections if not s.ug],
        "Rede_BT_400V": [
            {"COD_TRECHO": f"9{i}", "geometry": LineString([point(a), point(b)])}
            for i, (a, b) in enumerate(grid.secondary)
        ],
        "Posto_Transformacao": sites,
        "Chave_Fusivel": [devices[d.id] for d in grid.devices if d.kind == "cutout"],
        "Equip_Corte": [devices[d.id] for d in grid.devices if d.kind != "cutout"],
        "Juncao_Terminacao": [{"COD_JUNCAO": f"J{s.id}", "geometry": point(s.ends[1])} for s in grid.sections],
        "Subestacao_Saida": [{"COD_SAIDA": i, "CIRCUITO": f, "geometry": point(at)} for i, at, f in grid.sources],
    }
    path = folder / "rede.gpkg"
    for name, rows in layers.items():
        drawn(rows).to_file(path, layer=name, driver="GPKG")
    return path, grid


def _numbered(grid: Grid) -> Grid:
    """Grid whose ids are numbers that begin with zeros."""
    names = {s.id: f"{i + 41:07d}" for i, s in enumerate(grid.sections)}
    for section in grid.sections:
        section.id = names[section.id]
    for i, device in enumerate(grid.devices):
        device.id, device.guards = f"{i + 77:06d}", names[device.guards]
    for i, bank in enumerate(grid.banks):
        bank.id = f"{i + 12:05d}"
    return grid


def masks_and_subtypes(folder: Path) -> tuple[Path, Grid]:
    """GeoPackage: kinds by number, masks of phases and of closed poles, points in degrees, dates of removal."""
    grid = Builder(72, partly_open=True).build(3)
    lines = [
        {
            "AssetID": s.id,
            "SubtypeCode": 1 if s.ug else 2,
            "FeederNo": int(s.feeder[1:]),
            "PhaseMask": sum(BITS[pole] for pole in s.phases),
            "NominalKV": 12.47,
            "ConductorDesc": f"{s.size} {s.material} TRXLPE 15kV 220mil" if s.ug else f"{s.size} ACSR",
            "LengthFeet": round(s.length_m / FOOT_M, 1),
            "RemovalDate": date(2015, 3, 1) if s.life == "out" else None,
            "WorkState": "Proposed" if s.life == "plan" else "Built",
            "geometry": line(s),
        }
        for s in grid.sections
    ]
    lines += [
        {"AssetID": f"X{i}", "SubtypeCode": 9, "PhaseMask": 1, "NominalKV": 0.24, "WorkState": "Built"}
        | {"ConductorDesc": "4/0 TPX", "LengthFeet": 52.0, "geometry": LineString([point(a), point(b)])}
        for i, (a, b) in enumerate(grid.secondary)
    ]
    devices = [
        {
            "AssetID": d.id,
            "SubtypeCode": CODES[d.kind],
            "ClosedMask": sum(BITS[pole] for pole in POLES if pole not in d.open),
            "OnAsset": d.guards if d.told else None,
            "geometry": MultiPoint([point(d.at)]),
        }
        for d in grid.devices
    ]
    banks = [
        {
            "AssetID": b.id,
            "PhaseMask": sum(BITS[pole] for carried, _ in b.units for pole in carried),
            "SizeKVA": "/".join(f"{kva:g}" for _, kva in b.units),
            "Primary": "12470D" if b.connection == "delta" else "12470GRDY/7200",
            "Accounts": b.customers,
            "geometry": MultiPoint([point(b.at)]),
        }
        for b in grid.banks
    ]
    heads = [{"AssetID": i, "FeederNo": int(f[1:]), "geometry": point(at)} for i, at, f in grid.sources]
    path = folder / "assets.gpkg"
    drawn(lines).to_file(path, layer="ElectricLine", driver="GPKG")
    for name, rows in {"ElectricDevice": devices, "ElectricTransformer": banks, "FeederHead": heads}.items():
        drawn(rows).to_crs("EPSG:4326").to_file(path, layer=name, driver="GPKG")
    names = pd.DataFrame({"SubtypeCode": list(SUBTYPES), "SubtypeName": list(SUBTYPES.values())})
    pyogrio.write_dataframe(names, path, layer="Subtypes", driver="GPKG")
    return path, grid


def devices_as_lines(folder: Path) -> tuple[Path, Grid]:
    """GeoParquet of a model of nodes: a device is a short line between two of them, a cable ends where it begins."""
    grid = Builder(73, partly_open=False).build(3)
    devices = {(d.guards, d.at): d for d in grid.devices}
    kinds = {"cutout": "cutout", "elbow": "elbow", "gang": "gang switch", "rmu": "3-pole switch"}
    nodes: dict[object, str] = {}
    lines, switches = [], []
    for s in grid.sections:
        drawn_as, ends = line(s), [nodes.setdefault(end, f"N{len(nodes)}") for end in s.ends]
        places = [drawn_as.interpolate(0.0), drawn_as.interpolate(drawn_as.length)]
        for k, end in enumerate(s.ends):
            if (d := devices.get((s.id, end))) is not None:
                at, there = places[k], nodes.setdefault(d.id, f"N{len(nodes)}")
                places[k] = drawn_as.interpolate((1.0, drawn_as.length - 1.0)[k])
                row = {"switch": d.id, "from_node": ends[k], "to_node": there, "kind": kinds[d.kind]}
                row |= {"normally": "open" if d.open else "closed", "geometry": LineString([at, places[k]])}
                switches.append(row)
                ends[k] = there
        row = {"segment": s.id, "from_node": ends[0], "to_node": ends[1], "feeder": s.feeder, "phases": s.phases}
        row |= {"kv_ll": 12.47, "type": "UG" if s.ug else "OH", "wire": f"{s.size} {s.material}", "length": s.length_m}
        lines.append({**row, "active": int(s.life == "in"), "geometry": LineString(places)})
    banks = [
        {
            "xfmr": b.id,
            "node": nodes[b.at],
            "phases": "".join(carried for carried, _ in b.units),
            "kva_total": sum(kva for _, kva in b.units),
            "kv_primary": 12.47,
            "winding": "delta" if b.connection == "delta" else "wye-g",
            "geometry": point(b.at),
        }
        for b in grid.banks
    ]
    heads = [{"source": i, "node": nodes[at], "feeder": f, "geometry": point(at)} for i, at, f in grid.sources]
    layers = {"segments": lines, "switches": switches, "transformers": banks, "sources": heads}
    for name, rows in layers.items():
        drawn(rows).to_parquet(folder / f"{name}.parquet")
    return folder, grid
