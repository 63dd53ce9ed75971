"""What stands between a place and the switching point above it, in the parts that have a source.

Nothing here keeps whole paths: marks on the way are followed from one to the next, and walkers are counted by one sweep
up the tree, so that a feeder of any length costs no more than its number of edges.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Ints
from survey.compiled import njit
from survey.network.walk.sections import span_edges
from survey.network.walk.walks import tree_up

if TYPE_CHECKING:
    from survey.network.model import Network


@dataclass(frozen=True)
class WaysUp:
    """Way up from every node to the sources, as the walk goes it.

    Parameters
    ----------
    fed
        Nodes that have one.
    parent_edge
        First edge of it, -1 without one.
    order
        The nodes that have one, parents first.
    first_mark
        First marked edge before the switching point, -1 without one.
    stops
        Edges that stop a walk.
    """

    fed: Bools
    parent_edge: Ints
    order: Ints
    first_mark: Ints
    stops: Bools


def find_ways(network: Network, *, marks: Bools | None = None) -> WaysUp:
    """Ways up from all nodes; ``marks`` per edge."""
    graph, sections = network.graph, network.sections
    union = span_edges(graph, np.ones(len(graph.a), bool))
    parent_edge, order = tree_up(graph, union)
    stops = np.zeros(len(graph.a), bool)
    stops[graph.edge_of[sections.device[sections.exposes]]] = True
    marked = np.zeros(len(graph.a), bool) if marks is None else marks
    first_mark = _first_marks(order, parent_edge, graph.a, graph.b, stops, marked)
    return WaysUp(union.root == graph.root, parent_edge, order, first_mark, stops)


@njit(cache=True)
def _first_marks(  # noqa: PLR0917 - compiled: flat arrays only
    order: Ints, parent_edge: Ints, a: Ints, b: Ints, stops: Bools, marks: Bools
) -> Ints:
    first = np.full(len(parent_edge), -1, np.int64)
    for v in order:
        e = parent_edge[v]
        if e >= 0 and not stops[e]:
            first[v] = e if marks[e] else first[a[e] if b[e] == v else b[e]]
    return first


def marks_passed(network: Network, ways: WaysUp, node: Ints) -> tuple[Ints, Ints]:
    """Marked edges between nodes and the switching point above each, nearest first.

    Parameters
    ----------
    node
        Nodes, -1 for none, shape (n,).

    Returns
    -------
    Pairs of position in ``node`` and edge, sorted by position.
    """
    graph = network.graph
    lower_is_b = ways.parent_edge[graph.b] == np.arange(len(graph.b))
    following = np.append(ways.first_mark[np.where(lower_is_b, graph.a, graph.b)], -1)
    good = (node >= 0) & ways.fed[np.maximum(node, 0)]
    edge = np.where(good, ways.first_mark[np.maximum(node, 0)], -1)
    owners, edges = [], []
    owner = np.flatnonzero(edge >= 0)
    while len(owner):
        owners.append(owner)
        edges.append(edge[owner])
        edge = following[edge]
        owner = owner[edge[owner] >= 0]
    if not owners:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(owners)[order], np.concatenate(edges)[order]


def branch_heads(network: Network, ways: WaysUp, *, walkers: Ints, usable: Bools) -> tuple[Ints, Ints]:
    """Uppermost usable edge of every stretch that two walkers or more pass between taps.

    Parameters
    ----------
    walkers
        Node of each walker; they walk up to the first edge that stops a walk.
    usable
        Edges that may be named, shape (n_edges,).

    Returns
    -------
    The edges, rising, and the number of walkers that pass each.
    """
    graph = network.graph
    return _branch_heads(walkers, ways.order, ways.parent_edge, ways.stops, graph.a, graph.b, usable)


@njit(cache=True)
def _branch_heads(  # noqa: PLR0917 - compiled: flat arrays only
    walkers: Ints, order: Ints, parent_edge: Ints, stops: Bools, a: Ints, b: Ints, usable: Bools
) -> tuple[Ints, Ints]:
    here = np.zeros(len(parent_edge), np.int64)
    for w in walkers:
        here[w] += 1
    for v in order[::-1]:
        e = parent_edge[v]
        if e >= 0 and not stops[e]:
            here[a[e] if b[e] == v else b[e]] += here[v]
    named = np.zeros(len(parent_edge), np.bool_)
    passing = np.zeros(len(a), np.int64)
    for v in order:
        e = parent_edge[v]
        if e < 0 or stops[e] or here[v] < 2:
            continue
        u = a[e] if b[e] == v else b[e]
        above = parent_edge[u]
        same = above >= 0 and not stops[above] and here[u] == here[v]
        named[v] = same and named[u]
        if usable[e] and not named[v]:
            passing[e] = here[v]
            named[v] = True
    heads = np.flatnonzero(passing)
    return heads, passing[heads]
