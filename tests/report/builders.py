"""A made-up town as a survey's result: streets, laterals behind cutouts, elbows at sites. For the tests of the map."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from survey.report.tables import described_columns
from survey.result import SurveyResult
from survey.settings import build_settings

ORIGIN = (500_000.0, 4_600_000.0)
CRS_15N = CRS.from_epsg(32615)
STREET_M, BLOCK_M = 240.0, 95.0
BANDS = ("low", "moderate", "high", "severe")
STATUSES = ("not_susceptible", "no_single_pole", "unreached", "not_assessable")


def frame_of(table: str, columns: dict[str, Any], n_rows: int) -> pd.DataFrame:
    """All described columns of a table; those not given are missing."""
    blank = {"text": "", "integer": np.nan, "number": np.nan}
    return pd.DataFrame(
        {
            c.name: columns.get(c.name, np.full(n_rows, blank[c.kind], dtype=object if c.kind == "text" else float))
            for c in described_columns(table)
        }
    )


@dataclass
class Town:
    """Grows lateral by lateral: each is a chain of cables with a site at every joint, behind a cutout."""

    rng: np.random.Generator
    lines: list[Any] = field(default_factory=list)
    shielded: list[bool] = field(default_factory=list)
    sites: list[dict[str, Any]] = field(default_factory=list)
    points: list[dict[str, Any]] = field(default_factory=list)
    sections: list[np.ndarray] = field(default_factory=list)
    exposed: list[np.ndarray] = field(default_factory=list)
    paths: list[Any] = field(default_factory=list)

    def street(self, start: np.ndarray, *, length: int, feeder: str, district: str) -> None:
        """An overhead street with a lateral at every other pole."""
        at = start
        for pole in range(length):
            step = np.array([BLOCK_M, self.rng.normal(0, 4)])
            self.line([at, at + step], shielded=False)
            at = at + step
            if pole % 2 == 0:
                side = 1.0 if self.rng.random() < 0.5 else -1.0
                self.lateral(at, side=side, feeder=feeder, district=district)

    def line(self, xy: list[np.ndarray], *, shielded: bool) -> int:
        self.lines.append(shapely.LineString(np.array(xy)))
        self.shielded.append(shielded)
        return len(self.lines) - 1

    def lateral(self, at: np.ndarray, *, side: float, feeder: str, district: str) -> None:
        n_sites = int(self.rng.integers(1, 6))
        walked, rows, members, here = [at], [], [], at
        cut = len(self.points)
        self.points.append({"switch_device": "cutout", "xy": at, "feeder": feeder})
        for number in range(n_sites):
            bend = here + np.array([self.rng.normal(0, 9), side * 26])
            end = bend + np.array([self.rng.normal(0, 12), side * float(self.rng.uniform(12, 34))])
            rows.append(self.line([here, bend, end], shielded=True))
            walked += [bend, end]
            here = end
            members.append(len(self.sites))
            near = cut
            if number and self.rng.random() < 0.35:
                near = len(self.points)
                self.points.append({"switch_device": "elbow", "xy": bend, "feeder": feeder})
            self.sites.append({"xy": end, "near": near, "worst": cut, "feeder": feeder, "district": district})
            self.paths.append(shapely.LineString(np.array(walked if near == cut else [bend, end])))
        for point in range(cut, len(self.points)):
            own = [i for i, m in enumerate(members) if point == cut or self.sites[m]["near"] >= point]
            self.sections.append(np.array([rows[i] for i in own], dtype=np.int64))
            self.exposed.append(np.array([members[i] for i in own], dtype=np.int64))


def _grown(rng: np.random.Generator, *, districts: int, streets: int, length: int) -> Town:
    town = Town(rng)
    for d in range(districts):
        for s in range(streets):
            corner = np.array([d * (length * BLOCK_M + 320) + 37 * (s % 3), s * STREET_M * 1.9])
            town.street(
                np.array(ORIGIN) + corner, length=length, feeder=f"F-{d * 2 + s % 2 + 1:02d}", district=f"Ward {d + 1}"
            )
    return town


def _site_columns(town: Town, rng: np.random.Generator) -> dict[str, Any]:
    n = len(town.sites)
    lengths = shapely.length(np.array(town.lines, dtype=object))
    behind = np.array([lengths[town.sections[s["near"]]].sum() for s in town.sites])
    whole = np.array([lengths[town.sections[s["worst"]]].sum() for s in town.sites])
    kva = rng.choice([75.0, 150.0, 300.0, 500.0, 750.0], n)
    peak = np.clip(1.0 + whole / 75.0 * (300 / kva) ** 0.4 * rng.uniform(0.5, 1.2, n), 1.0, 5.2)
    score = np.clip((peak - 1.0) / 3.4 * 100 * rng.uniform(0.7, 1.0, n), 0, 100)
    band = np.array(BANDS, dtype=object)[np.searchsorted([25, 50, 75], score, side="right")]
    status = np.full(n, "assessed", dtype=object)
    odd = rng.random(n) < 0.06
    status[odd] = rng.choice(np.array(STATUSES, dtype=object), int(odd.sum()))
    band[odd] = ""
    number = {
        "score": score,
        "hazard": score,
        "priority": np.clip(score * rng.uniform(0.8, 1.1, n), 0, 100),
        "peak_pu": peak,
        "peak_loaded_pu": 1 + (peak - 1) * 0.4,
        "likelihood": np.clip((peak - 1.1) / 4, 0, 1),
        "xc_ohm": rng.uniform(1e4, 9e9, n),
        "xm_ohm": rng.uniform(1e4, 1e6, n),
        "xc_xm": rng.uniform(0.1, 40, n),
        "load_needed_kw": kva * 0.05,
        "cap_nf": behind * 0.19,
        "charge_loss": peak - 0.3,
        "worst_peak_pu": peak,
    }
    columns: dict[str, Any] = {key: np.where(odd, np.nan, value) for key, value in number.items()}
    return columns | {
        "status": status,
        "band": band,
        "kva": kva,
        "kv": np.full(n, 12.47),
        "connection": np.full(n, "delta", dtype=object),
        "exposed_cable_m": behind,
        "worst_cable_m": whole,
        "path_length_m": shapely.length(np.array(town.paths, dtype=object)),
        "customers": rng.integers(1, 90, n).astype(float),
        "load_rule_kw": kva * 0.15,
        "hold_kw": kva * 0.2,
        "minload_kw": np.zeros(n),
    }


def town_survey(
    *, districts: int = 2, streets: int = 6, length: int = 9, seed: int = 7, settings: dict[str, Any] | None = None
) -> SurveyResult:
    """Some two hundred sites in two districts; every band and status is there."""
    rng = np.random.default_rng(seed)
    town = _grown(rng, districts=districts, streets=streets, length=length)
    columns = _site_columns(town, rng)
    order = np.lexsort((np.arange(len(town.sites)), -np.nan_to_num(columns["priority"], nan=-1.0)))
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    exposed = tuple(np.sort(place[rows]) for rows in town.exposed)
    sites = _sites_frame(town, columns, order)
    return SurveyResult(
        sites=sites,
        switching_points=_points_frame(town, sites, exposed),
        findings=_findings_frame(),
        site_points=_array(shapely.points([site["xy"] for site in town.sites]))[order],
        site_paths=_array(town.paths)[order],
        switch_points=_array(shapely.points([point["xy"] for point in town.points])),
        section_lines=_array([shapely.MultiLineString([town.lines[i] for i in rows]) for rows in town.sections]),
        cables=pd.DataFrame(
            {
                "cable_id": [f"C-{i}" for i in range(len(town.lines))],
                "feeder": "F",
                "shielded": town.shielded,
                "length_m": shapely.length(_array(town.lines)),
            }
        ),
        cable_lines=_array(town.lines),
        section_cables=tuple(town.sections),
        exposed_by=exposed,
        crs=CRS_15N,
        settings=build_settings(settings or {"report": {"title": "Survey of Ebbridge", "data_date": "2031-05-02"}}),
    )


def _sites_frame(town: Town, columns: dict[str, Any], order: np.ndarray) -> pd.DataFrame:
    n = len(order)
    text = {
        "site_id": [f"T-{i + 1:04d}" for i in range(n)],
        "feeder": [s["feeder"] for s in town.sites],
        "district": [s["district"] for s in town.sites],
        "switch_id": [switch_id(s["near"]) for s in town.sites],
        "switch_device": [town.points[s["near"]]["switch_device"] for s in town.sites],
        "worst_switch_id": [switch_id(s["worst"]) for s in town.sites],
        "action": [f"Replace {switch_id(s['worst'])} by a three-pole device, or keep load on." for s in town.sites],
    }
    ordered = {key: np.asarray(value, dtype=object)[order] for key, value in text.items()}
    ordered |= {key: value[order] for key, value in columns.items()}
    lon, lat = _degrees([site["xy"] for site in town.sites])
    ordered |= {"rank": np.arange(1.0, n + 1), "lon": lon[order], "lat": lat[order]}
    return frame_of("sites", ordered, n)


def _degrees(xy: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    return Transformer.from_crs(CRS_15N, "EPSG:4326", always_xy=True).transform(*np.array(xy).T)


def switch_id(number: int) -> str:
    return f"S-{number + 1:03d}"


def _points_frame(town: Town, sites: pd.DataFrame, exposed: tuple[np.ndarray, ...]) -> pd.DataFrame:
    lengths = shapely.length(_array(town.lines))
    priority, band = sites["priority"].fillna(0).to_numpy(), sites["band"].to_numpy()
    top = np.array([priority[rows].max() for rows in exposed])
    lon, lat = _degrees([point["xy"] for point in town.points])
    columns = {
        "lon": lon,
        "lat": lat,
        "switch_id": [switch_id(i) for i in range(len(town.points))],
        "switch_device": [p["switch_device"] for p in town.points],
        "feeder": [p["feeder"] for p in town.points],
        "exposed_cable_m": [lengths[rows].sum() for rows in town.sections],
        "exposed_sites": [float(len(rows)) for rows in exposed],
        "exposed_kva": [sites["kva"].to_numpy()[rows].sum() for rows in exposed],
        "peak_pu": [sites["peak_pu"].fillna(0).to_numpy()[rows].max() for rows in exposed],
        "top_priority": top,
        "band": [max((band[r] for r in rows), key=("", *BANDS).index) for rows in exposed],
    }
    return frame_of("switching_points", columns, len(town.points))


def _findings_frame() -> pd.DataFrame:
    columns = {
        "severity": ["error", "warning", "assumed"],
        "rule": ["bad_kva", "length_mismatch", "default_core"],
        "layer": ["transformers", "cables", "transformers"],
        "count": [1.0, 1.0, 40.0],
        "ids": ["T-0007", "C-12", " ".join(f"T-{i:04d}" for i in range(400))],
        "message": [
            "kVA is 'x'; the site is not assessable; correct the record",
            "recorded 210 m, drawn 95 m",
            "five legs assumed",
        ],
        "lon": [-92.998, -92.995, np.nan],
        "lat": [41.551, 41.553, np.nan],
    }
    return frame_of("findings", columns, 3)


def _array(values: Any) -> np.ndarray:
    out = np.empty(len(values), dtype=object)
    out[:] = list(values)
    return out
