"""Compiled sweeps over a graph held as edge arrays: adjacency, depth-first spanning forest, shortest ways, descent.

A graph has ``n`` nodes and edges ``a[e] - b[e]``; ``allowed[e]`` leaves edges out. Neighbours are visited in edge
order, so results depend on the numbering only.
"""

import heapq
from typing import Any, NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, Ragged
from survey.loops import njit


class Forest(NamedTuple):
    """Depth-first spanning forest.

    ``place`` of each node in visiting order and ``end`` one past its last descendant, so that the part of the forest
    below a node is ``order[place:end]``; ``low`` the lowest place that an edge leads to from that part;
    ``parent_edge`` (-1 at roots); ``root`` node of its tree; ``bridge`` per edge: the only way between its two sides;
    ``cyclic``: some edge closes a ring.
    """

    order: Ints
    place: Ints
    end: Ints
    low: Ints
    parent_edge: Ints
    root: Ints
    bridge: Bools
    cyclic: bool


@njit(cache=True)
def adjacency(a: Ints, b: Ints, n: int) -> tuple[Ints, Ints]:
    """First position of every node's edges, shape (n + 1,), and the edges, shape (2 * n_edges,), in edge order."""
    first = np.zeros(n + 1, np.int64)
    for e in range(len(a)):
        first[a[e] + 1] += 1
        first[b[e] + 1] += 1
    first = np.cumsum(first)
    place = first[:-1].copy()
    edges = np.empty(2 * len(a), np.int64)
    for e in range(len(a)):
        edges[place[a[e]]] = e
        place[a[e]] += 1
        edges[place[b[e]]] = e
        place[b[e]] += 1
    return first, edges


# one loop: forest, order and bridges come from the same step down and up
@njit(cache=True)
def _span(first: Ints, edges: Ints, a: Ints, b: Ints, allowed: Bools, head: int) -> Any:  # noqa: ANN401 - columns of Forest, whole numbers of 32 bits: four forests are there at a time
    n = len(first) - 1
    order = np.empty(n, np.int32)
    place = np.full(n, -1, np.int32)
    end = np.zeros(n, np.int32)
    low = np.zeros(n, np.int32)
    parent_edge = np.full(n, -1, np.int32)
    root = np.full(n, -1, np.int32)
    bridge = np.zeros(len(a), np.bool_)
    cursor = first[:-1].copy()
    stack = np.empty(n, np.int64)
    cyclic = False
    count = 0
    for i in range(n):
        start = head if i == 0 else (i - 1 if i <= head else i)
        if place[start] >= 0:
            continue
        place[start] = low[start] = count
        order[count] = start
        root[start] = start
        count += 1
        depth = 0
        stack[0] = start
        while depth >= 0:
            v = stack[depth]
            if cursor[v] < first[v + 1]:
                e = edges[cursor[v]]
                cursor[v] += 1
                if not allowed[e] or e == parent_edge[v]:
                    continue
                w = b[e] if a[e] == v else a[e]
                if place[w] < 0:
                    place[w] = low[w] = count
                    order[count] = w
                    root[w] = start
                    parent_edge[w] = e
                    count += 1
                    depth += 1
                    stack[depth] = w
                elif w != v:
                    cyclic = True
                    low[v] = min(low[v], place[w])
            else:
                end[v] = count
                depth -= 1
                if depth >= 0:
                    up = stack[depth]
                    low[up] = min(low[up], low[v])
                    bridge[parent_edge[v]] = low[v] > place[up]
    return order, place, end, low, parent_edge, root, bridge, cyclic


def span(first: Ints, edges: Ints, ends: tuple[Ints, Ints], *, allowed: Bools, head: int) -> Forest:
    """Spanning forest by depth-first search, first from ``head``, then from the lowest node not reached yet."""
    return Forest(*_span(first, edges, ends[0], ends[1], allowed, head))


def ring_blocks(forest: Forest, ends: tuple[Ints, Ints]) -> Ragged:
    """Edges of every block that has a ring: of every largest part that no single node separates.

    ``forest``: spanning forest of all edges. ``ends``: both nodes of every edge.
    """
    edges = np.flatnonzero(~forest.bridge & (ends[0] != ends[1]))
    if not len(edges):
        return Ragged.of([])
    block = _block_of(forest.order, forest.place, forest.low, forest.parent_edge, *ends)
    _, block = np.unique(block[edges], return_inverse=True)
    return Ragged.grouped(block, edges, n=int(block.max()) + 1)


@njit(cache=True)
def _block_of(order: Ints, place: Ints, low: Ints, parent_edge: Ints, a: Ints, b: Ints) -> Ints:
    """Block of every edge, by the edge that leads down into it."""
    block = np.arange(len(a))
    for v in order:
        e = parent_edge[v]
        if e >= 0:
            u = a[e] if b[e] == v else b[e]
            if low[v] < place[u]:
                block[e] = block[parent_edge[u]]
    for e in range(len(a)):
        v = a[e] if place[a[e]] > place[b[e]] else b[e]
        if a[e] != b[e] and parent_edge[v] != e:
            block[e] = block[parent_edge[v]]
    return block


