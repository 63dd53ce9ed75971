"""reports/ is what the sample gives now (``python tests/make_reports.py`` brings it up to date)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from make_reports import KEPT, make

ROOT = Path(__file__).parents[1]
STUDIED = {
    "peak_pu",
    "peak_loaded_pu",
    "worst_peak_pu",
    "typical_pu",
    "cycles_above",
    "arrester_w",
    "arrester_s",
    "risk",
    "likelihood",
    "load_needed_kw",
    "worst_load_kw",
    "hold_kw",
    "tie_peak_pu",
    "tie_hold_kw",
    "score",
    "priority",
    "hazard",
    "score_low",
    "score_high",
    "top_priority",
    "span",
}
RANKED = {"rank", "action", "circuit", "tie_switch_id", "tie_open_id", "tie_worst_id", "tie_cable_m", "tie_band"}
"""Follow the study's last digits: two processors may round a chaotic response differently, and swap two neighbours."""


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports")
    make(folder)
    return folder


def test_the_same_files_are_there(fresh):
    kept = {p.name for p in (ROOT / "reports").iterdir() if p.is_file()}
    assert {p.name for p in fresh.iterdir()} <= kept
    assert set(KEPT) <= kept


@pytest.mark.parametrize(("name", "key"), [("sites.csv", ["site_id"]), ("switching_points.csv", ["switch_id"])])
def test_tables_are_current(fresh, name, key):
    old, new = (pd.read_csv(f / name).set_index(key).sort_index() for f in (ROOT / "reports", fresh))
    assert list(old.columns) == list(new.columns)
    assert old.index.equals(new.index)
    for column in set(old.columns) - RANKED - STUDIED:
        pd.testing.assert_series_equal(old[column], new[column])
    for column in STUDIED & set(old.columns):
        close = np.isclose(old[column], new[column], rtol=0.02, atol=0.5, equal_nan=True)
        assert close.mean() > 0.98, column


def test_findings_are_current(fresh):
    old, new = (pd.read_csv(f / "findings.csv", keep_default_na=False) for f in (ROOT / "reports", fresh))
    columns = ["severity", "rule", "layer", "count", "ids", "message", "sites"]
    assert sorted(map(tuple, old[columns].astype(str).to_numpy())) == sorted(
        map(tuple, new[columns].astype(str).to_numpy())
    )


def test_record_is_current(fresh):
    old, new = (json.loads((f / "run.json").read_text()) for f in (ROOT / "reports", fresh))
    for key in ("settings", "fingerprints", "counts", "health", "findings"):
        assert old[key] == new[key]
    assert old["sites"]["status"] == new["sites"]["status"]


def test_the_network_is_found_from_the_folder():
    record = json.loads((ROOT / "reports" / "run.json").read_text())
    assert (ROOT / "reports" / record["network_from_here"]).resolve() == ROOT / "sample_data" / "network.gpkg"
    assert str(ROOT.parent) not in (ROOT / "reports" / "run.json").read_text()


def test_the_plan_names_the_same_installs(fresh):
    old, new = (pd.read_csv(f / "plan.csv") for f in (ROOT / "reports", fresh))
    assert len(old) == len(new)
