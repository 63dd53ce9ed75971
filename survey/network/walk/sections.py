"""Exposed section of a switching point: what loses its only supply on a pole when that pole alone is open.

Judged pole by pole: for every phase the graph of what carries it, its spanning forest and its bridges. Where a device
is a bridge, all beyond it is exposed on that pole; where a ring or a parallel feed keeps it supplied, nothing is.
Sections are intervals of the forest's visiting order, so that totals are differences of running sums.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.network.sweeps import Forest, span
from survey.network.topology.graph import Graph
from survey.network.walk.intervals import Ends, Standing, stand, sums, together
from survey.read.tables import PHASE_A, PHASE_B, PHASE_C, THREE_PHASE

PAIRS_AT_ONCE = 1 << 18
"""Pairs of a section and a member that are held at a time."""


@dataclass(frozen=True)
class PhaseView:
    """One phase's forest (or that of all three, where all is three-phase), and each device's interval of it.

    ``share`` of a conductor set this view stands for (1/3, or 1 for all three); ``low, high`` interval of the visiting
    order per device; ``tree_low, tree_high`` that of its whole tree; ``inverted``: the section is the tree less the
    interval; ``exposes``: the device takes something off supply in this view. Each shape (n_devices,).
    """

    share: float
    bits: int
    forest: Forest
    low: Ints
    high: Ints
    tree_low: Ints
    tree_high: Ints
    inverted: Bools
    exposes: Bools

    @property
    def ends(self) -> Ends:
        """Ends of the sections among the places."""
        return Ends(self.low, self.high, self.tree_low, self.tree_high, self.inverted)

    def standing(self, node: Ints) -> Standing:
        """Things by the node that each stands at, -1 nowhere."""
        place = self.forest.place
        return stand(np.where(node < 0, -1, place[node]), len(place), self.ends)


@dataclass(frozen=True)
class Sections:
    """Exposed sections of the closed single-pole devices.

    Parameters
    ----------
    device
        Row of each device in the switches, shape (n_devices,); every other array is aligned with it.
    down
        Node on its controlled side.
    up
        Node on its supply side.
    exposes
        It exposes something on at least one pole.
    views
        One per phase, or a single one where everything carries three phases.
    """

    device: Ints
    down: Ints
    up: Ints
    exposes: Bools
    views: tuple[PhaseView, ...]
    graph: Graph

    def without_forests(self) -> Sections:
        """The same without what only building needs: of each forest just the place of every node is kept."""
        none, no = np.empty(0, np.int64), np.empty(0, bool)
        views = []
        for view in self.views:
            slim = view.forest._replace(order=none, end=none, parent_edge=none, root=none, bridge=no)
            views.append(replace(view, forest=slim))
        return replace(self, views=tuple(views))

    def stopping_edges(self) -> Bools:
        """Edges of the devices that take something off supply by themselves, shape (n_edges,)."""
        stops = np.zeros(len(self.graph.a), bool)
        stops[self.graph.edge_of[self.device[self.exposes]]] = True
        return stops

    def total(self, per_piece: Floats) -> Floats:
        """Phase-weighted totals (conductors exposed / 3) over each section of values per piece.

        ``per_piece``: one value a piece, shape (n_pieces,), or several, (n_values, n_pieces). Returns shape
        (n_devices,) or (n_values, n_devices).
        """
        values = np.atleast_2d(per_piece)
        totals = np.zeros((len(values), len(self.device)))
        for view in self.views:
            node, running = self._piece_nodes(view), np.empty(len(view.forest.place) + 1)
            place = np.where(node < 0, -1, view.forest.place[node])
            for k in np.flatnonzero(values.any(axis=1)):
                totals[k] += view.share * sums(place, values[k], view.ends, running)
        return totals.reshape(*per_piece.shape[:-1], -1)

    def site_totals(self, node: Ints, values: Floats) -> Floats:
        """Totals of values per site over the sites on each section (on any pole).

        ``node``: node of each site, -1 out of reach, shape (n_sites,). ``values``: values of each site, shape
        (n_values, n_sites). Returns shape (n_values, n_devices); nothing is written where all values are 0.
        """
        totals = np.zeros((len(values), len(self.device)))
        used = np.flatnonzero(values.any(axis=1))
        standings = [view.standing(node) for view in self.views] if len(used) else []
        if not standings:
            return totals
        if len(standings) == 1:
            for k in used:
                totals[k] = standings[0].sums(values[k])
            return totals
        for k in used:
            for standing in standings:
                np.maximum(totals[k], standing.sums(values[k]), out=totals[k])
        for some, owner, site in _in_parts(_mixed(standings), standings):
            for k in used:
                totals[k, some] = np.bincount(owner, weights=values[k, site], minlength=len(some))
        return totals

    def phase_totals(self, node: Ints, phases: Ints, value: Floats) -> Floats:
        """Totals of a value per single-phase unit over each section, on its own pole, shape (3, n_devices).

        ``node``, ``phases``, ``value``: node (-1 out of reach), phase (mask) and value of each unit, shape (n_units,).
        """
        if not len(node):
            return np.zeros((3, len(self.device)))
        views = self.views if len(self.views) > 1 else 3 * self.views
        poles = zip((PHASE_A, PHASE_B, PHASE_C), views, strict=True)
        return np.array([view.standing(np.where(phases == bit, node, -1)).sums(value) for bit, view in poles])

    def members(self, which: Ints, node: Ints) -> tuple[Ints, Ints]:
        """Pairs of device (position in ``which``) and member, by the node each member stands at (-1: nowhere).

        Sorted by device and member.
        """
        return together(which, [view.standing(node) for view in self.views])

    def members_in_parts(self, which: Ints, node: Ints) -> Iterator[tuple[Ints, Ints, Ints]]:
        """The same, some of the devices at a time: those devices, position among them, and member."""
        return _in_parts(which, [view.standing(node) for view in self.views])

    def pieces(self, which: Ints) -> tuple[Ints, Ints]:
        """Pairs of device (position in ``which``) and piece on its section on any pole, sorted."""
        return together(which, [view.standing(self._piece_nodes(view)) for view in self.views])

    def over_both(self, first: int, second: int) -> Bools:
        """Devices on whose section, on one pole, two pieces are, shape (n_devices,)."""
        found = np.zeros(len(self.device), bool)
        for view in self.views:
            if self.graph.mask[first] & self.graph.mask[second] & view.bits:
                places = view.forest.place[self.graph.b[[first, second]]]
                found |= _holds(view, places[0]) & _holds(view, places[1])
        return found

    def share(self, first: Ints, second: Ints) -> Bools:
        """Pairs of pieces that some device has both on its section on one pole, shape (n_pairs,)."""
        found = np.zeros(len(first), bool)
        for view in self.views:
            on_pole = (self.graph.mask[first] & self.graph.mask[second] & view.bits) != 0
            a, b = (view.forest.place[self.graph.b[piece]] for piece in (first, second))
            low, high = _outermost(view)
            around = np.searchsorted(low, a, side="right") - 1
            mine = on_pole & (around >= 0)
            mine[mine] = (np.maximum(a, b)[mine] < high[around[mine]]) & (b[mine] >= low[around[mine]])
            found |= mine
            for d in np.flatnonzero(view.inverted).tolist():
                found |= on_pole & _holds(view, a, d) & _holds(view, b, d)
        return found

    def _piece_nodes(self, view: PhaseView) -> Ints:
        """Node of every piece that carries the phase, -1 of others."""
        n = self.graph.n_pieces
        return np.where((self.graph.mask[:n] & view.bits) != 0, self.graph.b[:n], -1)


def find_sections(graph: Graph, *, device: Ints, down: Ints, forests: dict[int, Forest], fed: Bools) -> Sections:
    """Exposed sections of closed single-pole devices.

    ``device``: rows of the devices in the switches; all have an edge in the graph. ``down``: node on the controlled
    side of each, where no source decides. ``forests``: spanning forest by phase bits, see :func:`span_phases`. ``fed``:
    nodes with some way to a source, shape (n_nodes,).
    """
    share = 1 / len(forests)
    views = []
    down = down.copy()
    for bits, forest in forests.items():
        view, child = _view(graph, bits, forest=forest, device=device, down=down, fed=fed, share=share)
        down = np.where(view.exposes & fed[graph.near[device]], child, down)
        views.append(view)
    up = np.where(down == graph.far[device], graph.near[device], graph.far[device])
    return Sections(device, down, up, np.logical_or.reduce([v.exposes for v in views]), tuple(views), graph)


def span_phases(graph: Graph) -> tuple[dict[int, Forest], Forest]:
    """Spanning forest of every phase's graph by phase bits, sources first; and that of all edges.

    A single one where everything carries three phases. Blocks are only asked of that of all edges.
    """

    def span_edges(allowed: Bools) -> Forest:
        return span(graph.first, graph.edges, (graph.a, graph.b), allowed=allowed, head=graph.root)

    union, none = span_edges(np.ones(len(graph.a), bool)), np.empty(0, np.int64)
    if (graph.mask == THREE_PHASE).all():
        return {THREE_PHASE: union}, union
    bits = (PHASE_A, PHASE_B, PHASE_C)
    return {b: span_edges((graph.mask & b) != 0)._replace(low=none) for b in bits}, union


def _view(
    graph: Graph, bits: int, *, forest: Forest, device: Ints, down: Ints, fed: Bools, share: float
) -> tuple[PhaseView, Ints]:
    """One phase's view of the devices, and the node below each in its forest."""
    child = graph.lower_node(forest, device)
    root = forest.root[child]
    # RULE 6: what a bridge alone supplies
    exposes = forest.bridge[graph.edge_of[device]] & ((root == graph.root) | ~fed[child])
    view = PhaseView(
        share=share,
        bits=bits,
        forest=forest,
        low=np.where(exposes, forest.place[child], 0),
        high=np.where(exposes, forest.end[child], 0),
        tree_low=np.where(exposes, forest.place[root], 0),
        tree_high=np.where(exposes, forest.end[root], 0),
        inverted=exposes & (root != graph.root) & (child != down),
        exposes=exposes,
    )
    return view, child


