"""Two utilities whose exports were invented before any draft had seen the like of them, each with habits of its own."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pandas as pd
import pyogrio
from exporters import FOOT_M, drawn, line, point
from invented import POLES, Builder, Grid, Place
from shapely.geometry import LineString, MultiLineString, Point

MM2 = {"1/0": 50, "4/0": 95, "500": 240, "750": 150}
CLASSES = {
    1: "Poste HTA/BT",
    2: "Cellule interrupteur",
    3: "IACM",
    4: "Coupe-circuit à fusibles",
    5: "Poste source",
    6: "Support béton",
    7: "Boîte de jonction",
    8: "Sectionneur unipolaire",
}
DOMAINS: dict[str, dict[object, str]] = {
    "ETAT": {1: "En projet", 2: "En travaux", 3: "En exploitation", 5: "Abandonné"},
    "POSE": {"S": "Souterrain", "A": "Aérien nu", "T": "Aérien torsadé"},
    "NATURE": {1: "Aluminium", 2: "Cuivre"},
    "ISOLANT": {"PR": "Polyéthylène réticulé", "PI": "Papier imprégné"},
    "CLASSE_OUVRAGE": dict(CLASSES.items()),
    "POSITION": {"O": "Ouvert", "F": "Fermé"},
}
DEVICES = {
    "CO": "CUTOUT",
    "ELB": "LOADBREAK ELBOW",
    "GOAB": "GANG OPERATED AIR BREAK",
    "SWC": "PAD SWITCHING CABINET 3PH",
    "OCR": "OIL CIRCUIT RECLOSER",
}


class Rings(Builder):
    """Stations on rings of cable, two cells each, one cell of a ring open; spurs behind fuses, some overhead."""

    def _feeder(self, feeder: str, x: float) -> None:
        heads = [(x, 0.0), (x + 30.0, 0.0)]
        names = [feeder, f"{feeder}B"]
        self.grid.sources += [(f"PS-{name}", at, name) for name, at in zip(names, heads, strict=True)]
        stations = [(x + 200.0 * i, 300.0 + self.random.uniform(-40.0, 40.0)) for i in range(7)]
        places, gap = [heads[0], *stations, heads[1]], self.random.randrange(2, 5)
        for i, (one, other) in enumerate(pairwise(places)):
            name = self._section(one, other, names[i > gap], ug=True)
            if i > 0:
                is_open = "ABC" if i - 1 == gap else ""
                self._device(one, name, "rmu", names[i > gap], told=True, is_open=is_open)
            if i < len(stations):
                self._device(other, name, "rmu", names[i > gap], told=True)
        for i, at in enumerate(stations):
            self._station(at, names[i > gap], number=i)
        self._section((x, 20.0), (x + 300.0, 20.0), feeder, ug=True, life="out")

    def _station(self, at: Place, feeder: str, *, number: int) -> None:
        if number % 2 == 0:
            end = self._spur(at, (1.0, -6.0), feeder, self.random.choice(["cutout", "rmu"]))
            self._bank(end, feeder, [("ABC", self.random.choice([250.0, 400.0, 630.0]))])
            return
        self._bank(at, feeder, [("ABC", self.random.choice([160.0, 250.0]))])
        end = self._spur(at, (10.0, 150.0), feeder, "rmu")
        end = self._spur(end, (5.0, 90.0), feeder, "blade", ug=False)
        self._bank(end, feeder, [("ABC", 100.0)])
        if number == 1:
            end = self._spur(end, (6.0, 120.0), feeder, "cutout", told=False)
            self._bank(end, feeder, [("ABC", 160.0)])

    def _spur(self, at: Place, way: Place, feeder: str, kind: str, *, ug: bool = True, told: bool = True) -> Place:
        end = (at[0] + way[0], at[1] + way[1])
        self._device(at, self._section(at, end, feeder, ug=ug), kind, feeder, told=told)
        return end


def _table(rows: list[dict[str, object]], path: Path, name: str, driver: str) -> None:
    pyogrio.write_dataframe(pd.DataFrame(rows), path, layer=name, driver=driver)


def domains_and_rings(folder: Path) -> tuple[Path, Grid]:
    """GeoPackage in French: one point layer by class, codes in one list, feeders by number, cable in three columns."""
    grid = Rings(21, partly_open=False).build(5)
    feeders = {feeder: i + 11 for i, feeder in enumerate(sorted({f for *_, f in grid.sources}))}
    kinds = {"rmu": 2, "gang": 3, "cutout": 4, "blade": 8}
    life = {"in": 3, "out": 5, "plan": 1}
    lines = [
        {
            "MATRICULE": s.id,
            "ID_DEPART": feeders[s.feeder],
            "ETAT": life[s.life],
            "POSE": "S" if s.ug else "A",
            "SECT": MM2[s.size],
            "NAT": {"AL": 1, "CU": 2}[s.material],
            "ISOL": "PR" if s.ug else None,
            "U_NOM": "20 KV",
            "LG": round(s.length_m / 1000, 5),
            "geometry": MultiLineString([line(s)]),
        }
        for s in grid.sections
    ]
    points: list[dict[str, object]] = [
        {
            "MATRICULE": d.id,
            "CLASSE": kinds[d.kind],
            "POSITION": "O" if d.open else "F",
            "TRONCON_PROT": d.guards if d.told else None,
            "ID_DEPART": feeders[d.feeder],
            "geometry": point(d.at),
        }
        for d in grid.devices
    ]
    points += [
        {
            "MATRICULE": b.id,
            "CLASSE": 1,
            "PUISSANCE": b.units[0][1],
            "U_NOM": "20 KV",
            "COUPLAGE": "Dyn1" if b.connection == "delta" else "YNyn0",
            "NB_CLIENTS": b.customers,
            "ID_DEPART": feeders[b.feeder],
            "COMMUNE": "Bréville",
            "geometry": point(b.at),
        }
        for b in grid.banks
    ]
    heads = [(i, 5, at) for i, at, _ in grid.sources]
    others = [(f"M{s.id}", 7 if s.ug else 6, s.ends[1]) for s in grid.sections]
    points += [{"MATRICULE": i, "CLASSE": kind, "geometry": point(at)} for i, kind, at in (*heads, *others)]
    path = folder / "patrimoine.gpkg"
    low = [{"MATRICULE": f"BT{i}", "geometry": _straight(*ends)} for i, ends in enumerate(grid.secondary)]
    for name, rows in {"TRONCON_HTA": lines, "BRANCHEMENT_BT": low, "OUVRAGE_PT": points}.items():
        drawn(rows).to_file(path, layer=name, driver="GPKG")
    codes: list[dict[str, object]] = [
        {"LISTE": name, "VALEUR": str(code), "LIBELLE": words}
        for name, pairs in DOMAINS.items()
        for code, words in pairs.items()
    ]
    _table(codes, path, "LISTE_CODES", "GPKG")
    _table([{"ID": number, "NOM_DEPART": name} for name, number in feeders.items()], path, "DEPART_HTA", "GPKG")
    return path, grid


def _straight(one: Place, other: Place) -> LineString:
    return LineString([point(one), point(other)])


def places_and_letters(folder: Path) -> tuple[Path, Grid]:
    """Shapefiles of a rural utility: ids of places, letters for states, units as rows, N.O. and N.C. on each pole."""
    grid = Builder(33, partly_open=True).build(3)
    place = {s.id: f"{12 + i // 40:02d}-{i:03d}-{(i * 7) % 90 + 10}" for i, s in enumerate(grid.sections)}
    life = {"in": "E", "out": "R", "plan": "P"}
    kinds = {"cutout": "CO", "elbow": "ELB", "gang": "GOAB", "rmu": "SWC"}
    windings = {"grounded_wye": ("YG-YG", "7200/12470Y"), "delta": ("D-YG", "12470")}
    spans = {
        s.id: {
            "MAP_LOC": place[s.id],
            "SUB_FDR": f"03-{s.feeder[1:]}",
            "PHASING": f"{s.phases}N",
            "NOM_VOLT": 12470,
            "STATUS": life[s.life],
            "WIRE": f"{s.size} {s.material} 220 TRXLP 1/3 JCN" if s.ug else f"{s.size} ACSR",
            "LEN_FT": round(s.length_m / FOOT_M, 1),
            "geometry": line(s),
        }
        for s in grid.sections
    }
    devices = [
        {
            "DEV_LOC": d.id,
            "DEV_KIND": kinds[d.kind],
            **{f"STAT_{pole}PH": "N.O." if pole in d.open else "N.C." for pole in POLES},
            "LINE_LOC": place[d.guards],
            "SUB_FDR": f"03-{d.feeder[1:]}",
            "geometry": point(d.at),
        }
        for d in grid.devices
    ]
    units = [
        {
            "XF_LOC": b.id,
            "SERIAL": 910000 + 10 * number + i,
            "PH": phases,
            "KVA": kva,
            "PRI_VOLT": windings[b.connection][1],
            "CONN": windings[b.connection][0],
            "SUB_FDR": f"03-{b.feeder[1:]}",
            "CONSUMERS": b.customers if i == 0 else 0,
            "geometry": Point(point(b.at).x + 0.4 * i, point(b.at).y),
        }
        for number, b in enumerate(grid.banks)
        for i, (phases, kva) in enumerate(b.units)
    ]
    layers = {
        "oh_pri": [spans[s.id] for s in grid.sections if not s.ug],
        "ug_pri": [spans[s.id] for s in grid.sections if s.ug],
        "sec_svc": [{"MAP_LOC": f"S{i}", "geometry": _straight(*ends)} for i, ends in enumerate(grid.secondary)],
        "pots": units,
        "line_devs": devices,
        "sub_ckts": [{"CKT_NO": i, "SUB_FDR": f"03-{f[1:]}", "geometry": point(at)} for i, at, f in grid.sources],
        "structures": [{"TAG": f"P{s.id}", "geometry": point(s.ends[0])} for s in grid.sections if not s.ug],
    }
    for name, rows in layers.items():
        drawn(rows).to_file(folder / f"{name}.shp")
    codes: list[dict[str, object]] = [{"DEV_KIND": code, "DESCRIPT": words} for code, words in DEVICES.items()]
    _table(codes, folder / "dev_kind.dbf", "dev_kind", "ESRI Shapefile")
    return folder, grid
