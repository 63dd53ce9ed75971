"""From clean tables to the network: reads like the list of rules."""

from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.findings import FindingList
from survey.memory import give_back
from survey.network.drawing.near_misses import BareEnds, find_bare, find_misses, report_misses
from survey.network.drawing.overlaps import OVER_M, Overlaps, find_overlaps, report_overlaps, report_twins
from survey.network.drawing.segments import make_grid
from survey.network.health import measure_health, report_idle
from survey.network.model import Network
from survey.network.supply import report_supply
from survey.network.sweeps import Forest, Passed
from survey.network.ties.loops import find_loops
from survey.network.topology.direction import needs_direction, parent_pieces
from survey.network.topology.graph import Graph, build_graph
from survey.network.topology.joints import Joints, join_ends
from survey.network.topology.one_phase import place_units
from survey.network.topology.pickup import pick_up
from survey.network.topology.pieces import cut_pieces, find_cuts, walk_vertices
from survey.network.topology.placement import Placement, place_devices, settle, stood_open
from survey.network.topology.stepdowns import Points, Split, split_at_transformers
from survey.network.topology.tees import find_tees
from survey.network.walk.islands import controlled_sides, walk_in_islands
from survey.network.walk.rings import looped_sites
from survey.network.walk.sections import Sections, find_sections, span_phases
from survey.network.walk.upstream import Upstream, find_upstream
from survey.network.walk.walks import Walks, passed_on_way, three_pole_edges, walk_to_sources
from survey.read.tables import NetworkTables
from survey.settings import NetworkSettings


def build_network(tables: NetworkTables, *, settings: NetworkSettings, findings: FindingList) -> Network:
    """Join, cut, place devices, and walk.

    ``tables``: clean tables. ``settings``: tolerances, metres. ``findings``: gets everything that is odd about the
    network.
    """
    cut = _cut(tables, settings=settings, findings=findings)
    give_back()
    split, site_node, source_nodes = cut.split, cut.split.points.sites, cut.source_nodes
    bare, drawn, overlaps = _drawn(tables, cut, settings=settings, findings=findings)
    give_back()
    stood = _place(tables, cut, findings=findings)
    give_back()
    graph = build_graph(
        tables,
        split.pieces,
        placement=stood.placement,
        by_cable=stood.by_cable,
        source_nodes=source_nodes,
        n_nodes=len(split.node_xy),
    )
    unit_node = place_units(tables, cut.joints, pieces=split.pieces, graph=graph, pickup_m=settings.pickup_m)
    supply_names = cut.supply_names
    del cut
    give_back()
    union, upstream, sections, passed, walks = _walk(tables, graph, stood=stood, site_node=site_node, findings=findings)
    network = Network(
        tables,
        split.pieces,
        graph,
        split.node_xy,
        site_node,
        supply_names,
        upstream,
        unit_node,
        walks,
        sections,
        health={},
    )
    idle = report_idle(network, placement=stood.placement, union=union, pickup_m=settings.pickup_m, findings=findings)
    report_supply(network, union=union, findings=findings)
    report_overlaps(network, overlaps, findings=findings)
    health = measure_health(network, union=union, bare=bare, idle=idle, findings=findings) | drawn
    network = _with_loops(network, stood.placement, union=union, passed=passed, settings=settings, findings=findings)
    return replace(network, sections=sections.without_forests(), health=health)


class _Cut(NamedTuple):
    """Cables cut into pieces and where points stand; asset by node that supplies; the number of tees.

    ``walked_m``: as of :func:`walk_vertices`.
    """

    split: Split
    joints: Joints
    supply_names: dict[int, str]
    tees: int
    walked_m: Floats

    @property
    def source_nodes(self) -> Ints:
        """Nodes that supply, rising."""
        return np.array(sorted(self.supply_names), np.int64)

    @property
    def used(self) -> Ints:
        """Nodes at which something stands."""
        points = self.split.points
        return np.concatenate([nodes[nodes >= 0] for nodes in (points.sites, points.switches, self.source_nodes)])


def _cut(tables: NetworkTables, *, settings: NetworkSettings, findings: FindingList) -> _Cut:
    """Join ends, find where points stand, cut the cables there, and split nodes at step-down transformers."""
    joints = join_ends(tables, snap_m=settings.snap_m, pickup_m=settings.pickup_m, findings=findings)
    joints, tees = find_tees(tables, joints, snap_m=settings.snap_m, findings=findings)
    points = {"transformers": tables.transformers, "switches": tables.switches, "sources": tables.sources}
    picked = [
        pick_up(df, layer=layer, tables=tables, joints=joints, pickup_m=settings.pickup_m, findings=findings)
        for layer, df in points.items()
    ]
    walked_m = walk_vertices(tables.lines)
    cuts, nodes, node_xy = find_cuts(tables, joints, picked, tees=tees, walked_m=walked_m, snap_m=settings.snap_m)
    split = split_at_transformers(
        tables,
        cut_pieces(tables, joints, cuts, walked_m=walked_m, findings=findings),
        points=Points(*nodes),
        node_xy=node_xy,
        supplies=settings.stepdown_supplies,
        findings=findings,
    )
    names = _supply_names(tables, split, stepdowns=settings.stepdown_supplies)
    return _Cut(split, joints, names, cuts.tees, walked_m)