@njit(cache=True)
def _shortest(first: Ints, edges: Ints, a: Ints, b: Ints, cost: Floats, bridge: Bools, head: int) -> tuple[Ints, Ints]:
    n = len(first) - 1
    best = np.full(n, np.inf)
    parent_edge = np.full(n, -1, np.int64)
    done = np.zeros(n, np.bool_)
    order = np.empty(n, np.int64)
    stack = np.empty(n, np.int64)
    count = 0
    depth = 1
    stack[0] = head
    best[head] = 0.0
    heap = [(0.0, -1)]
    heap.pop()
    while depth > 0 or heap:
        if depth > 0:
            depth -= 1
            v = stack[depth]
        else:
            v = heapq.heappop(heap)[1]
        if done[v]:
            continue
        done[v] = True
        order[count] = v
        count += 1
        for k in range(first[v], first[v + 1]):
            e = edges[k]
            w = b[e] if a[e] == v else a[e]
            if done[w]:
                continue
            c = best[v] + cost[e]
            if bridge[e]:
                best[w] = c
                parent_edge[w] = e
                stack[depth] = w
                depth += 1
            elif c < best[w] or (c == best[w] and e < parent_edge[w]):
                best[w] = c
                parent_edge[w] = e
                heapq.heappush(heap, (c, w))
    return parent_edge, order[:count]


def shortest(
    first: Ints, edges: Ints, ends: tuple[Ints, Ints], *, cost: Floats, bridge: Bools, head: int
) -> tuple[Ints, Ints]:
    """Shortest ways from the head: parent edge of every node (-1), and the reached nodes, parents before children.

    What lies beyond a bridge can be reached by no other way, so that only nodes on rings wait for their turn
    (Dijkstra).
    """
    parent_edge, order = _shortest(first, edges, ends[0], ends[1], cost, bridge, head)
    return parent_edge, order


def supply_tree(
    forest: Forest, first: Ints, edges: Ints, ends: tuple[Ints, Ints], *, cost: Floats, head: int
) -> tuple[Ints, Ints]:
    """First edge of the shortest way from every node to the head, and the nodes that have one, parents first.

    The edge is -1 at the head and where no way leads to it. In a forest without rings there is but one way.
    """
    if forest.cyclic:
        return shortest(first, edges, ends, cost=cost, bridge=forest.bridge, head=head)
    fed = forest.root == head
    return np.where(fed, forest.parent_edge, -1).astype(np.int64), forest.order[: int(fed.sum())].astype(np.int64)


class Reach(NamedTuple):
    """Nearest seed of every node of a part, and the nearest that comes by another edge.

    ``at`` position of each node in the other arrays, the last one (nothing) for nodes outside; ``label`` seed numbers
    (-1); ``dist`` and ``cable`` metres, all and of shielded cable; ``note`` the noted edge on the way that is nearest
    to the node (-1); ``steps`` edges on the way; ``via_edge`` and ``via_slot`` the
    step back towards the seed (at the seed itself its own edge, and slot -1). All but ``at`` have shape (n, 2).
    """

    at: Ints
    label: Ints
    dist: Floats
    cable: Floats
    note: Ints
    steps: Ints
    via_edge: Ints
    via_slot: Ints


@njit(cache=True)
def _two_nearest(
    at: Ints,
    first: Ints,
    edges: Ints,
    a: Ints,
    b: Ints,
    cost: Floats,
    shielded: Bools,
    noted: Bools,
    seeds: Ints,
    seed_cost: Floats,
    own_edge: Ints,
) -> tuple[Ints, Floats, Floats, Ints, Ints, Ints, Ints]:
    n = len(first)
    label = np.full((n, 2), -1, np.int64)
    dist = np.full((n, 2), np.inf)
    cable = np.zeros((n, 2))
    note = np.full((n, 2), -1, np.int64)
    steps = np.zeros((n, 2), np.int64)
    via_edge = np.full((n, 2), -1, np.int64)
    via_slot = np.full((n, 2), -1, np.int64)
    heap = [(0.0, 0, 0, 0, 0, 0)]
    heap.pop()
    for k in range(len(seeds)):
        heapq.heappush(heap, (seed_cost[k], 0, k, at[seeds[k]], own_edge[k], -1))
    while heap:
        d, count, k, v, e_in, s_in = heapq.heappop(heap)
        if label[v, 1] >= 0 or (label[v, 0] >= 0 and (label[v, 0] == k or via_edge[v, 0] == e_in)):
            continue
        slot = 0 if label[v, 0] < 0 else 1
        label[v, slot] = k
        dist[v, slot] = d
        steps[v, slot] = count
        via_edge[v, slot] = e_in
        via_slot[v, slot] = s_in
        if s_in >= 0:
            u = at[a[e_in]] if at[b[e_in]] == v else at[b[e_in]]
            cable[v, slot] = cable[u, s_in] + (cost[e_in] if shielded[e_in] else 0.0)
            note[v, slot] = e_in if noted[e_in] else note[u, s_in]
        for j in range(first[v], first[v + 1]):
            e = edges[j]
            if e == own_edge[k] or e == e_in:
                continue
            w = at[b[e]] if at[a[e]] == v else at[a[e]]
            if label[w, 1] < 0 and (label[w, 0] < 0 or (label[w, 0] != k and via_edge[w, 0] != e)):
                heapq.heappush(heap, (d + cost[e], count + 1, k, w, e, slot))
    return label, dist, cable, note, steps, via_edge, via_slot


