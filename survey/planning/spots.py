"""Which places on the ways up are as good as each other for an added device.

Two places on one way are equal where nothing joins, nobody stands and no switching point lies between them: the same
sites and points pass both. Counting what passes is enough to tell, since what passes above holds what passes below.
A normally open device counts as one who stands there. On loops supply comes from either end, so that there a place is
as good as its neighbour, but never worse than one beyond a point; where the two ways of a loop meet, every end of a
cable is a place of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, Objects, Ragged, heads
from survey.assess.ties.chains import LoopChains
from survey.assess.ties.verdict import Frame, all_chains
from survey.findings import FindingList
from survey.loops import njit
from survey.network import build_network
from survey.network.model import Network
from survey.network.walk.upstream import noted_above
from survey.what_if.edits import Change, apply_changes

ENDS = np.array(["from", "to"], object)
NEW_ID = "3P"


@dataclass(frozen=True)
class Wishes:
    """Who could gain by a device, and what the planner says of places.

    ``worth`` risk of every site that counts, shape (n_sites,); ``pays`` sections under whose point a device could pay,
    shape (n_devices,); ``linked`` sections on some site's way, shape (n_devices,); ``ties`` states with normally open
    devices closed count; ``named`` places that are weighed whatever else is: they have a cost of their own, or must be
    done; ``barred`` places that are not, and sites that get no device of their own.
    """

    worth: Floats
    pays: Bools
    linked: Bools
    ties: bool
    named: frozenset[str]
    barred: frozenset[str]


@dataclass(frozen=True)
class Spots:
    """Places by name, shape (n,).

    ``name`` ``site:ID`` or ``cable:ID:from``; ``spot`` the same number for places that are as good as each other;
    ``worth`` risk of the sites below; ``rank`` of equal places the one with the least is named: a site's own, else the
    one furthest up; ``own`` the one site that passes, -1 where several do, or a point; ``better`` spot on the other
    side of the point that stands between, -1 without one: a device there does more.
    """

    name: Objects
    spot: Ints
    worth: Floats
    rank: Ints
    own: Ints
    better: Ints


class _Tree(NamedTuple):
    """Per node: what passes just above it, risk below, whether it is on a loop or below one.

    ``beyond`` the first stop beyond the edge above it, ``spot`` the same number for equal places.
    """

    passing: Floats
    worth: Floats
    looped: Bools
    beyond: Ints
    spot: Ints


class _Slots(NamedTuple):
    """Where something could stand: row of its site or cable end, the node below it, and whether a stop lies between."""

    row: Ints
    node: Ints
    over: Bools


def find_spots(network: Network, wishes: Wishes) -> Spots:
    """Places at which a device could help a site of some worth."""
    worth = wishes.worth
    tables, cable = network.tables, network.pieces.cable
    loops = _Loops.of(network, ties=wishes.ties)
    tree = _measure(network, loops, worth=worth, linked=wishes.linked)
    sites, ends = _site_slots(network), _cable_slots(network)
    site_id = tables.transformers["site_id"].to_numpy(object)[sites.row]
    cable_id = tables.cables["cable_id"].to_numpy(object)[cable[ends.row // 2]]
    name = np.concatenate(["site:" + site_id, "cable:" + cable_id + ":" + ENDS[ends.row % 2]])
    node, over = np.concatenate([sites.node, ends.node]), np.concatenate([sites.over, ends.over])
    depth = np.empty(len(tree.spot), np.int64)
    depth[network.upstream.order] = np.arange(len(network.upstream.order))
    alone = tree.passing[node] == 1
    is_site = np.arange(len(node)) < len(sites.row)
    rank = np.where(is_site & alone, -1, depth[node] + np.where(is_site, len(depth), 0))
    own = np.full(len(tree.spot), -1, np.int64)
    counts = np.flatnonzero(worth[sites.row] > 0)
    own[tree.spot[sites.node[counts]]] = sites.row[counts]
    # above a stop only its own section passes
    spot = np.where(over, len(tree.spot) + node, tree.spot[node])
    owner = np.where(alone & ~over, own[tree.spot[node]], -1)
    good = _useful(network, tree, node=node, over=over, wishes=wishes)
    better = np.where(over & ~tree.looped[node], tree.spot[node], -1)
    meeting = _meeting_ends(network, loops)
    more = len(meeting)
    ends_at = np.concatenate([spot[good], 2 * len(tree.spot) + np.arange(more)])
    cable_id = tables.cables["cable_id"].to_numpy(object)[cable[meeting // 2]]
    return Spots(
        name=np.concatenate([name[good], "cable:" + cable_id + ":" + ENDS[meeting % 2]]),
        spot=ends_at,
        worth=np.append(tree.worth[node][good], np.full(more, loops.worth)),
        rank=np.append(rank[good], np.zeros(more, np.int64)),
        own=np.append(owner[good], np.full(more, -1)),
        better=np.append(better[good], np.full(more, -1)),
    )


class _Loops(NamedTuple):
    """Nodes on loops whose states count, and those where their two ways meet; ``worth`` of a place there."""

    node: Ints
    meeting: Ints
    worth: float = 1e-9

    @classmethod
    def of(cls, network: Network, *, ties: bool) -> _Loops:
        """Rings, and loops of normally open devices where they count."""
        loops, graph = network.loops, network.graph
        if loops is None:
            return cls(np.empty(0, np.int64), np.empty(0, np.int64))
        which = np.flatnonzero((loops.tie < 0) | ties)
        loops = loops.taken(which)
        tie = loops.tie[loops.tie >= 0]
        # on the way of a ring only the two nodes that its closing edge joins have no child on it
        parent = network.upstream.parent_edge[loops.node]
        above = np.where(graph.b[parent] == loops.node, graph.a[parent], graph.b[parent])
        ends = np.setdiff1d(loops.node, above)
        return cls(loops.node, np.unique(np.concatenate([graph.near[tie], graph.far[tie], ends])))


def _meeting_ends(network: Network, loops: _Loops) -> Ints:
    """Ends of cables, as ``2 * piece + end``, where the two ways of a loop meet."""
    pieces, graph = network.pieces, network.graph
    first = heads(pieces.cable)
    outer = np.stack([first, np.append(first, True)[1:]], axis=1).reshape(-1)
    n = len(pieces.cable)
    there = [np.isin(side, loops.meeting) for side in (pieces.u, pieces.v, graph.a[:n], graph.b[:n])]
    near = np.logical_or.reduce(there)
    return np.flatnonzero(outer & np.repeat(near, 2))


def _useful(network: Network, tree: _Tree, *, node: Ints, over: Bools, wishes: Wishes) -> Bools:
    """Somebody of worth passes, and a device below the point above could pay."""
    section = np.full(len(network.graph.a) + 1, -1, np.int64)
    section[network.graph.edge_of[network.sections.device]] = np.arange(len(wishes.linked))
    edge = network.upstream.parent_edge[node]
    at_stop = network.sections.stopping_edges()[edge]
    above = section[np.where(at_stop & ~over, edge, tree.beyond[node])]
    some = np.where(
        over, np.append(wishes.linked, False)[section[edge]] & (tree.worth[node] > 0), tree.passing[node] > 0
    )
    return np.asarray(some & (np.append(wishes.pays, False)[above] | tree.looped[node]))


def _measure(network: Network, loops: _Loops, *, worth: Floats, linked: Bools) -> _Tree:
    graph, sections, up, node = network.graph, network.sections, network.upstream, network.site_node
    stops, n = sections.stopping_edges(), len(network.upstream.parent_edge)
    site = np.flatnonzero((worth > 0) & (node >= 0) & up.fed[np.maximum(node, 0)])
    at_node = np.bincount(node[site], weights=worth[site], minlength=n).astype(np.float64)
    at_node[loops.meeting] += loops.worth
    below = _gather(at_node, up.order, up.parent_edge, np.zeros_like(stops), graph.a, graph.b)
    point = np.flatnonzero(linked & up.fed[sections.up] & (below[sections.down] > 0))
    stands = np.concatenate([node[site], sections.up[point], loops.meeting])
    here = np.bincount(stands, minlength=n).astype(np.float64)
    passing = _gather(here, up.order, up.parent_edge, stops, graph.a, graph.b)
    looped = np.zeros(n, bool)
    looped[loops.node] = True
    beyond, spot = _descend(up.order, up.parent_edge, stops, graph.a, graph.b, passing, looped)
    return _Tree(passing, below, looped, beyond, spot)


@njit(cache=True)
def _gather(  # noqa: PLR0917 - compiled: flat arrays only
    here: Floats, order: Ints, parent_edge: Ints, stops: Bools, a: Ints, b: Ints
) -> Floats:
    """Sum at and below each node, up to the edges that stop."""
    total = here.copy()
    for v in order[::-1]:
        e = parent_edge[v]
        if e >= 0 and not stops[e]:
            total[a[e] if b[e] == v else b[e]] += total[v]
    return total


@njit(cache=True)
def _descend(  # noqa: PLR0917 - compiled: flat arrays only
    order: Ints, parent_edge: Ints, stops: Bools, a: Ints, b: Ints, passing: Floats, looped: Bools
) -> tuple[Ints, Ints]:
    """Columns of :class:`_Tree`; ``looped`` is carried down."""
    beyond = np.full(len(parent_edge), -1, np.int64)
    spot = np.arange(len(parent_edge))
    for v in order:
        e = parent_edge[v]
        if e < 0:
            continue
        u = a[e] if b[e] == v else b[e]
        above = parent_edge[u]
        looped[v] |= looped[u]
        beyond[v] = above if above >= 0 and stops[above] else beyond[u]
        if not stops[e] and passing[u] == passing[v]:
            spot[v] = spot[u]
    return beyond, spot


def _site_slots(network: Network) -> _Slots:
    node = network.site_node
    row = np.flatnonzero((node >= 0) & network.upstream.fed[np.maximum(node, 0)])
    return _Slots(row, node[row], np.zeros(len(row), bool))


def _cable_slots(network: Network) -> _Slots:
    """Ends of cables on the ways up: ``2 * piece + end``; of a cut cable the first and last piece have one each."""
    pieces, graph = network.pieces, network.graph
    first = heads(pieces.cable)
    ends = np.stack([first, np.append(first, True)[1:]], axis=1)
    node = _below(pieces.u, pieces.v, network.upstream.parent_edge, graph.a, graph.b)
    row = np.flatnonzero(ends.reshape(-1) & (node >= 0))
    outer = np.stack([pieces.u, pieces.v], axis=1).reshape(-1)[row]
    edge = network.upstream.parent_edge[node[row]]
    return _Slots(row, node[row], network.sections.stopping_edges()[edge] & (outer != node[row]))


@njit(cache=True)
def _below(  # noqa: PLR0917 - compiled: flat arrays only
    u: Ints, v: Ints, parent_edge: Ints, a: Ints, b: Ints
) -> Ints:
    """Per end of a piece the node below the place next to the end's own node, -1 where no way up passes it.

    Between the piece and that node its devices stand. Shape (2 * n_pieces,).
    """
    out = np.full(2 * len(u), -1, np.int64)
    for p in range(len(u)):
        for end in range(2):
            node, inner, other = (u[p], a[p], b[p]) if end == 0 else (v[p], b[p], a[p])
            if parent_edge[inner] == p:
                w = node
                while parent_edge[w] >= len(u):
                    e = parent_edge[w]
                    w = a[e] if b[e] == w else b[e]
                out[2 * p + end] = node if parent_edge[w] == p else -1
            elif parent_edge[other] == p:
                low, w = other, inner
                while w != node and parent_edge[w] >= len(u):
                    e = parent_edge[w]
                    low, w = w, (a[e] if b[e] == w else b[e])
                out[2 * p + end] = low if w == node else -1
    return out


@dataclass(frozen=True)
class Added:
    """Devices that could be added, and which of them each site and each section passes.

    Passed are rows of the switches with the new ones before all others, idle single-pole ones among them: they take
    nothing off supply by themselves, but made three-pole they stand between. ``changes`` one for each device;
    ``lonlat`` where each is, degrees, shape (n, 2); ``of_site`` devices between each site and its nearest point, shape
    of the sites; ``of_section`` devices between each section's point and the one above it; ``loops`` chains of the
    states of loops, and the devices between their entries.
    """

    changes: tuple[Change, ...]
    lonlat: Floats
    of_site: Ragged
    of_section: Ragged
    loops: LoopChains


def try_places(network: Network, names: Sequence[str], *, frame: Frame) -> Added:
    """Build the network with a device at each place and see who passes which."""
    changes = tuple(
        Change("add_three_pole", new, at=place, origin="plan")
        for new, place in zip(_new_ids(network, len(names)), names, strict=True)
    )
    trial, n = network, len(changes)
    if n:
        changed = apply_changes(network.tables, changes)
        trial = build_network(changed, settings=frame.settings.network, findings=FindingList())
    noted = find_idle(trial)
    noted[:n] = True
    return Added(
        changes,
        trial.tables.switches[["lon", "lat"]].to_numpy(np.float64)[:n],
        passed(trial, noted, node=trial.site_node),
        passed(trial, noted, node=trial.sections.up),
        all_chains(frame._replace(network=trial), noted=noted),
    )


def find_idle(network: Network) -> Bools:
    """Closed single-pole devices that take nothing off supply by themselves, shape (n_switches,)."""
    edge = network.graph.edge_of
    single = network.tables.switches["single_pole"].to_numpy(bool)
    return np.asarray(single & (edge >= 0) & ~np.append(network.sections.stopping_edges(), False)[edge])


def passed(network: Network, noted: Bools, *, node: Ints) -> Ragged:
    """Noted switches between nodes and the point above each."""
    owner, edge = noted_above(network, np.append(noted, False)[network.graph.switch], node=node)
    return Ragged.from_pairs(owner, network.graph.switch[edge], n=len(node))


def _new_ids(network: Network, n: int) -> list[str]:
    """Ids that no device has."""
    taken = set(network.tables.switches["switch_id"])
    prefix = NEW_ID
    while any(str(i).startswith(f"{prefix}-") for i in taken):
        prefix += "+"
    digits = len(str(n))
    return [f"{prefix}-{k:0{digits}d}" for k in range(1, n + 1)]


def find_places(network: Network, wishes: Wishes, *, most: int) -> tuple[list[str], int]:
    """One place for each set of sites and points that could pass a device, those with most risk below first.

    ``most``: at most so many beside the named ones. Returns the places, and how many were left out.
    """
    spots = find_spots(network, wishes)
    site = np.append(network.tables.transformers["site_id"].to_numpy(object), "")
    told = np.isin(spots.name.astype(str), sorted({*wishes.named, *wishes.barred}))
    allowed = ~told & ~np.isin(site[spots.own].astype(str), sorted(wishes.barred))
    free = np.flatnonzero(allowed & ~np.isin(spots.better, spots.spot[allowed]))
    order = free[np.lexsort((spots.rank[free], spots.spot[free]))]
    first = order[heads(spots.spot[order])]
    best = first[np.lexsort((first, -spots.worth[first]))]
    return [*sorted(wishes.named), *spots.name[best[:most]]], max(0, len(best) - most)
