"""Sites on rings against brute force: every simple way, by networkx."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from build import build_network, named, tables

from survey.findings import FindingList
from survey.settings import NetworkSettings


def status(cables, switches, sites=("X",)):
    made = tables(
        [named(f"{u}{v}{k or ''}", u, v, 10.0 + k) for k, (u, v) in enumerate(cables)],
        sites=[(f"T{node}", node) for node in sites],
        switches=switches,
        sources=[("S", "S")],
    )
    network = build_network(made, settings=NetworkSettings(), findings=FindingList())
    return network.walks.looped.tolist(), (network.walks.section >= 0).tolist()


RING = [("S", "A"), ("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"), ("C", "X")]


def test_a_device_on_the_ring_makes_the_site_looped():
    assert status(RING, [("D1", "A", "guards=AB1")]) == ([True], [False])


def test_a_device_on_the_only_way_exposes_it_ring_or_not():
    assert status(RING, [("D1", "A", "guards=AB1"), ("D2", "C", "guards=CX5")]) == ([False], [True])


def test_a_three_pole_device_on_the_ring_or_none_at_all_is_no_loop():
    assert status(RING, [("D1", "A", "guards=AB1", "three")]) == ([False], [False])
    assert status(RING, []) == ([False], [False])


def test_a_ring_beside_the_way_does_not_count():
    beside = [("S", "A"), ("A", "X"), ("A", "B"), ("B", "C"), ("C", "A")]
    assert status(beside, [("D1", "B", "guards=BC3")]) == ([False], [False])


def test_two_parallel_cables_are_a_ring():
    assert status([("S", "X"), ("S", "X")], [("D1", "S", "guards=SX")]) == ([True], [False])


@pytest.mark.parametrize("seed", range(25))
def test_random_networks_against_all_simple_ways(seed):
    rng = np.random.default_rng(seed)
    names = "SABCDEFG"
    tree = [(names[rng.integers(k)], names[k]) for k in range(1, len(names))]
    more = [
        tuple(names[k] for k in sorted(rng.choice(len(names), 2, replace=False))) for _ in range(rng.integers(1, 4))
    ]
    cables = list(dict.fromkeys(tree + more))
    guarded = sorted(rng.choice(len(cables), 2, replace=False))
    switches = [(f"D{k}", cables[k][0], f"guards={''.join(cables[k])}{k or ''}") for k in guarded]
    looped, exposed = status(cables, switches, sites=names[1:])
    graph = nx.Graph(cables)
    single = {frozenset(cables[k]) for k in guarded}
    for node, found, has_point in zip(names[1:], looped, exposed, strict=True):
        ways = [{frozenset(edge) for edge in pairwise(way)} for way in nx.all_simple_paths(graph, "S", node)]
        on_all, on_any = set.intersection(*ways) & single, set.union(*ways) & single
        assert has_point == bool(on_all)
        assert found == (bool(on_any) and not on_all)
