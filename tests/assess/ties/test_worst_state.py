"""The worst state of every site against surveys of every state: open, close, survey again."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from itertools import zip_longest
from pathlib import Path

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from exports import CRS, survey_tables
from geopandas import GeoDataFrame
from shapely import LineString, Point

from survey.assess.ties.chains import _numbered
from survey.findings import FindingList
from survey.network.ties.states import sites_met
from survey.network.walk.walks import three_pole_edges
from survey.read import read_network
from survey.result import in_normal_state
from survey.settings import build_settings
from survey.what_if.edits import Change, apply_changes

PLAIN = {"study": {"run": False}, "limits": {"worst_kva": 800}}
NORMAL_ONLY = {"network": {"either_end": False}}
EVERY = slice(None)
TODAY = EVERY if "SURVEY_NETWORKS" in os.environ else slice(datetime.now(UTC).toordinal() % 2, None, 2)
"""States of the sample that are surveyed: half of them, the others every second day."""
FIRST = int(os.environ.get("SURVEY_SEED", "0"))
SAMPLE = Path(__file__).parents[3] / "sample_data" / "network.gpkg"
APART_M = 5_000.0


def random_loop(seed: int, path: Path, **more) -> Path:
    """One network of :func:`random_rows` as a file."""
    return write(path, [random_rows(seed, **more)])


def random_rows(seed: int, *, name: str = "", sources: int = 1, ring: bool = False, dead: bool = False):
    """A loop of cables with laterals, devices on both, sites; one device is open, or none is.

    ``ring``: one more cable between two nodes; ``dead``: two devices are open; ``name`` begins all ids.
    """
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 7))
    turn = 2 * np.pi * np.arange(n) / n
    middle = np.array([500_000 + APART_M * seed, 5_300_000])
    places = [middle + 300 * np.array([np.cos(t), np.sin(t)]) for t in turn]
    ends = [(k, (k + 1) % n) for k in range(n)]
    for k in range(int(rng.integers(2, 6))):
        ends.append((int(rng.integers(0, len(places))), len(places)))
        places.append(places[0] + np.array([1000.0 + 100 * k, 37.0 * k * k]))
    if ring:
        ends.append(tuple(rng.choice(len(places), 2, replace=False).tolist()))
    cables = [
        {"cable_id": f"{name}C{k}", "kv": 12.47, "cap_nf_km": 150.0, "length_m": float(rng.uniform(5, 300)),
         "from_node": f"{name}n{u}", "to_node": f"{name}n{v}", "geometry": LineString([places[u], places[v]])}
        for k, (u, v) in enumerate(ends)
    ]  # fmt: skip
    sites = [
        {"site_id": f"{name}T{k}", "kva": float(rng.choice([75, 150, 300])), "kv": 12.47, "nll_w": 450.0,
         "exc_pct": 0.5, "connection": str(rng.choice(["delta", "floating_wye"])), "node": f"{name}n{k}",
         "geometry": Point(places[k])}
        for k in range(1, len(places)) if rng.random() < 0.8
    ]  # fmt: skip
    where = [(k, end) for k in range(n) for end in (0, 1) if rng.random() < 0.6]
    where += [where[k] for k in range(len(where)) if rng.random() < 0.2]  # two in one place
    where += [(k, 0) for k in range(n, len(ends) - ring) if rng.random() < 0.5]
    opened = {int(rng.integers(-1, len(where))), int(rng.integers(-1, len(where))) if dead else -1}
    unsaid = rng.random() < 0.3
    switches = [
        {"switch_id": f"{name}S{k}", "poles": str(rng.choice(["single", "single", "three"])),
         "guards": "" if unsaid and rng.random() < 0.5 else f"{name}C{c}",
         "state": "open" if k in opened and c < n else "closed", "node": f"{name}n{ends[c][end]}",
         "geometry": Point(places[ends[c][end]])}
        for k, (c, end) in enumerate(where)
    ]  # fmt: skip
    feeds = [0, *rng.choice(np.arange(1, n), sources - 1, replace=False).tolist()]
    supplies = [{"source_id": f"{name}G{k}", "node": f"{name}n{k}", "geometry": Point(places[k])} for k in feeds]
    return {"cables": cables, "transformers": sites, "switches": switches, "sources": supplies}


def write(path: Path, several) -> Path:
    """Networks beside each other as one file."""
    for layer in several[0]:
        rows = pd.DataFrame([row for network in several for row in network[layer]])
        GeoDataFrame(rows, geometry="geometry", crs=CRS).to_file(path, layer=layer, driver="GPKG")
    return path


def read(path: Path, settings):
    return read_network(path, settings=settings, findings=FindingList())


def look(tables, settings):
    return survey_tables(tables, settings=settings, findings=FindingList())


def in_states(tables, several):
    """The tables with all of these states at once; of ``(closed, opened)`` either may be empty."""
    rows = [row for closed, opened in several for row in ((closed, "closed"), (opened, "open"))]
    return apply_changes(tables, [Change("switch_state", name, value=value) for name, value in rows if name])


def on_ring(network, switch: str) -> bool:
    """A closed device is on a closed ring."""
    graph, row = network.graph, network.tables.switches["switch_id"].tolist().index(switch)
    others = nx.MultiGraph(np.delete(np.stack([graph.a, graph.b]), graph.edge_of[row], axis=1).T.tolist())
    ends = graph.near[row], graph.far[row]
    return all(end in others for end in ends) and nx.has_path(others, *ends)


def look_at_all(tables, settings, states):
    """The first state of every network at once, then the second ...: the network, the state and the survey.

    ``states``: those of each network by the name that its ids begin with; the normal one where they are done.
    """
    for several in zip_longest(*states.values(), fillvalue=("", "")):
        then = look(in_states(tables, several), settings)
        yield from ((name, of_one, then) for name, of_one in zip(states, several, strict=True))


def worst_of_all(tables, settings, names) -> pd.Series:
    """Greatest score of every site over the normal state and all states that leave every site of its network supplied.

    A tie that is closed closes no ring; where it makes none by itself, nothing is opened.
    """
    switches = tables.switches.set_index("switch_id")
    devices = {name: switches[switches.index.str.startswith(name)] for name in names}
    ties = {name: [(tie, "") for tie in rows.index[rows["open"]]] for name, rows in devices.items()}
    loops = {tie: on_ring(then.network, tie) for _, (tie, _), then in look_at_all(tables, settings, ties) if tie}
    states = {}
    for name, rows in devices.items():
        looped = ["", *(tie for tie, _ in ties[name] if loops[tie])]
        states[name] = [("", ""), *ties[name], *((tie, x) for tie in looped for x in rows.index[~rows["open"]])]
    found = []
    for name, (tie, opened), then in look_at_all(tables, settings, states):
        mine = then.network.tables.transformers["site_id"].str.startswith(name).to_numpy()
        supplied = then.network.walks.sourced[mine].all()
        if not (tie or opened) or (supplied and not (tie and on_ring(then.network, tie))):
            sites = then.result.sites.set_index("site_id")
            sites = sites[sites.index.str.startswith(name)]
            found.append(sites["score"].where(sites["status"] != "looped"))
    return pd.concat(found).groupby(level=0).max()


KINDS = [{}, {"dead": True}, {}, {"ring": True}, {"dead": True}, {"ring": True, "dead": True}]


def test_no_state_is_worse_than_the_one_that_is_named(tmp_path):
    settings, alone = build_settings(PLAIN), build_settings(PLAIN | NORMAL_ONLY)
    several = {f"{k:02}": random_rows(FIRST + k, name=f"{k:02}", **KINDS[k % len(KINDS)]) for k in range(24)}
    tables = read(write(tmp_path / "n.gpkg", list(several.values())), settings)
    surveyed = look(tables, settings)
    unsure = {str(x)[:2] for x in told_ids(surveyed)}
    names = [name for name in several if name not in unsure]
    assert len(names) > len(several) / 3
    judged = surveyed.result.sites.set_index("site_id")
    judged = judged[judged.index.str[:2].isin(names)]
    score = pd.Series(surveyed.assessment.ties.score, index=tables.transformers["site_id"]).reindex(judged.index)
    normal = judged["score"].where(judged["status"] != "looped")
    worst = worst_of_all(tables, alone, names).reindex(judged.index)
    different = ~np.isclose(np.fmax(score, normal).fillna(0), worst.fillna(0), atol=1e-6)
    assert not different.any(), pd.DataFrame({"named": score, "normal": normal, "worst": worst})[different]
    assert FIRST or ((judged["tie_switch_id"] != "") & (judged["tie_open_id"] == "")).any()
    replays(tables, surveyed, settings)


@pytest.mark.parametrize("seed", [1, 3, 11])
def test_a_loop_with_two_supplies_that_is_a_ring_too_is_told(seed, tmp_path):
    settings = build_settings(PLAIN)
    assert told(look(read(random_loop(seed, tmp_path / "n.gpkg", sources=2), settings), settings))


def told_ids(surveyed):
    """Assets of loops that were not judged."""
    findings = surveyed.result.findings
    return " ".join(findings["ids"][findings["rule"].isin(told(surveyed))]).split()


def told(surveyed):
    """Rules that say that a loop was not judged."""
    return [rule for rule in surveyed.result.findings["rule"] if rule.startswith(("tie_", "ring_not"))]


def apart(network, states):
    """States by rounds: those of one share no device and no site, so that none is in another's way."""
    ids = network.tables.switches["switch_id"].tolist()
    touched, every = {}, [x for x in (network, network.revived) if x]
    for then in every:
        gang = three_pole_edges(then.tables, then.graph)
        met = sites_met(then.loops, site_node=then.site_node, upstream=then.upstream, sections=then.sections, gang=gang)
        for k, tie in enumerate(then.loops.tie.tolist()):
            devices = then.loops.device[then.loops.start[k] : then.loops.start[k + 1]].tolist()
            parts = {*devices, *(("site", x) for x in met.site[then.loops.loop[met.zone] == k].tolist())}
            for name in [ids[tie]] if tie >= 0 else [f"ring {ids[x]}" for x in devices]:
                touched[name] = touched.get(name, set()) | parts
    rounds: list[tuple[set, list]] = []
    for closed, opened in states:
        parts = touched[closed or f"ring {opened}"]
        free = next((r for r in rounds if not r[0] & parts), None)
        if free is None:
            rounds.append(free := (set(), []))
        free[0].update(parts)
        free[1].append((closed, opened))
    return [states for _, states in rounds]


