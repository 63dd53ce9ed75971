"""Parts without a source: no sources layer, an island, or what an open device cuts off.

Which way is up is taken from the single-pole devices there.
"""

from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.findings import FindingList
from survey.network.sweeps import Forest, Reach, retrace, two_nearest
from survey.network.topology.graph import Graph
from survey.network.topology.placement import Placement, by_id
from survey.network.walk.sections import Sections
from survey.network.walk.upstream import Upstream
from survey.network.walk.walks import MOST_PATH_EDGES, Walks, kept_paths
from survey.read.tables import NetworkTables

Column = TypeVar("Column", Bools, Floats, Ints)


def controlled_sides(
    graph: Graph,
    *,
    placement: Placement,
    directed: tuple[Ints, Bools],
    device: Ints,
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
    directed
        Piece each node is supplied through, as far as known; and per switch: placed by that direction.
    """
    parent_piece, was_upward = directed
    node = placement.node[device]
    soft = placement.dead_end[device] & placement.with_site[device]
    toward_node = was_upward[device] | (soft & (parent_piece[node] == placement.piece[device]))
    down = np.where(toward_node, graph.near[device], graph.far[device])
    island = union.root[graph.near[device]] != graph.root
    unknown = np.flatnonzero(island & (placement.upward[device] | (soft & ~toward_node)))
    if len(unknown):
        down[unknown] = _likelier_sides(graph, union, device[unknown], site_node)
        findings.report("side_unknown", ids=tables.switches["switch_id"].iloc[device[unknown]])
    return down


def _likelier_sides(graph: Graph, union: Forest, device: Ints, site_node: Ints) -> Ints:
    child = graph.lower_node(union, device)
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


def reach_in_islands(
    graph: Graph, sections: Sections, *, tables: NetworkTables, fed: Bools, gang: Bools
) -> tuple[Ints, Reach]:
    """Positions in ``sections`` of the switching points of all islands, and what each reaches on its controlled side.

    Of two equally near, as round a ring that closes at a site, the first by id.

    ``fed``: nodes with a way to a source. ``gang``: edges that are closed three-pole devices; noted on the way.
    """
    device = np.flatnonzero(sections.exposes & ~fed[sections.down])
    device = device[by_id(tables.switches, sections.device[device])]
    # RULE 5: the nearest one on whose controlled side the site lies; other dead ends are no supplies
    reach = two_nearest(
        (graph.a, graph.b),
        part=~fed,
        cost=graph.length_m,
        shielded=graph.shielded,
        noted=gang,
        seeds=sections.down[device],
        seed_cost=np.zeros(len(device)),
        own_edge=graph.edge_of[sections.device[device]],
    )
    return device, reach


def walk_in_islands(
    walks: Walks,
    graph: Graph,
    *,
    tables: NetworkTables,
    sections: Sections,
    upstream: Upstream,
    node: Ints,
    gang: Bools,
) -> Walks:
    """Complete the walks of sites that have no way to a source.

    ``node``: node of each site, -1 out of reach. ``gang``: edges that are closed three-pole devices.
    """
    lost = np.flatnonzero((node >= 0) & ~upstream.fed[np.maximum(node, 0)])
    if not len(lost) or upstream.fed[sections.down[sections.exposes]].all():
        return walks
    device, reach = reach_in_islands(graph, sections, tables=tables, fed=upstream.fed, gang=gang)
    at = reach.at[node[lost]]
    found, at = lost[reach.label[at, 0] >= 0], at[reach.label[at, 0] >= 0]
    count = np.zeros(len(node), np.int64)
    count[found] = reach.steps[at, 0]
    count, left_out = kept_paths(count, room=MOST_PATH_EDGES - len(walks.edges))
    above, gang_between = _above(graph, sections, device, reach)
    return replace(
        walks,
        supplied=_with(walks.supplied, found, np.ones(len(found), bool)),
        section=_with(walks.section, found, device[reach.label[at, 0]]),
        length_m=_with(walks.length_m, found, reach.dist[at, 0]),
        cable_m=_with(walks.cable_m, found, reach.cable[at, 0]),
        gang=_with(walks.gang, found, np.append(graph.switch, -1)[reach.note[at, 0]]),
        upstream=_with(walks.upstream, device, above),
        gang_above=_with(walks.gang_above, device, gang_between),
        paths_left_out=walks.paths_left_out + left_out,
        **_paths(walks, count, retrace(node, count, reach, graph.a, graph.b)),
    )


def _with(column: Column, rows: Ints, values: Column) -> Column:
    """A copy of a column with other values in some rows."""
    out = column.copy()
    out[rows] = values
    return out


def _above(graph: Graph, sections: Sections, device: Ints, reach: Reach) -> tuple[Ints, Bools]:
    """Section above each device, the nearest that reaches its supply side; whether an edge was noted between."""
    own = graph.edge_of[sections.device[device]]
    up = reach.at[sections.up[device]]
    above, between = np.full(len(device), -1, np.int64), np.zeros(len(device), bool)
    for slot in (1, 0):
        good = (reach.label[up, slot] >= 0) & (reach.via_edge[up, slot] != own)
        above[good] = device[reach.label[up[good], slot]]
        between[good] = reach.note[up[good], slot] >= 0
    return above, between


def _paths(walks: Walks, count: Ints, found: tuple[Ints, Bools]) -> dict[str, Any]:
    """The walks' edges with those found added; ``count`` edges per site, for sites that had none."""
    here = np.diff(walks.edge_start)
    added = np.repeat(count > 0, here + count)
    edges, from_b = np.empty(len(added), np.int64), np.empty(len(added), bool)
    edges[~added], edges[added] = walks.edges, found[0]
    from_b[~added], from_b[added] = walks.from_b, found[1]
    return {"edge_start": np.concatenate([[0], np.cumsum(here + count)]), "edges": edges, "from_b": from_b}
