"""The worst state of every site against surveys of every state: open, close, survey again."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from exports import CRS
from geopandas import GeoDataFrame
from shapely import LineString, Point

from survey.findings import FindingList
from survey.pipeline import survey_tables
from survey.read import read_network
from survey.settings import build_settings
from survey.what_if.edits import Change, apply_changes

PLAIN = {"study": {"run": False}, "limits": {"worst_kva": 800}}
NORMAL_ONLY = {"network": {"either_end": False}}
EVERY = slice(None)
TODAY = EVERY if "SURVEY_NETWORKS" in os.environ else slice(datetime.now(UTC).toordinal() % 4, None, 4)
"""States of the sample that are surveyed: a quarter, another one every day."""
SAMPLE = Path(__file__).parents[3] / "sample_data" / "network.gpkg"


def random_loop(seed: int, path: Path, *, sources: int = 1, ring: bool = False) -> Path:
    """A loop of cables with laterals, devices on both, sites; one device is open, or none is; perhaps a ring beside."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 7))
    turn = 2 * np.pi * np.arange(n) / n
    places = [np.array([500_000 + 300 * np.cos(t), 5_300_000 + 300 * np.sin(t)]) for t in turn]
    ends = [(k, (k + 1) % n) for k in range(n)]
    for k in range(int(rng.integers(2, 6))):
        ends.append((int(rng.integers(0, len(places))), len(places)))
        places.append(places[0] + np.array([1000.0 + 100 * k, 37.0 * k * k]))
    if ring:
        ends.append(tuple(rng.choice(len(places), 2, replace=False).tolist()))
    cables = [
        {"cable_id": f"C{k}", "kv": 12.47, "cap_nf_km": 150.0, "length_m": float(rng.uniform(5, 300)),
         "from_node": f"n{u}", "to_node": f"n{v}", "geometry": LineString([places[u], places[v]])}
        for k, (u, v) in enumerate(ends)
    ]  # fmt: skip
    sites = [
        {"site_id": f"T{k}", "kva": float(rng.choice([75, 150, 300])), "kv": 12.47, "nll_w": 450.0, "exc_pct": 0.5,
         "connection": str(rng.choice(["delta", "floating_wye"])), "node": f"n{k}", "geometry": Point(places[k])}
        for k in range(1, len(places)) if rng.random() < 0.8
    ]  # fmt: skip
    where = [(k, end) for k in range(n) for end in (0, 1) if rng.random() < 0.6]
    where += [where[k] for k in range(len(where)) if rng.random() < 0.2]  # two in one place
    where += [(k, 0) for k in range(n, len(ends) - ring) if rng.random() < 0.5]
    opened = int(rng.integers(-1, len(where)))
    unsaid = rng.random() < 0.3
    switches = [
        {"switch_id": f"S{k}", "poles": str(rng.choice(["single", "single", "three"])),
         "guards": "" if unsaid and rng.random() < 0.5 else f"C{c}",
         "state": "open" if k == opened and c < n else "closed", "node": f"n{ends[c][end]}",
         "geometry": Point(places[ends[c][end]])}
        for k, (c, end) in enumerate(where)
    ]  # fmt: skip
    feeds = [0, *rng.choice(np.arange(1, n), sources - 1, replace=False).tolist()]
    layers = {
        "cables": cables,
        "transformers": sites,
        "switches": switches,
        "sources": [{"source_id": f"G{k}", "node": f"n{k}", "geometry": Point(places[k])} for k in feeds],
    }
    for name, rows in layers.items():
        GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=CRS).to_file(path, layer=name, driver="GPKG")
    return path


def read(path: Path, settings):
    return read_network(path, settings=settings, findings=FindingList())


def look(tables, settings):
    return survey_tables(tables, settings=settings, findings=FindingList())


def state(tables, *, closed="", opened=""):
    rows = [(closed, "closed"), (opened, "open")]
    return apply_changes(tables, [Change("switch_state", name, value=value) for name, value in rows if name])


def on_ring(network, switch: str) -> bool:
    """A closed device is on a closed ring."""
    graph, row = network.graph, network.tables.switches["switch_id"].tolist().index(switch)
    others = nx.MultiGraph(np.delete(np.stack([graph.a, graph.b]), graph.edge_of[row], axis=1).T.tolist())
    ends = graph.near[row], graph.far[row]
    return all(end in others for end in ends) and nx.has_path(others, *ends)