def _supply_names(tables: NetworkTables, split: Split, *, stepdowns: bool) -> dict[int, str]:
    """Id of the source (or of the site whose secondary it is) by node that supplies; of several the first."""
    names: dict[int, str] = {}
    if stepdowns:
        secondary = dict(zip(split.primary.tolist(), split.secondary.tolist(), strict=True))
        at = np.flatnonzero(np.isin(split.points.sites, split.primary))[::-1]
        ids = map(str, tables.transformers["site_id"].iloc[at])
        names |= {secondary[node]: name for node, name in zip(split.points.sites[at].tolist(), ids, strict=True)}
    sources = split.points.sources
    reached = np.flatnonzero(sources >= 0)[::-1]
    ids = map(str, tables.sources["source_id"].iloc[reached])
    return names | dict(zip(sources[reached].tolist(), ids, strict=True))


def _drawn(
    tables: NetworkTables, cut: _Cut, *, settings: NetworkSettings, findings: FindingList
) -> tuple[BareEnds, dict[str, int], Overlaps]:
    """What the drawing almost says: bare ends, counts by kind, and cables that lie on one another."""
    twins, double = report_twins(tables, findings=findings)
    grid = make_grid(tables.lines.xy, tables.lines.start, keep=~double, reach_m=OVER_M)
    split = cut.split
    bare = find_bare(tables, split.pieces, node_xy=split.node_xy, used=cut.used, pickup_m=settings.pickup_m)
    misses = find_misses(tables, split.pieces, bare, grid=grid, node_xy=split.node_xy, snap_m=settings.snap_m)
    counts = report_misses(tables, bare, misses, snap_m=settings.snap_m, findings=findings)
    overlaps = find_overlaps(tables, grid, walked_m=cut.walked_m)
    counts |= {"tees": cut.tees, "drawn_twice": twins, "overlaps": len(overlaps.length_m)}
    return bare, counts, overlaps


class _Stood(NamedTuple):
    """Where devices stand; piece each node is supplied through; devices placed by that, and supplied by their cable."""

    placement: Placement
    parent: Ints
    was_upward: Bools
    by_cable: Bools


def _place(tables: NetworkTables, cut: _Cut, *, findings: FindingList) -> _Stood:
    """Place the devices, and find the direction of supply where that is needed."""
    pieces, source_nodes, n_nodes = cut.split.pieces, cut.source_nodes, len(cut.split.node_xy)
    placement = place_devices(
        tables,
        pieces,
        node=cut.split.points.switches,
        site_nodes=cut.split.points.sites,
        n_nodes=n_nodes,
        findings=findings,
    )
    parent, supplied = np.full(n_nodes, -1, np.int64), np.zeros(n_nodes, bool)
    find_parents = partial(parent_pieces, tables, pieces, source_nodes=source_nodes, n_nodes=n_nodes)
    recorded, is_open = stood_open(tables.switches), tables.switches["open"].to_numpy(bool)
    needed = needs_direction(tables, placement)
    if needed:
        parent, supplied = find_parents(placement=placement, is_open=recorded)
    settled = settle(
        placement, pieces, parent_piece=parent, source_nodes=source_nodes, tables=tables, findings=findings
    )
    was_upward = placement.upward & ~settled.upward
    at, now = np.maximum(settled.node, 0), parent
    if needed and (recorded != is_open).any():
        now, supplied = find_parents(placement=settled, is_open=is_open)
    # RULE 3: a device that is operated does not move; the order of those in one place follows the supply of the state
    by_cable = (settled.piece >= 0) & (np.append(now, -1)[at] == settled.piece)
    known = np.append(supplied, False)[at] | was_upward | (settled.dead_end & settled.with_site)
    return _Stood(settled, parent, was_upward, by_cable & known)


def _walk(
    tables: NetworkTables, graph: Graph, *, stood: _Stood, site_node: Ints, findings: FindingList
) -> tuple[Forest, Upstream, Sections, Passed, Walks]:
    single = tables.switches["single_pole"].to_numpy(bool)
    device = np.flatnonzero(single & (graph.edge_of >= 0))
    forests, union = span_phases(graph)
    down = controlled_sides(
        graph,
        placement=stood.placement,
        directed=(stood.parent, stood.was_upward),
        device=device,
        union=union,
        site_node=site_node,
        tables=tables,
        findings=findings,
    )
    upstream = find_upstream(graph, union=union)
    sections = find_sections(graph, device=device, down=down, forests=forests, fed=upstream.fed)
    gang = three_pole_edges(tables, graph)
    passed = passed_on_way(graph, sections, upstream=upstream, gang=gang)
    walks = walk_to_sources(graph, sections, upstream=upstream, node=site_node, passed=passed)
    walks = replace(walks, looped=looped_sites(graph, walks, union=union, single=single))
    walks = walk_in_islands(
        walks, graph, tables=tables, sections=sections, upstream=upstream, node=site_node, gang=gang
    )
    return union, upstream, sections, passed, walks


def _with_loops(
    network: Network,
    placement: Placement,
    *,
    union: Forest,
    passed: Passed,
    settings: NetworkSettings,
    findings: FindingList,
) -> Network:
    """The network with the states of its loops, where they are asked for."""
    if not settings.either_end:
        return network
    loops, revived = find_loops(
        network,
        placement=placement,
        union=union,
        passed=passed,
        most_states=settings.most_states,
        findings=findings,
    )
    return replace(network, loops=loops, revived=revived)
