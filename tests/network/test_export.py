"""Rule 9: the network as a networkx graph, keyed by asset ids."""

from __future__ import annotations

import networkx as nx
from build import Cable, drawn, named, oh, survey


def test_every_asset_is_an_edge_or_stands_at_a_node():
    s = survey(
        [oh(named("c1", "g", "n1", 1)), named("c2", "n1", "n2", 2, phases="AB")],
        sites=[("s", "n2"), ("t", "n2"), ("far", (0, 0))],
        switches=[("w", "n1"), ("v", "n2", "three"), ("x", "g", "open")],
        sources=[("g", "g")],
    )
    g = s.network.to_networkx()
    data = {k: d for _, _, k, d in g.edges(keys=True, data=True)}
    assert data == {
        "c1": {"kind": "cable", "shielded": False, "phases": 7, "length_m": 1.0},
        "c2": {"kind": "cable", "shielded": True, "phases": 3, "length_m": 2.0},
        "w": {"kind": "device", "single_pole": True, "length_m": 0.0},
        "v": {"kind": "device", "single_pole": False, "length_m": 0.0},
        "supply": {"kind": "source", "length_m": 0.0},
    }
    assert sorted(site for _, sites in g.nodes(data="sites") for site in sites or []) == ["s", "t"]
    # the open device leaves the source alone
    assert nx.node_connected_component(g, "supply") == {"supply", next(iter(g["supply"]))}


def test_the_way_of_a_site_by_networkx_is_its_walk():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (40, 0), (40, 30))],
        sites=[("s", (40, 30))],
        sources=[("g", (0, 0))],
    )
    g = s.network.to_networkx()
    (site,) = (v for v, sites in g.nodes(data="sites") if sites)
    assert (g.nodes[site]["x"], g.nodes[site]["y"]) == (40, 30)
    assert nx.shortest_path_length(g, "supply", site, weight="length_m") == s.walk("s")[1] == 70


def test_pieces_of_one_cable_between_the_same_nodes_have_keys_of_their_own():
    loops = Cable("c", xy=(((0, 0), (10, 0)), ((0, 0), (0, 5), (10, 5), (10, 0)), ((0, 0), (5, -5), (10, 0))))
    g = survey([loops]).network.to_networkx()
    assert sorted(k for _, _, k in g.edges(keys=True)) == ["c", "c#2", "c#3"]
