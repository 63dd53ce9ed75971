"""Which way is up at every node, before the devices that need to know it are placed.

Closed devices do not matter here; open ones cut. From the sources the direction is the shortest way; in a part
without a source it is the shortest way from the devices whose controlled side is known, each towards that side only.
"""

import numpy as np

from survey.arrays import Bools, Ints
from survey.network.sweeps import adjacency, span, supply_tree, two_nearest
from survey.network.topology.pieces import Pieces
from survey.network.topology.placement import AT_SOURCE, Placement, by_id, first_piece, stood_single
from survey.read.tables import NetworkTables


def parent_pieces(
    tables: NetworkTables, pieces: Pieces, *, placement: Placement, is_open: Bools, source_nodes: Ints, n_nodes: int
) -> tuple[Ints, Bools]:
    """Piece each node is supplied through, -1 at sources and where nothing tells; and whether from a source.

    ``is_open``: devices that cut, shape (n_switches,). ``source_nodes``: distinct nodes that hold a source.
    ``n_nodes``: nodes before devices get theirs. Each has the shape (n_nodes,).
    """
    at_source = (placement.piece == AT_SOURCE) | (placement.upward & np.isin(placement.node, source_nodes))
    source_nodes = np.setdiff1d(source_nodes, placement.node[is_open & at_source])
    a, b, total = _cut_open(pieces, placement, is_open & ~at_source, n_nodes)
    head = total
    a = np.concatenate([a, np.full(len(source_nodes), head)])
    b = np.concatenate([b, source_nodes])
    cost = np.concatenate([pieces.length_m, np.zeros(len(source_nodes))])
    first, edges = adjacency(a, b, total + 1)
    forest = span(first, edges, (a, b), allowed=np.ones(len(a), bool), head=head)
    parent, _ = supply_tree(forest, first, edges, (a, b), cost=cost, head=head)
    unsupplied = forest.root != head
    parent = np.where(unsupplied | (parent >= len(pieces.u)), -1, parent)
    known = _known_sides(tables, placement, ~is_open, unsupplied)
    seeds = np.where(placement.end[known] == 0, b[placement.piece[known]], a[placement.piece[known]])
    known, seeds = known[unsupplied[seeds]], seeds[unsupplied[seeds]]  # an open device beside one may cut its cable off
    if len(known):
        piece = placement.piece[known]
        nothing = np.zeros(len(a), bool)
        reach = two_nearest(
            (a, b),
            part=unsupplied,
            cost=cost,
            shielded=nothing,
            noted=nothing,
            seeds=seeds,
            seed_cost=pieces.length_m[piece],
            own_edge=piece,
        )
        parent = np.where(unsupplied, reach.via_edge[reach.at, 0], parent)
    return parent[:n_nodes], ~unsupplied[:n_nodes]


def needs_direction(tables: NetworkTables, placement: Placement) -> bool:
    """Whether some device stands where the direction of supply says, by itself or beside another kind."""
    if placement.upward.any() or (placement.dead_end & placement.with_site).any():
        return True
    placed = np.flatnonzero(placement.piece >= 0)
    kind = tables.switches["single_pole"].to_numpy(bool)[placed] + 2 * tables.switches["open"].to_numpy(bool)[placed]
    place = placement.piece[placed] * 2 + placement.end[placed]
    last = np.zeros(place.max(initial=0) + 1, np.int64)
    last[place] = kind
    return bool((last[place] != kind).any())


def _cut_open(pieces: Pieces, placement: Placement, is_open: Bools, n_nodes: int) -> tuple[Ints, Ints, int]:
    """End nodes of the pieces with a fresh node wherever an open device cuts one off its node."""
    between = is_open & placement.upward & ~placement.crowded
    piece = np.where(between, first_piece(placement, pieces), placement.piece)
    cut = np.flatnonzero(is_open & (piece >= 0))
    a, b = pieces.u.copy(), pieces.v.copy()
    at_end = np.where(between[cut], pieces.v[piece[cut]] == placement.node[cut], placement.end[cut] == 1)
    fresh = n_nodes + np.arange(len(cut))
    a[piece[cut][~at_end]] = fresh[~at_end]
    b[piece[cut][at_end]] = fresh[at_end]
    return a, b, n_nodes + len(cut)


def _known_sides(tables: NetworkTables, placement: Placement, closed: Bools, unsupplied: Bools) -> Ints:
    """Closed single-pole devices in parts without a source whose controlled side is known, by id."""
    closed = closed & stood_single(tables.switches)
    known = (placement.piece >= 0) & ~(placement.dead_end & placement.with_site)
    found = np.flatnonzero(closed & known & unsupplied[np.maximum(placement.node, 0)])
    return found[by_id(tables.switches, found)]