def worst_of_all(tables, settings) -> pd.Series:
    """Greatest score of every site over the normal state and all states that leave every site supplied.

    A tie that is closed closes no ring.
    """
    switches = tables.switches.set_index("switch_id")
    ties = [*switches.index[switches["open"]], ""]
    found = []
    for tie in ties:
        for opened in ["", *switches.index[~switches["open"]]]:
            if bool(tie) != bool(opened) and tie:
                continue
            then = look(state(tables, closed=tie, opened=opened), settings)
            if then.network.walks.sourced.all() and not (tie and on_ring(then.network, tie)):
                sites = then.result.sites.set_index("site_id")
                found.append(sites["score"].where(sites["status"] != "looped"))
    return pd.concat(found, axis=1).max(axis=1)


@pytest.mark.parametrize(("seed", "ring"), [*((k, False) for k in range(5)), (0, True), (3, True), (13, True)])
def test_no_state_is_worse_than_the_one_that_is_named(seed, ring, tmp_path):
    settings = build_settings(PLAIN)
    tables = read(random_loop(seed, tmp_path / "n.gpkg", ring=ring), settings)
    surveyed = look(tables, settings)
    assert not told(surveyed)
    sites, ties = surveyed.result.sites.set_index("site_id"), surveyed.assessment.ties
    score = pd.Series(ties.score, index=tables.transformers["site_id"]).reindex(sites.index)
    normal = sites["score"].where(sites["status"] != "looped")
    worst = worst_of_all(tables, build_settings(PLAIN | NORMAL_ONLY)).reindex(sites.index)
    np.testing.assert_allclose(np.fmax(score, normal).fillna(0), worst.fillna(0), atol=1e-6)
    replays(tables, surveyed.result, settings)


@pytest.mark.parametrize("seed", [1, 3, 11])
def test_a_loop_with_two_supplies_that_is_a_ring_too_is_told(seed, tmp_path):
    settings = build_settings(PLAIN)
    assert told(look(read(random_loop(seed, tmp_path / "n.gpkg", sources=2), settings), settings))


def told(surveyed):
    """Rules that say that a loop was not judged."""
    return [rule for rule in surveyed.result.findings["rule"] if rule.startswith(("tie_", "ring_not"))]


def replays(tables, result, settings, *, some=EVERY):
    """Every state that is named gives the same point, cable, band and load as columns of its normal state."""
    sites, points = result.sites, result.switching_points
    alone = settings.model_copy(update={"network": settings.network.model_copy(update={"either_end": False})})
    named = sites[sites["tie_worst_id"] != ""]
    for (closed, opened), rows in list(named.groupby(["tie_switch_id", "tie_open_id"]))[some]:
        then = look(state(tables, closed=closed, opened=opened), alone).result.sites.set_index("site_id")
        there = then.loc[rows["site_id"]]
        for now, normal in [("tie_worst_id", "worst_switch_id"), ("tie_band", "band")]:
            assert rows[now].tolist() == there[normal].tolist(), (closed, opened)
        for now, normal in [("tie_cable_m", "worst_cable_m"), ("tie_hold_kw", "hold_kw")]:
            np.testing.assert_allclose(rows[now].astype(float), there[normal].astype(float), atol=1e-6)
    opened = points[points["state"] == "open"]
    for row in list(opened.itertuples())[some]:
        then = look(state(tables, closed=row.switch_id, opened=row.tie_open_id), alone).result.switching_points
        there = then.set_index("switch_id").loc[row.switch_id]
        for name in ("exposed_cable_m", "exposed_kva", "exposed_sites", "cap_nf", "hazard", "hold_kw"):
            assert float(getattr(row, name)) == pytest.approx(float(there[name]), nan_ok=True), (row.switch_id, name)
    return len(named), len(opened)


def test_every_state_of_the_sample_replays():
    settings = build_settings({"study": {"run": False}})
    tables = read(SAMPLE, settings)
    named, opened = replays(tables, look(tables, settings).result, settings, some=TODAY)
    assert named > 50
    assert opened > 10


def test_normal_only_leaves_them_out():
    settings = build_settings({"study": {"run": False}} | NORMAL_ONLY)
    sites = look(read(SAMPLE, settings), settings).result.sites
    assert (sites["tie_worst_id"] == "").all()
    assert sites["tie_cable_m"].isna().all()
    assert (sites.loc[sites["status"] == "looped", "band"] == "").all()
