"""Loops: what a normally open device closes with the ways of its two sides to the supply, and closed rings.

The devices of a loop stand in the order in which they are met from its head, the node where its two sides part: down
the one side, over the tie, up the other. A state opens one of them; what then loses its supply when a pole opens is
what hangs between the two. Along a loop that is a difference of running sums, whatever the state.

Judged are loops whose cables all carry the same phases, so that every state supplies the same phases as the normal one;
any other is told. Where a loop runs over a closed ring, this stays closed: its devices take nothing off and open no
state, since with one of them open the tie would close a ring.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, ranges, taken
from survey.findings import FindingList
from survey.loops import njit
from survey.network.model import Network
from survey.network.sweeps import Forest, Passed
from survey.network.ties.dead import revive
from survey.network.ties.links import Links, Told, barred_edges, find_links, find_ties
from survey.network.topology.graph import Graph
from survey.network.topology.placement import Placement
from survey.read.tables import THREE_PHASE

SAME_VOLTAGE = 1.1
"""Voltages no further apart than this count as one (12.47 and 13.2 kV do): judgement."""


@dataclass(frozen=True)
class Loops:
    """Loops that are judged, and their devices from head to head.

    Parameters
    ----------
    tie
        Row of the normally open switch, -1 for a closed ring. Shape (n_loops,).
    head
        Node where the two sides part.
    start
        First device of each loop and one past the last, shape (n_loops + 1,).
    device
        Rows of the switches, shape (n_devices,).
    side
        -1 on the way down, 0 the tie or what closes the ring, 1 on the way up. Shape (n_devices,).
    bounds
        Interval of what hangs below each device in the visiting order, per view of the sections and, last, of all
        edges; shape (n_views + 1, 2, n_devices), 0 and 0 at the tie and where nothing is supplied.
    place
        Place of every node in the visiting order of all edges.
    node_start, node, node_zone
        Nodes on each loop; the zone (number of the device before it) of each, -1 beside the head.
    only
        The one device that can be opened in any of them, -1: all can.
    above, above_gang
        Section of the first switching point above the head, -1 without one; whether a three-pole device stands between.
        Shape (n_loops,).
    """

    tie: Ints
    head: Ints
    start: Ints
    device: Ints
    side: Ints
    bounds: Ints
    place: Ints
    node_start: Ints
    node: Ints
    node_zone: Ints
    above: Ints
    above_gang: Bools
    only: int = -1

    @property
    def loop(self) -> Ints:
        """Loop of every device."""
        return np.repeat(np.arange(len(self.tie)), np.diff(self.start))

    @property
    def can_open(self) -> Bools:
        """Devices whose opening is a state; with the tie open it is the normal one."""
        if self.only >= 0:
            return self.device == self.only
        return (self.side != 0) | (self.tie[self.loop] < 0)

    def taken(self, which: Ints) -> Loops:
        """Some of the loops."""
        first, count = self.start[which], np.diff(self.start)[which]
        nodes = ranges(self.node_start[which], np.diff(self.node_start)[which])
        some = ranges(first, count)
        start = np.concatenate([[0], np.cumsum(count)])
        moved = np.repeat(start[:-1] - first, np.diff(self.node_start)[which])
        zone = self.node_zone[nodes]
        return Loops(
            tie=self.tie[which],
            head=self.head[which],
            start=start,
            device=self.device[some],
            side=self.side[some],
            bounds=self.bounds[:, :, some],
            place=self.place,
            node_start=np.concatenate([[0], np.cumsum(np.diff(self.node_start)[which])]),
            node=self.node[nodes],
            node_zone=np.where(zone >= 0, zone + moved, -1),
            above=self.above[which],
            above_gang=self.above_gang[which],
            only=self.only,
        )


@dataclass(frozen=True)
class Ways:
    """Both ways of links to their heads: edges and the node below each, from head to head, -1 at the link itself.

    ``row``: the switch at every edge, the links' own among them, -1 where there is none that opens the loop.
    """

    head: Ints
    start: Ints
    edge: Ints
    node: Ints
    side: Ints
    row: Ints

    @property
    def loop(self) -> Ints:
        """Loop of every edge."""
        return np.repeat(np.arange(len(self.head)), np.diff(self.start))

    def taken(self, which: Ints) -> Ways:
        """Those of some loops."""
        count = np.diff(self.start)[which]
        some = ranges(self.start[which], count)
        start = np.concatenate([[0], np.cumsum(count)])
        return Ways(self.head[which], start, self.edge[some], self.node[some], self.side[some], self.row[some])

    def some(self, value: Bools) -> Bools:
        """Loops of which some edge has it."""
        return np.bincount(self.loop, weights=value, minlength=len(self.head)) > 0


def find_loops(
    network: Network, *, placement: Placement, union: Forest, passed: Passed, most_states: int, findings: FindingList
) -> tuple[Loops, Network | None]:
    """Loops that can be judged, and the network in which dead stretches have loops; what cannot be judged is told.

    ``union``: spanning forest of all edges. ``passed``: what the way up from every node passes. ``most_states``: pairs
    of devices up to which all are judged. ``findings``: gets ``tie_...`` and ``ring_not_judged``.
    """
    told, revived = Told(network.tables, findings), revive(network, union=union)
    dead = revived.switch if revived else np.empty(0, np.int64)
    links = find_links(network, placement=placement, union=union, dead=dead, told=told)
    loops = _sorted_out(network, links, union=union, passed=passed, told=told)
    count = np.diff(loops.start)
    told.switches("tie_states", loops.device[loops.start[:-1]][count * (count - 1) > most_states])
    then = None
    if revived:
        then, links = revived.network, find_ties(revived.network, placement, row=dead)
        only = len(network.tables.switches)
        more = _sorted_out(then, links, union=revived.union, passed=revived.passed, told=told, only=only)
        then = replace(then, sections=then.sections.without_forests(), loops=more) if len(more.tie) else None
    told.report()
    return loops, then


def _sorted_out(network: Network, links: Links, *, union: Forest, passed: Passed, told: Told, only: int = -1) -> Loops:
    """Loops that can be judged and that matter; ``only``: see :class:`Loops`."""
    single = np.append(network.tables.switches["single_pole"].to_numpy(bool), False)
    ways = _ways(network.graph, links, union=union)
    if only >= 0:
        ways = _shortened(ways, ends=single[ways.row] | (ways.row == only) | (ways.edge < 0))
    apart = _voltages_differ(network, ways, union=union)
    barred = barred_edges(network, union)
    good = _judged(network, links, ways, on_ring=~union.bridge, barred=barred, apart=apart, told=told)
    # a dead stretch may have single-pole devices of its own
    which = np.flatnonzero(good if only >= 0 else good & ways.some(single[ways.row]))
    loops = _loops(network, taken(links, which), ways.taken(which), union=union, passed=passed)
    return replace(loops, only=only)


def _ways(graph: Graph, links: Links, *, union: Forest) -> Ways:
    found = _two_ways(links.x, links.y, union.parent_edge, union.place, graph.a, graph.b)
    ways = Ways(*found, row=np.empty(0, np.int64))
    row = np.where(ways.edge >= 0, np.append(graph.switch, -1)[ways.edge], links.switch[ways.loop])
    opens = np.append(union.bridge, True)[ways.edge] | links.ring[ways.loop]
    return replace(ways, row=np.where(opens, row, -1))


def _shortened(ways: Ways, *, ends: Bools) -> Ways:
    """Without the devices before the first and after the last of these: beyond them nothing changes in any state."""
    at, every = np.flatnonzero(ends), np.arange(len(ends))
    first, last = at[np.searchsorted(at, ways.start[:-1])], at[np.searchsorted(at, ways.start[1:]) - 1]
    return replace(ways, row=np.where((every < first[ways.loop]) | (every > last[ways.loop]), -1, ways.row))


@njit(cache=True)
def _two_ways(  # noqa: PLR0917 - compiled: flat arrays only
    x: Ints, y: Ints, parent_edge: Ints, place: Ints, a: Ints, b: Ints
) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """Columns of :class:`Ways`: of two nodes the one visited later is never above the other, so that it goes up."""
    n = len(x)
    head, down = np.empty(n, np.int64), np.zeros(n, np.int64)
    start = np.zeros(n + 1, np.int64)
    for i in range(n):
        u, v, steps = x[i], y[i], 0
        while u != v:
            steps += 1
            w = u if place[u] > place[v] else v
            e = parent_edge[w]
            above = a[e] if b[e] == w else b[e]
            if w == u:
                u = above
                down[i] += 1
            else:
                v = above
        head[i] = u
        start[i + 1] = start[i] + steps + 1
    edge, node = np.full(start[n], -1, np.int64), np.full(start[n], -1, np.int64)
    side = np.zeros(start[n], np.int64)
    for i in range(n):
        for way in (-1, 1):
            w, k = (x[i] if way < 0 else y[i]), start[i] + down[i] + way
            while w != head[i]:
                e = parent_edge[w]
                edge[k], node[k], side[k] = e, w, way
                w = a[e] if b[e] == w else b[e]
                k += way
    return head, start, edge, node, side


def _judged(
    network: Network, links: Links, ways: Ways, *, on_ring: Bools, barred: Bools, apart: Bools, told: Told
) -> Bools:
    """Loops that can be judged; why others cannot is told.

    ``on_ring``: edges of closed rings, which carry the same phases all round (also those of two sources that a cable
    joins), whichever way round the loop is followed; ``barred``: edges over which no loop can run.
    """
    graph, cable = network.graph, network.pieces.cable
    mask = links.mask[ways.loop]
    carried = np.append(graph.mask, np.uint8(THREE_PHASE)).astype(np.int64)[ways.edge]
    piece = (ways.edge >= 0) & (ways.edge < graph.n_pieces)
    device = (ways.edge >= 0) & (np.append(graph.edge_of, -1)[ways.row] == ways.edge)
    around = (ways.edge >= 0) & np.append(on_ring, False)[ways.edge]
    mixed = ways.some(np.where(piece | device | around, carried != mask, (carried & mask) != mask))
    devices = np.bincount(ways.loop, weights=ways.row >= 0, minlength=len(links.x))
    common = links.mask.copy()
    np.bitwise_and.at(common, ways.loop, carried)
    live = _live(network, ways.head, mask=common)
    causes = {
        "tie_on_ring": ~links.ring & ways.some(np.append(barred, False)[ways.edge]),
        "tie_no_device": ~links.ring & (devices < 2),
        "tie_voltages": ~links.ring & apart,
        "tie_phases": ~links.ring & mixed,
        "tie_no_supply": ~links.ring & ~live,
    }
    lost = links.ring & live & mixed & (devices > 1)
    edges = np.append(ways.edge[piece & lost[ways.loop]], links.edge[lost])
    told.cables(cable[edges[edges < graph.n_pieces]])
    good = ~(links.ring & (~live | mixed | (devices < 2)))
    for rule, bad in causes.items():
        told.switches(rule, links.switch[bad & good])
        good &= ~bad
    return good


def _live(network: Network, head: Ints, *, mask: Ints) -> Bools:
    """Loops whose head some phase of theirs reaches: of the others no pole takes anything off in any state."""
    views, root = network.sections.views, network.graph.root
    return np.logical_or.reduce([((mask & v.bits) != 0) & (v.forest.root[head] == root) for v in views])


def _voltages_differ(network: Network, ways: Ways, *, union: Forest) -> Bools:
    """Loops along which the voltages of cables differ, or those of the sites beyond where a side's cables have none."""
    n = len(ways.head)
    piece = np.flatnonzero((ways.edge >= 0) & (ways.edge < network.graph.n_pieces))
    volts = network.tables.cables["voltage_v"].to_numpy(np.float64)[network.pieces.cable[ways.edge[piece]]]
    low, high = np.full((2, n), np.inf), np.full((2, n), -np.inf)
    slot = (ways.side[piece] > 0).astype(np.int64), ways.loop[piece]
    np.fmin.at(low, slot, volts)
    np.fmax.at(high, slot, volts)
    for side, top in ((0, ways.start[:-1]), (1, ways.start[1:] - 1)):
        node = ways.node[top]
        mean = _mean_voltage(network, union, node=node)
        unknown = ~np.isfinite(low[side]) & (node >= 0) & np.isfinite(mean)
        low[side, unknown] = high[side, unknown] = mean[unknown]
    return np.asarray(high.max(axis=0) > SAME_VOLTAGE * low.min(axis=0))