def two_nearest(
    ends: tuple[Ints, Ints],
    *,
    part: Bools,
    cost: Floats,
    shielded: Bools,
    noted: Bools,
    seeds: Ints,
    seed_cost: Floats,
    own_edge: Ints,
) -> Reach:
    """Nearest seed of every node, and the nearest that comes by another edge, where no seed crosses its own edge.

    A seed is the controlled side of a device, its own edge the device: what the device's other side reaches through it
    does not count. Two labels that come by different edges are enough: what goes on by an edge is the nearer of those
    that did not come by it. Of seeds equally near the one of fewer steps is taken: of devices in a row, the last.

    Parameters
    ----------
    part
        Nodes to look at, shape (n_nodes,); whole connected pieces.
    noted
        Edges to note on the way.
    seeds, seed_cost, own_edge
        Node of each seed, metres it begins with, and the edge it never crosses.
    """
    nodes, mine = np.flatnonzero(part), np.flatnonzero(part[ends[0]])
    at = np.full(len(part), len(nodes), np.int64)
    at[nodes] = np.arange(len(nodes))
    first, edges = adjacency(at[ends[0][mine]], at[ends[1][mine]], len(nodes))
    found = _two_nearest(at, first, mine[edges], *ends, cost, shielded, noted, seeds, seed_cost, own_edge)
    return Reach(at, *found)


@njit(cache=True)
def retrace(node: Ints, count: Ints, reach: Reach, a: Ints, b: Ints) -> tuple[Ints, Bools]:
    """Edges from each node to its seed, ``count`` of each, one walk after the other; and whether from their ``b``."""
    edges = np.empty(count.sum(), np.int64)
    from_b = np.empty(len(edges), np.bool_)
    n = 0
    for i in range(len(node)):
        v, slot = node[i], 0
        for _ in range(count[i]):
            e = reach.via_edge[reach.at[v], slot]
            slot = reach.via_slot[reach.at[v], slot]
            edges[n] = e
            from_b[n] = b[e] == v
            n += 1
            v = a[e] if b[e] == v else b[e]
    return edges, from_b


class Passed(NamedTuple):
    """What the way up from every node passes until an edge stops it; each shape (n_nodes,).

    ``stop`` the edge that stops it (-1), ``steps`` edges, ``walked`` metres and ``cable`` metres of shielded cable to
    it (or to the root), ``three_pole`` the first three-pole edge before it (-1), ``ring`` the first ring edge (-1).
    """

    stop: Ints
    steps: Ints
    walked: Floats
    cable: Floats
    three_pole: Ints
    ring: Ints


@njit(cache=True)
def descend(
    order: Ints,
    parent_edge: Ints,
    a: Ints,
    b: Ints,
    length: Floats,
    shielded: Bools,
    stops: Bools,
    gang: Bools,
    ring: Bools,
) -> tuple[Ints, Ints, Floats, Floats, Ints, Ints]:
    """Columns of :class:`Passed`, carried from the roots down: ``order`` holds parents before children."""
    n = len(parent_edge)
    stop = np.full(n, -1, np.int64)
    steps = np.zeros(n, np.int64)
    walked = np.zeros(n)
    cable = np.zeros(n)
    three_pole = np.full(n, -1, np.int64)
    on_ring = np.full(n, -1, np.int64)
    for i in range(len(order)):
        v = order[i]
        e = parent_edge[v]
        if e < 0:
            continue
        u = a[e] if b[e] == v else b[e]
        if stops[e]:
            stop[v] = e
            continue
        stop[v] = stop[u]
        steps[v] = steps[u] + 1
        walked[v] = walked[u] + length[e]
        cable[v] = cable[u] + (length[e] if shielded[e] else 0.0)
        three_pole[v] = e if gang[e] else three_pole[u]
        on_ring[v] = e if ring[e] else on_ring[u]
    return stop, steps, walked, cable, three_pole, on_ring