def replays(tables, surveyed, settings, *, some=EVERY):
    """Every state that is named gives the same point, cable, band and load as columns of its normal state."""
    sites, points = surveyed.result.sites, surveyed.result.switching_points
    alone = settings.model_copy(update={"network": settings.network.model_copy(update={"either_end": False})})
    named = sites[sites["tie_worst_id"] != ""].groupby(["tie_switch_id", "tie_open_id"])
    only = points[~in_normal_state(points)]
    closed = only["tie_switch_id"].mask((only["state"] == "open") & (only["tie_switch_id"] == ""), only["switch_id"])
    opened = only.groupby([closed, "tie_open_id"])
    for several in apart(surveyed.network, sorted({*named.groups, *opened.groups}))[some]:
        then = look(in_states(tables, several), alone).result
        for key in several:
            if key in named.groups:
                same_sites(named.get_group(key), then.sites.set_index("site_id"), key)
            if key in opened.groups:
                same_points(opened.get_group(key), then.switching_points.set_index("switch_id"))
    worst = sites["tie_worst_id"][sites["tie_worst_id"] != ""]
    assert set(worst) <= set(points["switch_id"])
    return len(worst), len(only)


def same_sites(rows, then, key):
    """What is named of sites is what a survey of the state says of them."""
    there = then.loc[rows["site_id"]]
    for now, normal in [("tie_worst_id", "worst_switch_id"), ("tie_band", "band")]:
        assert rows[now].tolist() == there[normal].tolist(), key
    for now, normal in [("tie_cable_m", "worst_cable_m"), ("tie_hold_kw", "hold_kw")]:
        np.testing.assert_allclose(rows[now].astype(float), there[normal].astype(float), atol=1e-6)