def _mean_voltage(network: Network, union: Forest, *, node: Ints) -> Floats:
    """Mean rated voltage of the sites below each node, volts; NaN without one."""
    volts, site_node = network.tables.transformers["voltage_v"].to_numpy(np.float64), network.site_node
    at = np.flatnonzero((site_node >= 0) & np.isfinite(volts))
    order = at[np.argsort(union.place[site_node[at]], kind="stable")]
    places, running = union.place[site_node[order]], np.concatenate([[0.0], np.cumsum(volts[order])])
    first, last = np.searchsorted(places, union.place[node]), np.searchsorted(places, union.end[node])
    count = (last - first).astype(np.float64)
    return np.divide(running[last] - running[first], count, out=np.full(len(node), np.nan), where=count > 0)


def _loops(network: Network, links: Links, ways: Ways, *, union: Forest, passed: Passed) -> Loops:
    graph, sections, row = network.graph, network.sections, ways.row
    here = np.flatnonzero(row >= 0)
    counted = np.cumsum(row >= 0)
    start = np.append(0, counted)[ways.start]
    # a node on the way up stands before the device at its edge, one on the way down after it
    zone = counted - 1 - ((row >= 0) & (ways.side > 0))
    first, last = start[:-1][ways.loop], start[1:][ways.loop]
    zone[(zone < first) | (zone >= last - 1)] = -1
    on = np.flatnonzero(ways.node >= 0)
    node, mask = ways.node[here], links.mask[ways.loop[here]]
    views = [(view.bits, view.forest) for view in sections.views] + [(THREE_PHASE, union)]
    number = np.full(len(graph.a) + 1, -1, np.int64)
    number[graph.edge_of[sections.device]] = np.arange(len(sections.device))
    bounds = np.zeros((len(views), 2, len(here)), np.int64)
    for k, (bits, forest) in enumerate(views):
        fed = (node >= 0) & ((mask & bits) != 0) & (forest.root[node] == graph.root)
        bounds[k] = np.where(fed, [forest.place[node], forest.end[node]], 0)
    return Loops(
        tie=np.where(links.ring, -1, links.switch),
        head=ways.head,
        start=start,
        device=row[here],
        side=ways.side[here],
        bounds=bounds,
        place=union.place,
        node_start=np.append(0, np.cumsum(ways.node >= 0))[ways.start],
        node=ways.node[on],
        node_zone=zone[on],
        above=number[passed.stop[ways.head]],
        above_gang=passed.three_pole[ways.head] >= 0,
    )
