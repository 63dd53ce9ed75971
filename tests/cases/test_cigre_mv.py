"""The main job on a network that nobody here wrote: CIGRE's medium-voltage benchmark, see cigre_mv/README.md."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from cigre_mv import build

from survey.physics.transformer import own_capacitance_f
from survey.pipeline import run_survey
from survey.settings import build_settings

SETTINGS = build_settings({"electrical": {"frequency_hz": 50}, "study": {"run": False}})


@pytest.fixture(scope="module", params=[True, False], ids=["node ids", "geometry"])
def surveyed(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("cigre") / "cigre.gpkg"
    build.write(path, node_ids=request.param)
    return build.load(), run_survey(path, settings=SETTINGS)


def behind(case, name):
    """Lines and buses behind a device at the sending end of a line, by plain graph search."""
    graph = case.graph.copy()
    bus = build.SINGLE_POLE[name]
    far = next(b for b in (case.lines.from_bus[name], case.lines.to_bus[name]) if b != bus)
    graph.remove_edge(bus, far)
    buses = nx.node_connected_component(graph, far)
    assert not buses & set(build.SOURCES)
    names = [d["name"] for a, b, d in graph.edges(data=True) if a in buses] + [name]
    return names, buses


def expected_device(case, bus):
    """First device met on the shortest path to a source, and the path's lines up to it."""
    graph = case.graph
    reach = [s for s in build.SOURCES if nx.has_path(graph, bus, s)]
    source = min(reach, key=lambda s: nx.shortest_path_length(graph, bus, s, weight="length_m"))
    path = nx.shortest_path(graph, bus, source, weight="length_m")
    walked = []
    for a, b in pairwise(path):
        name = graph.edges[a, b]["name"]
        walked.append(name)
        if build.SINGLE_POLE.get(name) == b:
            return name, walked
    raise AssertionError("every bus lies behind a device")


def test_every_site_is_walked_along_the_shortest_path(surveyed):
    case, result = surveyed
    sites = result.sites.set_index("site_id")
    assert sorted(sites.index) == sorted(f"T{b}" for b in case.sites)
    for bus in case.sites:
        name, walked = expected_device(case, bus)
        row = sites.loc[f"T{bus}"]
        lengths = case.lines.length_km[walked] * 1000
        assert row.switch_id == f"CO {name}"
        assert row.path_length_m == pytest.approx(lengths.sum(), abs=1e-6)
        assert row.path_cable_m == pytest.approx(lengths[case.lines.type[walked] == "cs"].sum(), abs=1e-6)


def test_exposed_metres_and_nanofarads_are_the_librarys_own(surveyed):
    case, result = surveyed
    sites = result.sites.set_index("site_id")
    for bus in case.sites:
        name, _ = expected_device(case, bus)
        lines, buses = behind(case, name)
        part = case.lines.loc[lines]
        own = len(buses & set(case.sites)) * own_capacitance_f(rating_va=400e3, voltage_v=20e3) * 1e9
        row = sites.loc[f"T{bus}"]
        assert row.exposed_cable_m == pytest.approx(part.length_km[part.type == "cs"].sum() * 1000, abs=1e-6)
        assert row.cap_nf == pytest.approx((part.length_km * part.c_nf_per_km).sum() + own, rel=1e-9)
        assert row.exposed_sites == len(buses & set(case.sites))


def test_electrical_columns_follow_from_them(surveyed):
    _, result = surveyed
    sites = result.sites
    omega = 2 * np.pi * 50
    farad = sites.cap_nf * 1e-9
    assert np.allclose(sites.charging_kvar, omega * farad * 20e3**2 / 1e3)
    assert np.allclose(sites.xc_ohm, 1 / (omega * farad))
    assert np.allclose(sites.charge_loss, sites.charging_kvar * 1e3 / (387.0 * sites.exposed_sites.astype(float)))
    magnetizing = np.sqrt(0.005**2 - (387 / 400e3) ** 2) * 400e3 * sites.exposed_sites.astype(float)
    assert np.allclose(sites.xc_xm, magnetizing / (sites.charging_kvar * 1e3))


def test_recorded_lengths_win_over_the_diagram_and_that_is_said(surveyed):
    case, result = surveyed
    xy = build.places()
    ends = zip(case.lines.from_bus, case.lines.to_bus, strict=True)
    drawn = np.array([np.hypot(*np.subtract(xy[a], xy[b])) for a, b in ends])
    recorded = case.lines.length_km.to_numpy() * 1000
    differs = np.abs(drawn - recorded) > 0.10 * recorded
    row = result.findings[result.findings.rule == "length_differs"].iloc[0]
    assert row["count"] == differs.sum()


def test_nothing_is_lost_and_nothing_is_wrong(surveyed):
    case, result = surveyed
    counts = result.record["counts"]
    assert counts["cables"]["in"] == counts["cables"]["used"] == len(case.lines)
    assert counts["transformers"]["in"] == len(result.sites)
    assert set(result.findings.severity) == {"warning", "assumed"}
    stated = {"default_phases", "default_minload_kw", "default_arrester", "default_critical"}
    assert set(result.findings.rule) == {"length_differs"} | stated
