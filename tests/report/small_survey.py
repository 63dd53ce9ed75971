"""A survey of five invented sites, small enough to be read, for the tests of the reports."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from survey.report.tables import described_columns
from survey.result import SurveyResult
from survey.settings import Settings

ORIGIN = (500_000.0, 4_000_000.0)
CRS_14N = CRS.from_epsg(32614)


def _frame(table: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows with every described column; what a row does not give is missing."""
    missing = {"text": "", "integer": np.nan, "number": np.nan}
    columns = described_columns(table)
    frame = pd.DataFrame([{c.name: row.get(c.name, missing[c.kind]) for c in columns} for row in rows])
    return frame.reindex(columns=[c.name for c in columns]) if not rows else frame


def _site(rank: int, site_id: str, **values: Any) -> dict[str, Any]:
    common = {
        "rank": rank,
        "site_id": site_id,
        "feeder": "Feeder 7",
        "district": "North",
        "status": "assessed",
        "kva": 300.0,
        "kv": 12.47,
        "connection": "delta",
        "core": "five_legged",
        "minload_kw": 0.0,
        "customers": 12,
        "critical": 0,
        "action": "Replace S-1 by a three-pole device",
    }
    return {**common, **values}


def sites() -> pd.DataFrame:
    walked = {"switch_id": "S-1", "switch_device": "cutout", "path_length_m": 123.456, "path_cable_m": 100.0}
    return _frame(
        "sites",
        [
            _site(1, "T-1", band="severe", score=91.25, priority=95.05, peak_pu=4.1234, lon=-99.0, lat=36.1, **walked),
            _site(2, "=SUM(A1)", band="high", score=60.0, priority=61.0, lon=-99.001, lat=36.1, **walked),
            _site(3, 'Ü "quoted", <b>é</b>', band="low", score=3.0, priority=3.0, lon=-99.002, lat=36.1, notes="-1\n2"),
            _site(4, "T-4", status="no_single_pole", district="South", lon=-99.003, lat=36.1, kva=np.inf),
            _site(5, "T-5", status="not_assessable", district="", kva=np.nan, critical=1),
        ],
    )


def switching_points() -> pd.DataFrame:
    return _frame(
        "switching_points",
        [
            {
                "switch_id": "S-1",
                "switch_device": "cutout",
                "band": "severe",
                "exposed_sites": 2,
                "lon": -99,
                "lat": 36,
            },
            {"switch_id": "S-2", "switch_device": "elbow", "band": "low", "exposed_sites": 1},
        ],
    )


def findings() -> pd.DataFrame:
    return _frame(
        "findings",
        [
            {
                "severity": "error",
                "rule": "bad_kva",
                "layer": "transformers",
                "count": 1,
                "ids": "T-5",
                "message": "@x",
            },
            {
                "severity": "warning",
                "rule": "far_off",
                "layer": "switches",
                "count": 2,
                "lon": -99.5,
                "lat": 36.123456789,
            },
        ],
    )


def _line(*steps: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(ORIGIN[0] + x, ORIGIN[1] + y) for x, y in steps])


def _objects(*values: Any) -> np.ndarray:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def small_survey(**changes: Any) -> SurveyResult:
    """The survey; ``changes`` replace fields of :class:`SurveyResult`."""
    main, branch = _line((0, 0), (50, 0), (100, 20)), _line((50, 0), (50, 60))
    point = shapely.Point(ORIGIN)
    cables = pd.DataFrame(
        {
            "cable_id": ["C-1", "C-2", "C-3", "C-4"],
            "feeder": ["Feeder 7", "Feeder 7", "Feeder 8", ""],
            "shielded": [True, True, False, True],
            "length_m": [101.98, 60.0, 12.5, np.nan],
        }
    )
    values: dict[str, Any] = {
        "sites": sites(),
        "switching_points": switching_points(),
        "findings": findings(),
        "site_points": _objects(*(shapely.Point(ORIGIN[0] + 20 * i, ORIGIN[1]) for i in range(4)), None),
        "site_paths": _objects(main, shapely.MultiLineString([main, branch]), branch, None, None),
        "switch_points": _objects(point, None),
        "section_lines": _objects(shapely.MultiLineString([main, branch]), branch),
        "cables": cables,
        "cable_lines": _objects(main, branch, shapely.MultiLineString([main, _line((9, 9), (12, 13))]), None),
        "section_cables": (np.array([0, 1]), np.array([1])),
        "exposed_by": (np.array([0, 1]), np.array([2])),
        "crs": CRS_14N,
        "settings": Settings(),
        "record": {"version": "0", "counts": {"sites": np.int64(5)}, "share": float("nan")},
    }
    return SurveyResult(**{**values, **changes})
