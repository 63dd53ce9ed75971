"""The network as a networkx graph, keyed by asset ids and directed from the supply."""

from __future__ import annotations

from pathlib import Path

import networkx as nx
import pytest
from build import Cable, Survey, drawn, named, oh, survey
from random_networks import agree_on, networks, surveyed

from survey.findings import FindingList
from survey.network import build_network
from survey.network.export import to_graph
from survey.read import read_network
from survey.settings import Settings

SAMPLE = Path(__file__).parents[2] / "sample_data" / "network.gpkg"


def nearest_point(graph, site):
    """Nearest single-pole point of a site, by the graph alone."""
    walked = nx.subgraph_view(graph, filter_edge=lambda *edge: graph.edges[edge]["walked"])
    way = nx.edge_dfs(walked, f"site:{site}", orientation="reverse")
    points = (point for up, down, point, _ in way if graph.edges[up, down, point]["isolates"])
    return next(points, "")


def expected_points(s):
    """The same by the survey's own walk."""
    said = {site: s.walk(site) for site in s.ids("transformers")}
    return {site: "" if w == "unreached" or w[0] == "no_single_pole" else w[0] for site, w in said.items()}


def test_every_asset_is_an_edge():
    s = survey(
        [oh(named("c1", "g", "n1", 1)), named("c2", "n1", "n2", 2, phases="AB")],
        sites=[("s", "n2"), ("t", "n2"), ("far", (0, 0))],
        switches=[("w", "n1"), ("v", "n2", "three"), ("x", "g", "open")],
        sources=[("g", "g")],
    )
    g = to_graph(s.network)
    own = {k: (d["kind"], d["length_m"], d["phases"], d["poles"]) for _, _, k, d in g.edges(keys=True, data=True)}
    assert own == {
        "c1": ("cable", 1.0, "ABC", ""),
        "c2": ("cable", 2.0, "AB", ""),
        "w": ("device", 0.0, "AB", "single"),
        "v": ("device", 0.0, "AB", "three"),
        "g": ("source", 0.0, "ABC", ""),
        "s": ("site", 0.0, "ABC", ""),
        "t": ("site", 0.0, "ABC", ""),
    }
    assert [d["shielded"] for _, _, k, d in g.edges(keys=True, data=True) if k in ("c1", "c2")] == [False, True]
    assert g.in_degree("site:far") == 0
    # the open device leaves the source alone
    assert len(nx.descendants(g, "supply")) == 1


def test_the_way_of_a_site_by_networkx_is_its_walk():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (40, 0), (40, 30))],
        sites=[("s", (40, 30))],
        sources=[("g", (0, 0))],
    )
    g = to_graph(s.network)
    (joint,) = g.predecessors("site:s")
    assert (g.nodes[joint]["x"], g.nodes[joint]["y"]) == (40, 30)
    assert nx.shortest_path_length(g, "supply", "site:s", weight="length_m") == s.walk("s")[1] == 70


def test_pieces_of_one_cable_between_the_same_nodes_have_keys_of_their_own():
    loops = Cable("c", xy=(((0, 0), (10, 0)), ((0, 0), (0, 5), (10, 5), (10, 0)), ((0, 0), (5, -5), (10, 0))))
    g = to_graph(survey([loops]).network)
    assert sorted(k for _, _, k in g.edges(keys=True)) == ["c", "c#2", "c#3"]


def test_a_ring_leads_away_from_the_supply_on_both_sides_and_nobody_walks_its_far_edge():
    ring = [named("c1", "g", "a", 1), named("c2", "a", "b", 1), named("c3", "g", "c", 1), named("c4", "c", "b", 3)]
    g = to_graph(survey(ring, sites=[("s", "b")], sources=[("g", "g")]).network)
    assert {k for _, _, k, walked in g.edges(keys=True, data="walked") if not walked} == {"c4"}
    assert nx.is_directed_acyclic_graph(g)


def test_a_step_down_supplies_by_its_site():
    s = survey(
        [named("c1", "g", "t", 1), named("c2", "t", "s", 1, kv=4.16)],
        sites=[("t", "t", 12.47), ("s", "s", 4.16)],
        sources=[("g", "g")],
        stepdown_supplies=True,
    )
    g = to_graph(s.network)
    assert {k for _, _, k, kind in g.edges(keys=True, data="kind") if kind == "source"} == {"g", "t"}


def test_a_way_that_passes_a_device_from_behind():
    # w looks towards v and v towards w: what lies behind v is reached from w, through v against its direction
    s = survey(
        [named("c0", "e", "a", 4), named("c1", "a", "b", 2), named("c2", "b", "x", 4)],
        sites=[("s", "x"), ("t", "a"), ("u", "e")],
        switches=[("w", "e", "guards=c0"), ("v", "b", "guards=c1")],
    )
    g = to_graph(s.network)
    assert {site: nearest_point(g, site) for site in "stu"} == expected_points(s) == {"s": "w", "t": "v", "u": "v"}
    behind = {joint[0] for joint in g if isinstance(joint, tuple)}
    assert len(behind) == 3
    assert nx.has_path(g, next(v for v in g if isinstance(v, tuple)), "site:s")


def test_a_device_whose_poles_are_fed_from_either_side_stops_the_walk():
    cables = [
        named("c0", "g", "a", 16, phases="C"),
        named("c1", "g", "b", 1, phases="B"),
        named("c2", "b", "a", 2),
        named("c3", "a", "d", 64, phases="C"),
    ]
    s = survey(cables, sites=[("s", "d")], switches=[("w", "a", "guards=c2")], sources=[("g", "g")])
    assert {"s": nearest_point(to_graph(s.network), "s")} == expected_points(s) == {"s": "w"}


def test_nearest_points_of_any_network():
    def agree(several):
        s = surveyed(several)
        graph = to_graph(s.network)
        assert {site: nearest_point(graph, site) for site in s.ids("transformers")} == expected_points(s)
        cables = {k.split("#")[0] for _, _, k, kind in graph.edges(keys=True, data="kind") if kind == "cable"}
        assert cables == {c.id for o in several for c in o.cables}

    agree_on(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True), agree)


@pytest.mark.parametrize("with_sources", [True, False])
def test_nearest_points_of_the_sample(with_sources):
    tables = read_network(SAMPLE, settings=Settings(), findings=FindingList())
    if not with_sources:
        tables = tables.__class__(**{**tables.__dict__, "sources": tables.sources.iloc[:0]})
    s = Survey(build_network(tables, settings=Settings().network, findings=FindingList()))
    graph = to_graph(s.network)
    points = expected_points(s)
    assert sum(map(bool, points.values())) > 50
    assert {site: nearest_point(graph, site) for site in points} == points
