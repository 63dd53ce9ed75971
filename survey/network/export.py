"""The network as a networkx graph, keyed by asset ids and directed from the supply."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import networkx as nx
import numpy as np

from survey.arrays import Bools, Ints
from survey.network.walk.islands import reach_in_islands
from survey.network.walk.walks import three_pole_edges
from survey.read.tables import PHASE_A, PHASE_B, PHASE_C

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator
    from typing import Any

    from survey.network.model import Network
    from survey.network.sweeps import Reach

SUPPLY = "supply"


def to_graph(network: Network) -> nx.MultiDiGraph[Hashable]:
    """The normal state as a directed graph.

    Nodes: ``"supply"`` ties the sources together, ``"site:ID"`` is a site; joints are whole numbers with ``x, y``,
    planar metres. Edges lead away from the supply and are keyed by asset id (of several pieces of one cable between the
    same nodes the later ones by ``ID#2`` ...). Every edge holds

    - ``kind``: ``cable``, ``device`` (closed; an open one has no edge), ``source``, or ``site`` (from joint to site);
    - ``length_m`` on the ground, ``shielded``, ``phases`` such as ``"ABC"``, ``device`` (what kind, as recorded, ``""``
      for others) and ``poles`` (``single``, ``three``, ``""``);
    - ``walked``: the walk from its lower end goes up by it. A node has one such edge or none; on a closed ring, the
      others are ``walked=False``;
    - ``isolates``: a single-pole device that takes something off supply by itself. The walk from a site stops there.

    In a part without a source the way up is the way to the nearest such device, and it leads on from there. Where a way
    passes a device from behind, the nodes on it stand there a second time, as ``(joint, "other way")``.
    """
    g: nx.MultiDiGraph[Hashable] = nx.MultiDiGraph()
    g.add_nodes_from((name, {}) for name in _names(network, np.arange(network.graph.n_nodes)))
    for joint in np.flatnonzero(np.isfinite(network.node_xy[:, 0])).tolist():
        g.nodes[joint].update(zip("xy", network.node_xy[joint].tolist(), strict=True))
    data = list(_edge_data(network))
    for arrows in (_fed(network), *_unfed(network)):
        isolates = network.sections.stopping_edges()[arrows.edge] & arrows.forward
        for up, down, e, walked, stop in zip(
            arrows.up, arrows.down, arrows.edge.tolist(), arrows.walked.tolist(), isolates.tolist(), strict=True
        ):
            g.add_edge(up, down, _free_key(g, up, down, data[e][0]), walked=walked, isolates=stop, **data[e][1])
    plain = {"kind": "site", "length_m": 0.0, "shielded": False, "phases": "ABC", "device": "", "poles": ""}
    for site, joint in zip(network.tables.transformers["site_id"], network.site_node.tolist(), strict=True):
        g.add_node(f"site:{site}")
        if joint >= 0:
            g.add_edge(joint, f"site:{site}", site, walked=True, isolates=False, **plain)
    return g


class _Arrows(NamedTuple):
    """Directed edges: names of their ends, edge of the graph, walked, and whether directed as its device supplies."""

    up: list[Hashable]
    down: list[Hashable]
    edge: Ints
    walked: Bools
    forward: Bools


def _names(network: Network, node: Ints) -> list[Hashable]:
    return [SUPPLY if v == network.graph.root else v for v in node.tolist()]


def _arrows(network: Network, edge: Ints, down: Ints, *, walked: Bools) -> _Arrows:
    graph = network.graph
    up = np.where(graph.b[edge] == down, graph.a[edge], graph.b[edge])
    return _Arrows(_names(network, up), _names(network, down), edge, walked, _supplied_sides(network)[edge] == down)


def _supplied_sides(network: Network) -> Ints:
    """Controlled side of every edge that is a single-pole device, -1 for others."""
    side = np.full(len(network.graph.a), -1, np.int64)
    side[network.graph.edge_of[network.sections.device]] = network.sections.down
    return side


def _fed(network: Network) -> _Arrows:
    """Edges of the parts with a source; those nobody walks by lead to the end that is reached later."""
    graph, up = network.graph, network.upstream
    rank = np.full(graph.n_nodes, -1, np.int64)
    rank[up.order] = np.arange(len(up.order))
    edge = np.flatnonzero(up.fed[graph.a])
    walked_to = up.lower_node(len(graph.a))[edge]
    later = np.where(rank[graph.b[edge]] > rank[graph.a[edge]], graph.b[edge], graph.a[edge])
    arrows = _arrows(network, edge, np.where(walked_to >= 0, walked_to, later), walked=walked_to >= 0)
    # with phases from either side, a walk stops at a device that takes only the other side off
    return arrows._replace(forward=np.ones(len(edge), bool))


def _unfed(network: Network) -> Iterator[_Arrows]:
    """Edges of the parts without a source: the ways from the switching points, then what nobody walks by."""
    graph = network.graph
    island = ~network.upstream.fed
    if not island[graph.a].any():
        return
    gang = three_pole_edges(network.tables, graph)
    _, reach = reach_in_islands(graph, network.sections, tables=network.tables, fed=network.upstream.fed, gang=gang)
    node, slot = _ways(reach, np.flatnonzero(island), graph.a, graph.b)
    at = reach.at[node]
    edge, up_slot = reach.via_edge[at, slot], np.maximum(reach.via_slot[at, slot], 0)
    ways = _arrows(network, edge, node, walked=np.ones(len(edge), bool))
    yield ways._replace(up=_second(ways.up, up_slot), down=_second(ways.down, slot))
    left = np.setdiff1d(np.flatnonzero(island[graph.a]), edge)
    yield _arrows(network, left, graph.b[left], walked=np.zeros(len(left), bool))


def _ways(reach: Reach, nodes: Ints, a: Ints, b: Ints) -> tuple[Ints, Ints]:
    """Node and label (0, 1) of every step that the nearest way of some node takes."""
    node = nodes[reach.label[reach.at[nodes], 0] >= 0]
    steps, slot = [(node, np.zeros(len(node), np.int64))], 0
    seen = np.zeros(len(reach.at), bool)
    while len(node):
        at = reach.at[node]
        on = np.flatnonzero(reach.via_slot[at, slot] == 1)
        edge = reach.via_edge[at[on], slot]
        node, slot = np.unique(np.where(b[edge] == node[on], a[edge], b[edge])), 1
        node = node[~seen[node]]
        seen[node] = True
        steps.append((node, np.ones(len(node), np.int64)))
    return np.concatenate([s[0] for s in steps]), np.concatenate([s[1] for s in steps])


def _second(names: list[Hashable], slot: Ints) -> list[Hashable]:
    return [(name, "other way") if second else name for name, second in zip(names, slot.tolist(), strict=True)]


def _edge_data(network: Network) -> Iterator[tuple[str, dict[str, Any]]]:
    """Asset id and data of every edge, in the order of the graph."""
    graph, tables = network.graph, network.tables
    cable = tables.cables["cable_id"].to_numpy(object)[network.pieces.cable]
    columns = [tables.switches[name].to_numpy() for name in ("switch_id", "device", "single_pole")]
    poles = {"A": PHASE_A, "B": PHASE_B, "C": PHASE_C}
    letters = ["".join(letter for letter, bit in poles.items() if mask & bit) for mask in range(8)]
    for e, (metres, mask, shielded, switch) in enumerate(
        zip(graph.length_m.tolist(), graph.mask.tolist(), graph.shielded.tolist(), graph.switch.tolist(), strict=True)
    ):
        data = {"length_m": metres, "shielded": shielded, "phases": letters[mask], "device": "", "poles": ""}
        if e < graph.n_pieces:
            yield str(cable[e]), {"kind": "cable", **data}
        elif switch >= 0:
            name, device, single = (column[switch] for column in columns)
            data |= {"kind": "device", "device": str(device), "poles": "single" if single else "three"}
            yield str(name), data
        else:
            yield network.supply_names[int(graph.b[e])], {"kind": "source", **data}


def _free_key(g: nx.MultiDiGraph[Hashable], up: Hashable, down: Hashable, asset: str) -> str:
    """The asset id; of several pieces of one cable between the same nodes the later ones get a number."""
    key, n = asset, 1
    while g.has_edge(up, down, key):
        n += 1
        key = f"{asset}#{n}"
    return key
