"""Dead stretches: what no source feeds in the normal state, and a normally open device would.

To close such a device makes no loop, so that nothing is opened. To judge it as a loop all the same, every dead stretch
gets a supply of its own, whose switch, as of a device that does not exist, is closed in the normal state and is the
only one that opens.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from survey.arrays import Bools, Ints
from survey.network.model import Network
from survey.network.sweeps import Forest, Passed, adjacency
from survey.network.topology.graph import Graph
from survey.network.topology.placement import by_id
from survey.network.walk.sections import find_sections, span_phases
from survey.network.walk.upstream import find_upstream
from survey.network.walk.walks import passed_on_way, three_pole_edges, walk_to_sources
from survey.read.tables import THREE_PHASE


class Revived(NamedTuple):
    """The network with its dead stretches supplied, the spanning forest of all edges, and the devices between.

    ``passed``: what the way up from every node passes.
    """

    network: Network
    union: Forest
    passed: Passed
    switch: Ints


def revive(network: Network, *, union: Forest) -> Revived | None:
    """Supply every dead stretch on one side of a normally open device whose other side is fed; ``None`` without any."""
    graph, switches = network.graph, network.tables.switches
    # by id: the first of a stretch says where it is supplied
    row = np.flatnonzero(switches["open"].to_numpy(bool) & (graph.near >= 0))
    row = row[by_id(switches, row)]
    sides = np.stack([graph.near[row], graph.far[row]])
    fed = union.root[sides] == graph.root
    dead = np.where(fed[0], sides[1], sides[0])
    good = (fed[0] != fed[1]) & (np.diff(graph.first)[dead] > 0)
    if not good.any():
        return None
    row, dead = row[good], _beyond(graph, row[good], dead=dead[good])
    _, first = np.unique(union.root[dead], return_index=True)
    supplied = _with_supplies(graph, dead[first])
    more = switches.iloc[[0]].assign(switch_id="", single_pole=False, open=False, open_phases=np.uint8(0))
    tables = replace(network.tables, switches=pd.concat([switches, more], ignore_index=True))
    forests, whole = span_phases(supplied)
    up = find_upstream(supplied, union=whole)
    device, down = network.sections.device, network.sections.down
    sections = find_sections(supplied, device=device, down=down, forests=forests, fed=up.fed)
    passed = passed_on_way(supplied, sections, upstream=up, gang=three_pole_edges(tables, supplied))
    walks = walk_to_sources(supplied, sections, upstream=up, node=network.site_node, passed=passed)
    changed = replace(network, tables=tables, graph=supplied, upstream=up, sections=sections, walks=walks)
    clear = ~_unclear(changed, whole, union=union, ties=row)[union.root[dead]]
    return Revived(changed, whole, passed, row[clear]) if clear.any() else None


def _beyond(graph: Graph, tie: Ints, *, dead: Ints) -> Ints:
    """The end of each tie's place on its dead side: other devices there stand on its way in every state."""
    placed = np.flatnonzero(graph.near >= 0)
    row = placed[np.argsort(graph.far[placed])]  # place by place from the node to the cable
    first, last = (np.searchsorted(graph.spot[row], graph.spot[tie], side=side) for side in ("left", "right"))
    return np.where(dead == graph.far[tie], graph.far[row[last - 1]], graph.near[row[first]])


def _unclear(network: Network, whole: Forest, *, union: Forest, ties: Ints) -> Bools:
    """Parts, by root, where devices in one place would stand in another order as a tie feeds them (rule 3).

    From the supply on come open ones, three-pole ones, single-pole ones; on a ring both sides are the supply's. In the
    places of the ties the states themselves see to it.
    """
    graph, switches = network.graph, network.tables.switches
    rank = np.where(switches["open"], 0, np.where(switches["single_pole"], 2, 1))
    row = np.flatnonzero((graph.near >= 0) & ~np.isin(graph.spot, graph.spot[ties]))
    from_supply = np.minimum(whole.place[graph.near[row]], whole.place[graph.far[row]])
    row = row[np.lexsort((from_supply, graph.spot[row]))]
    upper, lower = rank[row[:-1]], rank[row[1:]]
    wrong = (upper > lower) | (upper == 0) | ~whole.bridge[graph.edge_of[row[1:]]]
    wrong &= (upper != lower) & (graph.spot[row[:-1]] == graph.spot[row[1:]])
    unclear = np.zeros(graph.n_nodes, bool)
    unclear[union.root[[*graph.near[row[1:][wrong]], *graph.far[row[1:][wrong]]]]] = True
    return unclear


def _with_supplies(graph: Graph, node: Ints) -> Graph:
    """One more edge from the root to each of the nodes: a device in the row after the last one."""
    n = len(node)
    a, b = np.append(graph.a, np.full(n, graph.root)), np.append(graph.b, node)
    first, edges = adjacency(a, b, graph.n_nodes)
    return replace(
        graph,
        a=a,
        b=b,
        length_m=np.append(graph.length_m, np.zeros(n)),
        mask=np.append(graph.mask, np.full(n, THREE_PHASE, np.uint8)),
        shielded=np.append(graph.shielded, np.zeros(n, bool)),
        switch=np.append(graph.switch, np.full(n, len(graph.near))),
        near=np.append(graph.near, -1),
        far=np.append(graph.far, -1),
        edge_of=np.append(graph.edge_of, -1),
        spot=np.append(graph.spot, -1),
        first=first,
        edges=edges,
    )
