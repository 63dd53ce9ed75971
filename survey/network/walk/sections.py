"""Exposed section of a switching point: what loses its only supply on a pole when that pole alone is open.

Judged pole by pole: for every phase the graph of what carries it, its spanning forest and its bridges. Where a device
is a bridge, all beyond it is exposed on that pole; where a ring or a parallel feed keeps it supplied, nothing is.
Sections are intervals of the forest's visiting order, so that totals are differences of running sums.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, heads, ranges
from survey.network.sweeps import Forest, span
from survey.network.topology.graph import Graph
from survey.read.tables import PHASE_A, PHASE_B, PHASE_C, THREE_PHASE

MEMBERS_OF_AT_ONCE = 256
VALUES_AT_ONCE = 8


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
            place, piece = self._piece_places(view)
            for total, value in zip(totals, values, strict=True):
                np.add(total, view.share * _interval_sum(view, place, piece, value), out=total)
        return totals.reshape(*per_piece.shape[:-1], -1)

    def site_totals(self, node: Ints, values: Floats) -> Floats:
        """Totals of values per site over the sites on each section (on any pole).

        ``node``: node of each site, -1 out of reach, shape (n_sites,). ``values``: values of each site, shape
        (n_values, n_sites). Returns shape (n_values, n_devices).
        """
        if len(self.views) == 1:
            return _member_sums(self.views[0], node, values)
        # distinct whole weights add up exactly: equal sums are equal sets
        weight = np.random.default_rng(1).integers(1, 2**53 // max(len(node), 1), len(node)).astype(np.float64)
        weighted = np.vstack([weight, values])
        most = np.zeros((len(weighted), len(self.device)))
        weights = np.empty((len(self.views), len(self.device)))
        for view, row in zip(self.views, weights, strict=True):
            for first, sums in _blocks_of_sums(view, node, weighted):
                if first == 0:
                    row[:] = sums[0]
                rows = most[first : first + len(sums)]
                np.maximum(rows, sums, out=rows)
        total = most[1:]
        mixed = np.flatnonzero(((weights > 0) & (weights != most[0])).any(axis=0))
        for some in np.array_split(mixed, len(mixed) // MEMBERS_OF_AT_ONCE + 1):
            owner, site = self.members(some, node)
            for k, value in enumerate(values):
                total[k, some] = np.bincount(owner, weights=value[site], minlength=len(some))
        return total

    def phase_totals(self, node: Ints, phases: Ints, value: Floats) -> Floats:
        """Totals of a value per single-phase unit over each section, on its own pole, shape (3, n_devices).

        ``node``, ``phases``, ``value``: node (-1 out of reach), phase (mask) and value of each unit, shape (n_units,).
        """
        if not len(node):
            return np.zeros((3, len(self.device)))
        values = np.stack([np.where(phases == bit, value, 0.0) for bit in (PHASE_A, PHASE_B, PHASE_C)])
        if len(self.views) == 1:
            return _member_sums(self.views[0], node, values)
        rows = (values[k : k + 1] for k in range(3))
        return np.concatenate([_member_sums(v, node, row) for v, row in zip(self.views, rows, strict=True)])

    def members(self, which: Ints, node: Ints) -> tuple[Ints, Ints]:
        """Pairs of device (position in ``which``) and member, by the node each member stands at (-1: nowhere).

        Sorted by device and member.
        """
        at = np.flatnonzero(node >= 0)
        return _unique_pairs([_expand(view, which, view.forest.place[node[at]], at) for view in self.views])

    def pieces(self, which: Ints) -> tuple[Ints, Ints]:
        """Pairs of device (position in ``which``) and piece on its section on any pole, sorted."""
        return _unique_pairs([_expand(view, which, *self._piece_places(view)) for view in self.views])

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

    def _piece_places(self, view: PhaseView) -> tuple[Ints, Ints]:
        """Place of every piece that carries the phase in the visiting order, and the pieces."""
        piece = np.flatnonzero((self.graph.mask[: self.graph.n_pieces] & view.bits) != 0)
        return view.forest.place[self.graph.b[piece]], piece


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


def _interval_sum(view: PhaseView, place: Ints, row: Ints, value: Floats) -> Floats:
    """Sum of ``value[row]``, standing at ``place``, over each device's interval."""
    at_place = np.bincount(place, weights=value[row], minlength=len(view.forest.place))
    running = np.concatenate([[0.0], np.cumsum(at_place)])
    bounds = (view.low, view.high, view.tree_low, view.tree_high)
    return _between(running, bounds, view.inverted)


def _member_sums(view: PhaseView, node: Ints, values: Floats) -> Floats:
    """Sums of values of members (at ``node``, -1 nowhere) over each device's interval, shape (n_values, n_devices)."""
    none = np.zeros((0, len(view.low)))
    return np.concatenate([none, *(sums for _, sums in _blocks_of_sums(view, node, values))])


def _blocks_of_sums(view: PhaseView, node: Ints, values: Floats) -> Iterator[tuple[int, Floats]]:
    """The same, some of the values at a time: all take much room; the first of each and the sums."""
    at = np.flatnonzero(node >= 0)
    place = view.forest.place[node[at]]
    order = np.argsort(place, kind="stable")
    place = place[order]
    ends = [np.searchsorted(place, x) for x in (view.low, view.high)]
    held = np.flatnonzero((ends[0] < ends[1]) | view.inverted)
    bounds = [end[held] for end in ends] + [np.searchsorted(place, x[held]) for x in (view.tree_low, view.tree_high)]
    for first in range(0, len(values), VALUES_AT_ONCE):
        some = values[first : first + VALUES_AT_ONCE]
        running = np.zeros((len(at) + 1, len(some)))
        np.cumsum(some[:, at[order]].T, axis=0, out=running[1:])
        sums = np.zeros((len(some), len(view.low)))
        sums[:, held] = _between(running, bounds, view.inverted[held]).T
        yield first, sums


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


def _between(running: Floats, bounds: Sequence[Ints], inverted: Bools) -> Floats:
    """Running sums between low and high, or, inverted, on both sides of them; of nothing it is exactly nothing."""
    low, high = running[bounds[0]], running[bounds[1]]
    between = high - low
    if inverted.any():
        tree_low, tree_high = running[bounds[2][inverted]], running[bounds[3][inverted]]
        between[inverted] = (low[inverted] - tree_low) + (tree_high - high[inverted])
    return between


def _expand(view: PhaseView, which: Ints, place: Ints, row: Ints) -> tuple[Ints, Ints]:
    """Pairs (position in ``which``, row) of what stands inside each device's section."""
    order = np.argsort(place, kind="stable")
    sorted_place = place[order]
    low, high = np.searchsorted(sorted_place, view.low[which]), np.searchsorted(sorted_place, view.high[which])
    tree = np.searchsorted(sorted_place, view.tree_low[which]), np.searchsorted(sorted_place, view.tree_high[which])
    inverted = view.inverted[which]
    # an inverted section is what comes before and what comes after the interval, both inside the tree
    starts = np.stack([np.where(inverted, tree[0], low), high], axis=1)
    ends = np.stack([np.where(inverted, low, high), np.where(inverted, tree[1], high)], axis=1)
    count = (ends - starts).ravel()
    owner = np.repeat(np.repeat(np.arange(len(which)), 2), count)
    return owner, row[order[ranges(starts.ravel(), count)]]


def _unique_pairs(parts: list[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    owner, row = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    rows = int(row.max(initial=0)) + 1
    pair = np.sort(owner * rows + row)
    return np.divmod(pair[heads(pair)], rows)
