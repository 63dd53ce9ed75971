"""The walk: from every site upstream to the first single-pole device that takes something off supply."""

from dataclasses import dataclass, field

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.loops import njit
from survey.network.sweeps import Passed, descend
from survey.network.topology.graph import Graph
from survey.network.walk.sections import Sections
from survey.network.walk.upstream import Upstream
from survey.read.tables import NetworkTables

MOST_PATH_EDGES = 10_000_000


@dataclass(frozen=True)
class Walks:
    """One walk per site; all shape (n_sites,).

    Parameters
    ----------
    supplied
        A source, or in a part without one a switching point, was reached.
    sourced
        A source was reached; where not, a site that is supplied was walked to the nearest switching point, either way.
    section
        Position of the switching point in ``Sections.device``, -1 without one.
    length_m, cable_m
        Walked length and that of shielded cable, metres; NaN when not supplied.
    gang
        Row of the first three-pole device met before the switching point, -1 without one.
    full
        All three phases come from a source.
    edge_start, edges
        Graph edges walked from each site, upstream: ``edges[edge_start[i]:edge_start[i + 1]]``.
    from_b
        Whether each of them is walked from its ``b``.
    paths_left_out
        Number of sites whose edges are not kept, the longest walks, because all would be more than ``MOST_PATH_EDGES``;
        their other columns are complete.
    looped
        No switching point alone takes the site off supply, but a single-pole device lies on a simple way to it.
    upstream
        Per section: the section above it, -1 at the top. Shape (n_devices,).
    gang_above
        Per section: a three-pole device stands between it and the one above. Shape (n_devices,).
    ring_piece
        A ring edge passed on the way, -1 without one.
    """

    supplied: Bools
    sourced: Bools
    section: Ints
    length_m: Floats
    cable_m: Floats
    gang: Ints
    full: Bools
    edge_start: Ints
    edges: Ints
    from_b: Bools
    upstream: Ints
    gang_above: Bools
    ring_piece: Ints
    paths_left_out: int
    looped: Bools = field(default_factory=lambda: np.empty(0, bool))


def passed_on_way(graph: Graph, sections: Sections, *, upstream: Upstream, gang: Bools) -> Passed:
    """What the walk up from every node passes until something stops it.

    ``upstream``: the way up from every node. ``gang``: edges that are closed three-pole devices.
    """
    return Passed(
        *descend(
            upstream.order,
            upstream.parent_edge,
            graph.a,
            graph.b,
            graph.length_m,
            graph.shielded,
            sections.stopping_edges(),
            gang,
            ring_edges(graph, sections),
        )
    )


def three_pole_edges(tables: NetworkTables, graph: Graph) -> Bools:
    """Edges that are closed three-pole devices, shape (n_edges,)."""
    gang = np.zeros(len(graph.a), bool)
    gang[graph.edge_of[~tables.switches["single_pole"].to_numpy(bool) & (graph.edge_of >= 0)]] = True
    return gang


def ring_edges(graph: Graph, sections: Sections) -> Bools:
    """Cable pieces that are part of a closed ring on some phase."""
    ring = np.zeros(len(graph.a), bool)
    for view in sections.views:
        ring |= ((graph.mask & view.bits) != 0) & ~view.forest.bridge
    ring &= graph.a != graph.b
    ring[graph.n_pieces :] = False
    return ring


def walk_to_sources(graph: Graph, sections: Sections, *, upstream: Upstream, node: Ints, passed: Passed) -> Walks:
    """Walks of the sites that have a way to a source; the others are left unsupplied.

    ``node``: node of each site, -1 out of reach. ``passed``: what the way up from every node passes.
    """
    # RULE 5: up to the first device that takes something off; three-pole ones on the way are noted
    at, fed = np.maximum(node, 0), upstream.fed
    supplied = (node >= 0) & fed[at]
    # one place more than edges, so that "no edge" (-1) finds -1
    number = np.full(len(graph.a) + 1, -1, np.int64)
    number[graph.edge_of[sections.device]] = np.arange(len(sections.device))
    section = number[np.where(supplied, passed.stop[at], -1)]
    count, left_out = kept_paths(np.where(supplied, passed.steps[at], 0), room=MOST_PATH_EDGES)
    edges, from_b = climb(node, count, upstream.parent_edge, graph.a, graph.b)
    return Walks(
        supplied=supplied,
        sourced=supplied,
        section=section,
        length_m=np.where(supplied, passed.walked[at], np.nan),
        cable_m=np.where(supplied, passed.cable[at], np.nan),
        gang=np.append(graph.switch, -1)[np.where(supplied, passed.three_pole[at], -1)],
        full=~supplied | np.logical_and.reduce([v.forest.root[at] == graph.root for v in sections.views]),
        edge_start=np.concatenate([[0], np.cumsum(count)]),
        edges=edges,
        from_b=from_b,
        upstream=number[np.where(fed[sections.up], passed.stop[sections.up], -1)],
        gang_above=fed[sections.up] & (passed.three_pole[sections.up] >= 0),
        ring_piece=np.where(supplied, passed.ring[at], -1),
        paths_left_out=left_out,
    )


def kept_paths(count: Ints, *, room: int) -> tuple[Ints, int]:
    """Edges to keep per site: all, or none of the longest walks where all would be more than ``room``; and how many."""
    if count.sum() <= room:
        return count, 0
    order = np.argsort(count, kind="stable")
    over = order[np.cumsum(count[order]) > room]
    count = count.copy()
    count[over] = 0
    return count, len(over)


@njit(cache=True)
def climb(node: Ints, count: Ints, parent_edge: Ints, a: Ints, b: Ints) -> tuple[Ints, Bools]:
    """Edges from each node upwards, ``count`` of each, walk by walk; and whether walked from their ``b``."""
    edges = np.empty(count.sum(), np.int64)
    from_b = np.empty(len(edges), np.bool_)
    n = 0
    for i in range(len(node)):
        v = node[i]
        for _ in range(count[i]):
            e = parent_edge[v]
            edges[n] = e
            from_b[n] = b[e] == v
            n += 1
            v = a[e] if b[e] == v else b[e]
    return edges, from_b
