"""Parts without a source: no sources layer, an island, or what an open device cuts off.

The supply direction is taken from the single-pole devices there: a device controls the side of its cable, and a site's
switching point is the nearest device, by walked length, on whose controlled side the site lies. Other devices at dead ends
are no supplies.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.network.sweeps import Forest, two_nearest

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.graph import Graph
    from survey.network.placement import Placement
    from survey.network.sections import Sections
    from survey.network.walk import Walks
    from survey.read.tables import NetworkTables

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def controlled_sides(
    graph: Graph,
    *,
    placement: Placement,
    parent_piece: Ints,
    device: Ints,
    was_upward: Bools,
    union: Forest,
    site_node: Ints,
    tables: NetworkTables,
    findings: FindingList,
) -> Ints:
    """Node on the controlled side of every device, for those that no source tells.

    1. A device that was placed by its cable controls that cable;
    2. one that was placed on the upstream side controls the rest of its node;
    3. one at a dead end with a site controls the site, when the supply comes from elsewhere;
    4. where nothing tells, the only side with sites, else the side with more shielded cable (finding ``side_unknown``).

    Parameters
    ----------
    device
        Rows of the devices.
    was_upward
        Per switch: placed by the direction of supply.
    parent_piece
        Piece each node is supplied through, as far as known.
    """
    node = placement.node[device]
    soft = placement.dead_end[device] & placement.with_site[device]
    toward_node = was_upward[device] | (soft & (parent_piece[node] == placement.piece[device]))
    down = np.where(toward_node, graph.near[device], graph.far[device])
    island = union.root[graph.near[device]] != graph.root
    unknown = np.flatnonzero(island & (placement.upward[device] | (soft & ~toward_node)))
    if len(unknown):
        down[unknown] = _likelier_sides(graph, union, device[unknown], site_node)
        findings.add(
            "warning",
            "side_unknown",
            layer="switches",
            ids=tables.switches["switch_id"].iloc[device[unknown]].to_numpy(),
            message="no source and no other device tells which side of this device is supplied; taken to control the side "
            "with sites, or with more shielded cable; add a source point or name the cable in guards",
        )
    return down


def _likelier_sides(graph: Graph, union: Forest, device: Ints, site_node: Ints) -> Ints:
    edge = graph.edge_of[device]
    child = np.where(union.parent_edge[graph.far[device]] == edge, graph.far[device], graph.near[device])
    other = np.where(child == graph.far[device], graph.near[device], graph.far[device])
    sites = site_node[site_node >= 0]
    cable = np.where(graph.shielded, graph.length_m, 0.0)
    below_sites, all_sites = _sums(union, child, union.place[sites], np.ones(len(sites)))
    below_cable, all_cable = _sums(union, child, union.place[graph.b], cable)
    only_below = (below_sites > 0) & (all_sites == below_sites)
    only_above = (below_sites == 0) & (all_sites > 0)
    more_below = below_cable >= all_cable - below_cable
    return np.where(only_below | (~only_above & more_below), child, other)


def _sums(union: Forest, child: Ints, place: Ints, value: Floats) -> tuple[Floats, Floats]:
    running = np.concatenate([[0.0], np.cumsum(np.bincount(place, weights=value, minlength=len(union.place)))])
    root = union.root[child]
    below = running[union.end[child]] - running[union.place[child]]
    return below, running[union.end[root]] - running[union.place[root]]


def walk_in_islands(walks: Walks, graph: Graph, *, sections: Sections, union: Forest, node: Ints, gang: Bools) -> Walks:
    """Complete the walks of sites that have no way to a source.

    Parameters
    ----------
    node
        Node of each site, -1 out of reach.
    gang
        Edges that are closed three-pole devices.
    """
    island = union.root != graph.root
    lost = np.flatnonzero((node >= 0) & island[np.maximum(node, 0)])
    device = np.flatnonzero(sections.exposes & island[sections.down])
    if not len(lost) or not len(device):
        return walks
    label, dist, via_edge, via_slot = two_nearest(
        graph.first,
        graph.edges,
        (graph.a, graph.b),
        cost=graph.length_m,
        allowed=island[graph.a],
        seeds=sections.down[device],
        seed_cost=np.zeros(len(device)),
        own_edge=graph.edge_of[sections.device[device]],
    )
    back = (via_edge, via_slot)
    found = lost[label[node[lost], 0] >= 0]
    paths = {int(i): _retrace(int(node[i]), 0, graph, back) for i in found}
    gangs = {i: next((int(graph.switch[e]) for e in path if gang[e]), -1) for i, path in paths.items()}
    section, length, supplied = walks.section.copy(), walks.length_m.copy(), walks.supplied.copy()
    cable, three_pole, upstream = walks.cable_m.copy(), walks.gang.copy(), walks.upstream.copy()
    section[found], length[found], supplied[found] = device[label[node[found], 0]], dist[node[found], 0], True
    cable[found] = [graph.length_m[p][graph.shielded[p]].sum() for p in paths.values()]
    three_pole[found] = list(gangs.values())
    upstream[device] = _above(graph, sections, device, label, via_edge)
    start, edges = _with_paths(walks, paths)
    return replace(
        walks,
        supplied=supplied,
        section=section,
        length_m=length,
        cable_m=cable,
        gang=three_pole,
        upstream=upstream,
        edge_start=start,
        edges=edges,
    )


def _retrace(v: int, slot: int, graph: Graph, back: tuple[Ints, Ints]) -> Ints:
    path = []
    while back[1][v, slot] >= 0:
        e, slot = int(back[0][v, slot]), int(back[1][v, slot])
        path.append(e)
        v = int(graph.a[e] if graph.b[e] == v else graph.b[e])
    return np.array(path, np.int64)


def _above(graph: Graph, sections: Sections, device: Ints, label: Ints, via_edge: Ints) -> Ints:
    """Section above each device: the nearest one that reaches its supply side without crossing it."""
    own = graph.edge_of[sections.device[device]]
    up = sections.up[device]
    above = np.full(len(device), -1, np.int64)
    for slot in (1, 0):
        good = (label[up, slot] >= 0) & (via_edge[up, slot] != own)
        above[good] = device[label[up[good], slot]]
    return above


def _with_paths(walks: Walks, paths: dict[int, Ints]) -> tuple[Ints, Ints]:
    count = np.diff(walks.edge_start)
    for i, path in paths.items():
        count[i] = len(path)
    start = np.concatenate([[0], np.cumsum(count)])
    edges = np.empty(start[-1], np.int64)
    kept = np.ones(len(count), bool)
    kept[list(paths)] = False
    target = np.repeat(kept, count)
    edges[target] = walks.edges
    for i, path in paths.items():
        edges[start[i] : start[i + 1]] = path
    return start, edges