def same_points(rows, then):
    """The same of a normally open point."""
    for row in rows.itertuples():
        there = then.loc[row.switch_id]
        for name in ("exposed_cable_m", "exposed_kva", "exposed_sites", "cap_nf", "hazard", "hold_kw"):
            assert float(getattr(row, name)) == pytest.approx(float(there[name]), nan_ok=True), (row.switch_id, name)


def test_every_state_of_the_sample_replays():
    settings = build_settings({"study": {"run": False}})
    tables = read(SAMPLE, settings)
    named, opened = replays(tables, look(tables, settings), settings, some=TODAY)
    assert named > 50
    assert opened > 10


def test_normal_only_leaves_them_out():
    settings = build_settings({"study": {"run": False}} | NORMAL_ONLY)
    sites = look(read(SAMPLE, settings), settings).result.sites
    assert (sites["tie_worst_id"] == "").all()
    assert sites["tie_cable_m"].isna().all()
    assert (sites.loc[sites["status"] == "looped", "band"] == "").all()


@pytest.mark.parametrize("seed", range(20))
def test_owners_of_the_same_devices_have_the_same_number(seed):
    draw = np.random.default_rng(seed)
    owner, device = np.sort(draw.integers(0, 12, 30)), draw.integers(0, 4, 30)
    held = [tuple(sorted(device[owner == k].tolist())) for k in range(12)]
    number = _numbered(owner, device, n=12)
    assert [held.index(devices) for devices in held] == [number.tolist().index(k) for k in number]
    assert [devices == () for devices in held] == (number == 0).tolist()
    first = number[sorted({held.index(devices) for devices in held if devices})]
    assert first.tolist() == list(range(1, len(first) + 1))
