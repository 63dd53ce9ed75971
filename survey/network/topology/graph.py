"""The graph in its normal state, as arrays: cable pieces, closed devices, and one root that ties the sources together.

Every device gets a node of its own between its node and its cable; an open one gets no edge, one that is open on some
poles an edge for the others. Phases are bit masks.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Bools, Floats, Ints, heads
from survey.network.sweeps import Forest, adjacency
from survey.network.topology.pieces import Pieces, points_on, walk_vertices
from survey.network.topology.placement import AT_SOURCE, Placement, by_id, is_added
from survey.read.tables import THREE_PHASE, Lines, NetworkTables

FIRST_STEP_M = 1.0


@dataclass(frozen=True)
class Graph:
    """Edges ``a[e] - b[e]``: first the pieces, then the closed devices, then the links from the root to the sources.

    Parameters
    ----------
    n_nodes, n_pieces, root
        Number of nodes; of cable pieces, which are the first edges; and the node that ties the sources together.
    a, b, length_m, mask, shielded
        Per edge: end nodes, metres, phases carried (a device: those of its cable on which it is closed), shielded cable
        or not.
    switch
        Device of the edge (row of the switches), -1 for others.
    near, far
        Per switch: node on the node's side and on the cable's side, -1 when it is not placed.
    edge_of
        Per switch: its edge, -1 when open or not placed.
    spot
        Per switch: number of its place, the same for those of which nothing tells how they stand in a row.
    first, edges
        Adjacency.
    """

    n_nodes: int
    n_pieces: int
    root: int
    a: Ints
    b: Ints
    length_m: Floats
    mask: NDArray[np.uint8]
    shielded: Bools
    switch: Ints
    near: Ints
    far: Ints
    edge_of: Ints
    spot: Ints
    first: Ints
    edges: Ints

    def lower_node(self, forest: Forest, device: Ints) -> Ints:
        """Node below each of the devices in a spanning forest, shape (n_devices,); all have an edge."""
        below_far = forest.parent_edge[self.far[device]] == self.edge_of[device]
        return np.where(below_far, self.far[device], self.near[device])


def build_graph(
    tables: NetworkTables, pieces: Pieces, *, placement: Placement, by_cable: Bools, source_nodes: Ints, n_nodes: int
) -> Graph:
    """Assemble the graph of the normal state.

    ``by_cable``: devices that are supplied from the side of their cable, as far as known, shape (n_switches,).
    ``source_nodes``: distinct nodes that hold a source, shape (n,). ``n_nodes``: nodes before devices get theirs.
    """
    poles = _closed_poles(tables, pieces, placement)
    root = n_nodes
    order, spot = _chain_order(tables, pieces, placement, by_cable=by_cable)
    near, far = np.full(len(poles), -1, np.int64), np.full(len(poles), -1, np.int64)
    far[order] = n_nodes + 1 + np.arange(len(order))
    place = placement.piece[order] * 2 + placement.end[order]
    place = np.where(placement.piece[order] == AT_SOURCE, -2 - placement.node[order], place)
    first_here = heads(place)
    at_source = placement.piece[order] == AT_SOURCE
    start = np.where(at_source, root, placement.node[order])
    near[order] = np.where(first_here, start, np.append(-1, far[order][:-1])[: len(order)])
    last_here = np.append(np.diff(place) != 0, True)[: len(order)]
    u, v = pieces.u.copy(), pieces.v.copy()
    tail = order[last_here & ~at_source]
    for end, nodes in ((0, u), (1, v)):
        mine = tail[placement.end[tail] == end]
        nodes[placement.piece[mine]] = far[mine]
    # RULE 4: open poles cut
    closed = order[poles[order] != 0]
    link_from = np.full(len(source_nodes), root, np.int64)
    source_tail = order[last_here & at_source]
    slot = np.searchsorted(source_nodes, placement.node[source_tail])
    link_from[slot] = far[source_tail]
    return _assemble(
        tables,
        pieces,
        ends=(u, v),
        sides=(near, far, spot),
        closed=closed,
        poles=poles[closed],
        links=(link_from, source_nodes),
        root=root,
    )


def _closed_poles(tables: NetworkTables, pieces: Pieces, placement: Placement) -> NDArray[np.uint8]:
    """Mask of the poles of each device that carry: those of its cable, less the open ones. Shape (n_switches,)."""
    phases = tables.cables["phases"].to_numpy(np.uint8)[pieces.cable]
    # one place more than pieces, so that a device at a source (a negative piece) has all three
    carried = np.append(phases, np.uint8(THREE_PHASE))[np.maximum(placement.piece, -1)]
    return carried & ~tables.switches["open_phases"].to_numpy(np.uint8)


def _chain_order(tables: NetworkTables, pieces: Pieces, placement: Placement, *, by_cable: Bools) -> tuple[Ints, Ints]:
    """Placed devices, those on one cable end together, from the node towards the cable; number of each one's place.

    Those in one place stand so that none is hidden: from the supply on the open ones, then the closed three-pole ones,
    then the single-pole ones, which so meet no three-pole device below them; then by id.
    """
    placed = np.flatnonzero((placement.piece >= 0) | (placement.piece == AT_SOURCE))
    piece, at_end = placement.piece[placed], placement.end[placed] == 1
    key = np.where(piece == AT_SOURCE, -2 - placement.node[placed], piece * 2 + at_end)
    xy = tables.switches[["x", "y"]].to_numpy(np.float64)[placed]
    count = np.bincount(key - key.min()) if len(key) else key
    shared = count[key - key.min()] > 1 if len(key) else count > 1
    drawn = np.flatnonzero(shared & (piece >= 0) & (pieces.line[piece] >= 0) & np.isfinite(xy).all(axis=1))
    off = np.where(is_added(tables.switches)[placed], -np.inf, 0.0)
    drawn = drawn[np.isfinite(off[drawn])]
    off[drawn] = _into_cable(tables.lines, pieces, piece=piece[drawn], at_end=at_end[drawn], xy=xy[drawn])
    by_name = np.zeros(len(placed), np.int64)
    by_name[shared] = np.argsort(by_id(tables.switches, placed[shared]))
    single, is_open = (tables.switches[name].to_numpy(bool)[placed] for name in ("single_pole", "open"))
    rank = np.where(is_open, 0, 1 + single)
    off = np.round(off, 2)
    order = np.lexsort((by_name, np.where(by_cable[placed], -rank, rank), off, key))
    spot = np.full(len(placement.piece), -1, np.int64)
    new = heads(key[order])
    new[1:] |= off[order[1:]] != off[order[:-1]]
    spot[placed[order]] = np.cumsum(new)
    return placed[order], spot


def _into_cable(lines: Lines, pieces: Pieces, *, piece: Ints, at_end: Bools, xy: Floats) -> Floats:
    """How far each place lies from the end of its piece towards the piece, metres."""
    if not len(piece):
        return np.empty(0)
    walked = walk_vertices(lines)
    step = np.minimum(FIRST_STEP_M, (pieces.to_m - pieces.from_m)[piece])
    end_m = np.where(at_end, pieces.to_m[piece], pieces.from_m[piece])
    end = points_on(lines, pieces.line[piece], end_m, walked_m=walked)
    inner_m = end_m + np.where(at_end, -step, step)
    direction = points_on(lines, pieces.line[piece], inner_m, walked_m=walked) - end
    norm = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-9)
    return np.asarray(((xy - end) * direction).sum(axis=1) / norm)


def _assemble(
    tables: NetworkTables,
    pieces: Pieces,
    *,
    ends: tuple[Ints, Ints],
    sides: tuple[Ints, Ints, Ints],
    closed: Ints,
    poles: NDArray[np.uint8],
    links: tuple[Ints, Ints],
    root: int,
) -> Graph:
    near, far, spot = sides
    n_nodes = root + 1 + int((far >= 0).sum())
    n_pieces, n_extra = len(pieces.cable), len(closed) + len(links[0])
    a = np.concatenate([ends[0], near[closed], links[0]])
    b = np.concatenate([ends[1], far[closed], links[1]])
    phases = tables.cables["phases"].to_numpy(np.uint8)[pieces.cable]
    shielded = tables.cables["shielded"].to_numpy(bool)[pieces.cable]
    edge_of = np.full(len(near), -1, np.int64)
    edge_of[closed] = n_pieces + np.arange(len(closed))
    switch = np.full(len(a), -1, np.int64)
    switch[edge_of[closed]] = closed
    mask = np.concatenate([phases, poles, np.full(len(links[0]), THREE_PHASE, np.uint8)])
    first, edges = adjacency(a, b, n_nodes)
    return Graph(
        n_nodes=n_nodes,
        n_pieces=n_pieces,
        root=root,
        a=a,
        b=b,
        length_m=np.concatenate([pieces.length_m, np.zeros(n_extra)]),
        mask=mask,
        shielded=np.concatenate([shielded, np.zeros(n_extra, bool)]),
        switch=switch,
        near=near,
        far=far,
        edge_of=edge_of,
        spot=spot,
        first=first,
        edges=edges,
    )
