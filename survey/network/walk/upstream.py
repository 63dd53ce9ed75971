"""Direction of supply: the way up from every node to a source, and what stands on it.

Nothing here keeps whole paths: noted edges are followed from one to the next, and walkers are counted by one sweep up
the tree, so that a feeder of any length costs no more than its number of edges.
"""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Ints, heads
from survey.loops import njit
from survey.network.model import Network
from survey.network.sweeps import Forest, supply_tree
from survey.network.topology.graph import Graph
from survey.read.tables import THREE_PHASE

PART_PHASE_COST_M = 1e9


@dataclass(frozen=True)
class Upstream:
    """The way up from every node to the sources, as the walk goes it.

    ``fed``: nodes that have one, shape (n_nodes,). ``parent_edge``: first edge of it, -1 at the root and without one,
    shape (n_nodes,). ``order``: the nodes that have one, parents first.
    """

    fed: Bools
    parent_edge: Ints
    order: Ints

    def lower_node(self, n_edges: int) -> Ints:
        """Lower node of every edge, -1 where it is on nobody's way, shape (n_edges,)."""
        lower = np.full(n_edges, -1, np.int64)
        node = np.flatnonzero(self.parent_edge >= 0)
        lower[self.parent_edge[node]] = node
        return lower


def find_upstream(graph: Graph, *, union: Forest) -> Upstream:
    """Shortest ways to the sources; those that carry all three phases go before others.

    ``union``: spanning forest of all edges.
    """
    # RULE 5: on a closed ring the shorter way
    cost = graph.length_m + np.where(_carries_all(graph), 0.0, PART_PHASE_COST_M) if union.cyclic else graph.length_m
    parent_edge, order = supply_tree(union, graph.first, graph.edges, (graph.a, graph.b), cost=cost, head=graph.root)
    return Upstream(union.root == graph.root, parent_edge, order)


def _carries_all(graph: Graph) -> Bools:
    """Edges that are no cable, or carry three phases alone or together with those between the same two nodes."""
    full = graph.mask == THREE_PHASE
    full[graph.n_pieces :] = True
    part = np.flatnonzero(~full)
    if len(part):
        low, high = np.minimum(graph.a[part], graph.b[part]), np.maximum(graph.a[part], graph.b[part])
        order = np.lexsort((high, low))
        new = heads(low[order], high[order])
        together = np.bitwise_or.reduceat(graph.mask[part][order], np.flatnonzero(new))
        full[part[order]] = together[np.cumsum(new) - 1] == THREE_PHASE
    return full


def noted_above(network: Network, noted: Bools, *, node: Ints) -> tuple[Ints, Ints]:
    """Noted edges between nodes and the switching point above each, nearest first.

    ``noted``: edges to look for, shape (n_edges,). ``node``: nodes, -1 for none, shape (n,). Returns pairs of position
    in ``node`` and edge, sorted by position.
    """
    graph, up = network.graph, network.upstream
    first = _first_noted(up.order, up.parent_edge, graph.a, graph.b, network.sections.stopping_edges(), noted)
    following = np.append(first[np.where(up.lower_node(len(graph.b)) == graph.b, graph.a, graph.b)], -1)
    edge = np.where((node >= 0) & up.fed[np.maximum(node, 0)], first[np.maximum(node, 0)], -1)
    owners, edges = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    owner = np.flatnonzero(edge >= 0)
    edge = edge[owner]
    while len(owner):
        owners.append(owner)
        edges.append(edge)
        edge = following[edge]
        owner, edge = owner[edge >= 0], edge[edge >= 0]
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(owners)[order], np.concatenate(edges)[order]


@njit(cache=True)
def _first_noted(  # noqa: PLR0917 - compiled: flat arrays only
    order: Ints, parent_edge: Ints, a: Ints, b: Ints, stops: Bools, noted: Bools
) -> Ints:
    """First noted edge above every node before one that stops a walk, -1 without one."""
    first = np.full(len(parent_edge), -1, np.int64)
    for v in order:
        e = parent_edge[v]
        if e >= 0 and not stops[e]:
            first[v] = e if noted[e] else first[a[e] if b[e] == v else b[e]]
    return first
