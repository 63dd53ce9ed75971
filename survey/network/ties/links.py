"""What closes loops: normally open devices with supply on both sides, and one edge of every plain closed ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Ints
from survey.findings import FindingList
from survey.network.model import Network
from survey.network.sweeps import Forest, ring_blocks
from survey.network.topology.graph import Graph
from survey.network.topology.placement import AT_SOURCE, Placement
from survey.network.walk.walks import three_pole_edges
from survey.read.tables import THREE_PHASE, NetworkTables


@dataclass(frozen=True)
class Links:
    """What closes loops: row of the switch (-1: a cable), end nodes, phases; of a closed ring its edge (a tie: -1)."""

    switch: Ints
    x: Ints
    y: Ints
    mask: Ints
    edge: Ints

    @property
    def ring(self) -> Bools:
        """Closed in the normal state."""
        return self.edge >= 0


def find_links(network: Network, *, placement: Placement, union: Forest, dead: Ints, told: Told) -> Links:
    """Ties with supply on both sides first, then rings.

    ``union``: spanning forest of all edges. ``dead``: ties that are judged as those that feed dead stretches.
    """
    row = _fed_ties(network, union=union, dead=dead, told=told)
    first, second = find_ties(network, placement, row=row), _rings(network, union, told=told)
    pairs = zip(first.__dict__.values(), second.__dict__.values(), strict=True)
    return Links(*(np.concatenate(pair) for pair in pairs))


def barred_edges(network: Network, union: Forest) -> Bools:
    """Edges of rings with a three-pole device, or with cables of other phases: a way round them is not like another."""
    graph, barred = network.graph, np.zeros(len(network.graph.a), bool)
    gang = three_pole_edges(network.tables, graph)
    for edges in _fed_blocks(graph, union):
        barred[edges] = gang[edges].any() or (graph.mask[edges] != graph.mask[edges[0]]).any()
    return barred


def _fed_blocks(graph: Graph, union: Forest) -> list[Ints]:
    """Edges of every block that has a ring and a supply."""
    every = ring_blocks(union, (graph.a, graph.b))
    return [edges for edges in every if union.root[graph.a[edges[0]]] == graph.root]


class Told:
    """Gathers what cannot be judged, one finding a cause."""

    def __init__(self, tables: NetworkTables, findings: FindingList) -> None:
        self.tables = tables
        self.findings = findings
        self.ids: dict[str, list[str]] = {}

    def switches(self, rule: str, rows: Ints) -> None:
        """Note devices."""
        if len(rows):
            self.ids.setdefault(rule, []).extend(self.tables.switches["switch_id"].iloc[rows])

    def cables(self, rows: Ints) -> None:
        """Note cables of rings."""
        if len(rows):
            self.ids.setdefault("ring_not_judged", []).extend(self.tables.cables["cable_id"].iloc[rows])

    def report(self) -> None:
        """Make the findings."""
        for rule, ids in sorted(self.ids.items()):
            self.findings.report(rule, ids=set(ids))


def _fed_ties(network: Network, *, union: Forest, dead: Ints, told: Told) -> Ints:
    """Normally open devices with supply on both sides."""
    tables, graph = network.tables, network.graph
    row = np.flatnonzero(tables.switches["open"].to_numpy(bool) & (graph.near >= 0))
    near, far = graph.near[row], graph.far[row]
    fed = np.stack([union.root[near] == graph.root, union.root[far] == graph.root])
    degree = np.diff(graph.first)
    degree[graph.root] = 1  # a supply is something, even where all of it is behind open devices
    told.switches("tie_nothing_beyond", row[~fed.all(axis=0) & ((degree[near] == 0) | (degree[far] == 0))])
    told.switches("tie_some_poles", np.flatnonzero((tables.switches["open_phases"] > 0) & ~tables.switches["open"]))
    told.switches("tie_no_supply", np.setdiff1d(row[~fed.all(axis=0) & (degree[near] > 0) & (degree[far] > 0)], dead))
    return row[fed.all(axis=0)]


def find_ties(network: Network, placement: Placement, *, row: Ints) -> Links:
    """Some normally open devices."""
    graph, piece = network.graph, placement.piece[row]
    phases = np.append(network.tables.cables["phases"].to_numpy(np.int64)[network.pieces.cable], THREE_PHASE)
    mask = phases[np.where(piece == AT_SOURCE, -1, piece)]
    return Links(row, graph.near[row], graph.far[row], mask, np.full(len(row), -1, np.int64))


def _rings(network: Network, union: Forest, *, told: Told) -> Links:
    """What closes each ring that is a plain one: of its edges all but one are on the way of its lowest node."""
    graph, cable = network.graph, network.pieces.cable
    found: list[int] = []
    single = np.append(network.tables.switches["single_pole"].to_numpy(bool), False)
    for edges in _fed_blocks(graph, union):
        closing = edges[(union.parent_edge[graph.a[edges]] != edges) & (union.parent_edge[graph.b[edges]] != edges)]
        if len(closing) == 1:
            found.append(int(closing[0]))
        elif single[graph.switch[edges]].any():
            around = [((graph.mask[edges] & v.bits) != 0) & ~v.forest.bridge[edges] for v in network.sections.views]
            told.cables(cable[edges[np.logical_or.reduce(around) & (edges < graph.n_pieces)]])
    edge = np.array(found, np.int64)
    a_above = union.place[graph.a[edge]] < union.place[graph.b[edge]]
    x, y = np.where(a_above, graph.a[edge], graph.b[edge]), np.where(a_above, graph.b[edge], graph.a[edge])
    return Links(graph.switch[edge], x, y, graph.mask[edge].astype(np.int64), edge)
