"""The network as a networkx graph, keyed by asset ids."""

from __future__ import annotations

from typing import TYPE_CHECKING

import networkx as nx
import numpy as np

if TYPE_CHECKING:
    from survey.network.model import Network

ROOT = "supply"


def to_networkx(network: Network) -> nx.MultiGraph[object]:
    """The normal state as an undirected multigraph.

    Nodes are numbers, the node ``"supply"`` ties the sources together; node data: ``x, y`` (metres) and ``sites``
    (ids). Edges are keyed by asset id: cable pieces with ``kind="cable"``, ``length_m``, ``shielded``, ``phases``;
    closed devices with ``kind="device"``, ``single_pole`` and ``length_m=0``; links to sources with ``kind="source"``.
    Open devices have no edge.
    """
    graph, tables = network.graph, network.tables
    g: nx.MultiGraph[object] = nx.MultiGraph()
    name: list[object] = [ROOT if v == graph.root else v for v in range(graph.n_nodes)]
    g.add_nodes_from(name)
    for v, (x, y) in enumerate(network.node_xy):
        if np.isfinite(x):
            g.nodes[v].update(x=float(x), y=float(y))
    for site, v in zip(tables.transformers["site_id"], network.site_node.tolist(), strict=True):
        if v >= 0:
            g.nodes[v].setdefault("sites", []).append(site)
    ends = list(zip(graph.a.tolist(), graph.b.tolist(), strict=True))
    cable_id = tables.cables["cable_id"].to_numpy()
    switch_id = tables.switches["switch_id"].to_numpy()
    single = tables.switches["single_pole"].to_numpy(bool)
    for e, (a, b) in enumerate(ends):
        if e < graph.n_pieces:
            data = {"kind": "cable", "shielded": bool(graph.shielded[e]), "phases": int(graph.mask[e])}
            key = _piece_key(g, name[a], name[b], cable_id[network.pieces.cable[e]])
        elif graph.switch[e] >= 0:
            data = {"kind": "device", "single_pole": bool(single[graph.switch[e]])}
            key = switch_id[graph.switch[e]]
        else:
            data, key = {"kind": "source"}, ROOT
        g.add_edge(name[a], name[b], key=key, length_m=float(graph.length_m[e]), **data)
    return g


def _piece_key(g: nx.MultiGraph[object], a: object, b: object, cable_id: str) -> str:
    """The cable id; of several pieces of one cable between the same nodes the later ones get a number."""
    key, n = cable_id, 1
    while g.has_edge(a, b, key):
        n += 1
        key = f"{cable_id}#{n}"
    return key
