"""Sites on rings: no single-pole device alone takes them off supply, but one lies on a simple way to it.

A ring is opened in two places before anybody works there, and the second opening exposes what lies between. Every
simple way from a site to the supply passes the same blocks (parts that no single node separates) as its walk, and can
be led over every edge of them.
"""

from __future__ import annotations

import numpy as np

from survey.arrays import Bools, Ints
from survey.network.sweeps import Forest
from survey.network.topology.graph import Graph
from survey.network.walk.walks import Walks


def looped_sites(graph: Graph, walks: Walks, *, union: Forest, single: Bools) -> Bools:
    """Sites without a switching point that have a single-pole device in a block which their walk passes.

    Parameters
    ----------
    union
        Spanning forest of all edges.
    single
        Devices that work pole by pole, per switch.

    Returns
    -------
    Shape (n_sites,); a site whose walked edges were not kept counts as looped where it passes a ring at all.
    """
    asked = walks.sourced & (walks.section < 0)
    on_ring = np.flatnonzero(~union.bridge & (graph.a != graph.b)) if asked.any() else np.empty(0, np.int64)
    live = np.zeros(len(graph.a), bool)
    poles = np.append(single, False)[graph.switch]
    for block in _blocks(graph, on_ring):
        live[block] = poles[block].any()
    steps = np.diff(walks.edge_start)
    site = np.repeat(np.arange(len(steps)), steps)
    passed = np.bincount(site, weights=live[walks.edges], minlength=len(steps)) > 0
    return asked & np.where(steps > 0, passed, walks.ring_piece >= 0)


def _blocks(graph: Graph, edges: Ints) -> list[Ints]:
    """Blocks of these edges; every edge has a node of its own in the middle, so that parallel ones stay apart."""
    if not len(edges):
        return []
    import networkx as nx

    split: nx.Graph[int] = nx.Graph()
    beyond = len(graph.first)  # all nodes
    split.add_edges_from(np.column_stack([graph.a[edges], beyond + edges]).tolist())
    split.add_edges_from(np.column_stack([beyond + edges, graph.b[edges]]).tolist())
    parts = (np.fromiter(part, np.int64, len(part)) for part in nx.biconnected_components(split))
    return [part[part >= beyond] - beyond for part in parts]