def _holds(view: PhaseView, place: Ints, device: int | slice = slice(None)) -> Bools:
    """Whether places are on devices' sections; one place and all devices, or many places and one device."""
    inside = (view.low[device] <= place) & (place < view.high[device])
    in_tree = (view.tree_low[device] <= place) & (place < view.tree_high[device])
    return np.where(view.inverted[device], in_tree & ~inside, inside)


def _outermost(view: PhaseView) -> tuple[Ints, Ints]:
    """Intervals that lie in no other, rising; those of a forest lie in one another or apart."""
    order = np.lexsort((-view.high, view.low))
    order = order[(view.exposes & ~view.inverted)[order]]
    low, high = view.low[order], view.high[order]
    before = np.maximum.accumulate(np.append(-1, high))[:-1]
    return low[high > before], high[high > before]


def _mixed(standings: list[Standing]) -> Ints:
    """Sections on which, on different poles, different things are."""
    n = len(standings[0].rank)
    # distinct whole weights add up exactly: equal sums are equal sets
    weight = np.random.default_rng(1).integers(1, 2**53 // max(n, 1), n).astype(np.float64)
    weights = np.array([standing.sums(weight) for standing in standings])
    return np.flatnonzero(((weights > 0) & (weights != weights.max(axis=0))).any(axis=0))


def _in_parts(which: Ints, standings: list[Standing]) -> Iterator[tuple[Ints, Ints, Ints]]:
    """Some of the sections at a time, and pairs of position among them and what stands on them."""
    size = np.zeros(len(which), np.int64)
    for low, high, tree_low, tree_high, inverted in (standing.ends for standing in standings):
        size += np.where(inverted, tree_high - tree_low, high - low)[which]
    part = np.cumsum(size) // PAIRS_AT_ONCE
    for some in np.split(which, np.flatnonzero(np.diff(part)) + 1) if len(which) else ():
        yield some, *together(some, standings)
