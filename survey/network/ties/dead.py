"""Dead stretches: what no source feeds in the normal state, and a normally open device would.

To close such a device makes no loop, so that nothing is opened. To judge it as a loop all the same, every dead stretch
gets a supply of its own, whose switch, as of a device that does not exist, is closed in the normal state and is the
only one that opens.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from survey.arrays import Bools, Ints
from survey.network.sweeps import Forest, adjacency
from survey.network.topology.placement import by_id
from survey.network.walk.sections import find_sections, span_phases
from survey.network.walk.upstream import find_upstream
from survey.network.walk.walks import three_pole_edges, walk_to_sources
from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from survey.network.model import Network
    from survey.network.topology.graph import Graph


class Revived(NamedTuple):
    """The network with its dead stretches supplied, the spanning forest of all edges, and the devices between."""

    network: Network
    union: Forest
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
    good = (fed[0] != fed[1]) & (np.diff(graph.first)[dead] > 0) & ~_unclear(network, union)[union.root[dead]]
    if not good.any():
        return None
    row, dead = row[good], dead[good]
    _, first = np.unique(union.root[dead], return_index=True)
    supplied = _with_supplies(graph, dead[first])
    more = switches.iloc[[0]].assign(switch_id="", single_pole=False, open=False, open_phases=np.uint8(0))
    tables = replace(network.tables, switches=pd.concat([switches, more], ignore_index=True))
    forests, whole = span_phases(supplied)
    up = find_upstream(supplied, union=whole)
    device, down = network.sections.device, network.sections.down
    sections = find_sections(supplied, device=device, down=down, forests=forests, fed=up.fed)
    gang = three_pole_edges(tables, supplied)
    walks = walk_to_sources(supplied, sections, upstream=up, node=network.site_node, gang=gang)
    changed = replace(network, tables=tables, graph=supplied, upstream=up, sections=sections, walks=walks)
    return Revived(changed, whole, row)


def _unclear(network: Network, union: Forest) -> Bools:
    """Parts, by root, where devices of several kinds, open and closed too, stand in one place: supply orders them."""
    graph, switches = network.graph, network.tables.switches
    placed = np.flatnonzero(graph.near >= 0)
    kind = (switches["single_pole"].to_numpy(bool) + 2 * switches["open"].to_numpy(bool))[placed]
    spot, n = graph.spot[placed], int(graph.spot.max(initial=-1)) + 1
    kinds = np.add.reduce([np.bincount(spot[kind == k], minlength=n) > 0 for k in range(4)], dtype=np.int64)
    mixed = placed[kinds[spot] > 1]
    unclear = np.zeros(graph.n_nodes, bool)
    unclear[union.root[[*graph.near[mixed], *graph.far[mixed]]]] = True
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
