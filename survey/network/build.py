"""From clean tables to the network: reads like the list of rules."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from survey.arrays import Bools, Ints
from survey.network.drawing.bare_ends import find_bare
from survey.network.drawing.near_misses import find_misses, report_misses
from survey.network.drawing.overlaps import OVER_M, find_overlaps, report_overlaps
from survey.network.drawing.segments import make_grid
from survey.network.drawing.twins import report_twins
from survey.network.health import measure_health, report_idle
from survey.network.model import Network
from survey.network.supply import report_supply
from survey.network.sweeps import Forest
from survey.network.topology.direction import parent_pieces
from survey.network.topology.graph import build_graph
from survey.network.topology.joints import join_ends
from survey.network.topology.pickup import pick_up
from survey.network.topology.pieces import cut_pieces, find_cuts, walk_vertices
from survey.network.topology.placement import Placement, place_devices, settle
from survey.network.topology.stepdowns import Split, split_at_transformers
from survey.network.topology.tees import find_tees
from survey.network.walk.islands import controlled_sides, walk_in_islands
from survey.network.walk.sections import Sections, find_sections, span_edges, span_phases
from survey.network.walk.walks import Walks, walk_to_sources, ways_up
from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.drawing.bare_ends import BareEnds
    from survey.network.drawing.overlaps import Overlaps
    from survey.network.topology.graph import Graph
    from survey.read.tables import NetworkTables
    from survey.settings import NetworkSettings


def build_network(tables: NetworkTables, *, settings: NetworkSettings, findings: FindingList) -> Network:
    """Join, cut, place devices, and walk.

    Parameters
    ----------
    tables
        Clean tables.
    settings
        Tolerances, metres.
    findings
        Gets everything that is odd about the network.
    """
    cut = _cut(tables, settings=settings, findings=findings)
    split, site_node, source_nodes = cut.split, cut.site_node, cut.source_nodes
    twins, double = report_twins(tables, findings=findings)
    bare, misses, overlaps = _drawn(tables, cut, double=double, settings=settings, findings=findings)
    placement, parent, was_upward = _place(tables, cut, findings=findings)
    graph = build_graph(
        tables, split.pieces, placement=placement, source_nodes=source_nodes, n_nodes=len(split.node_xy)
    )
    union, sections, walks = _walk(
        tables, graph, placement=placement, parent=parent, was_upward=was_upward, site_node=site_node, findings=findings
    )
    network = Network(tables, split.pieces, graph, split.node_xy, site_node, walks, sections, health={})
    idle = report_idle(network, placement=placement, union=union, pickup_m=settings.pickup_m, findings=findings)
    report_supply(network, union=union, findings=findings)
    report_overlaps(network, overlaps, findings=findings)
    health = {
        **measure_health(network, union=union, bare=bare, idle=idle, findings=findings),
        **misses,
        "tees": cut.tees,
        "drawn_twice": twins,
        "overlaps": len(overlaps.length_m),
    }
    return replace(network, sections=sections.without_forests(), health=health)


class _Cut(NamedTuple):
    """Cables cut into pieces; node of every site and switch, nodes that supply, rising, and the number of tees."""

    split: Split
    site_node: Ints
    switch_node: Ints
    source_nodes: Ints
    tees: int

    @property
    def used(self) -> Ints:
        """Nodes at which something stands."""
        return np.concatenate([nodes[nodes >= 0] for nodes in (self.site_node, self.switch_node, self.source_nodes)])


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
    cuts, (site_node, switch_node, source_node), node_xy = find_cuts(
        tables, joints, picked, tees=tees, walked_m=walked_m, snap_m=settings.snap_m
    )
    split = split_at_transformers(
        tables,
        cut_pieces(tables, joints, cuts, walked_m=walked_m, findings=findings),
        site_nodes=site_node,
        source_nodes=source_node,
        node_xy=node_xy,
        supplies=settings.stepdown_supplies,
        findings=findings,
    )
    supplying = [
        split.source_nodes[split.source_nodes >= 0],
        *([split.secondary] if settings.stepdown_supplies else []),
    ]
    return _Cut(split, site_node, switch_node, np.unique(np.concatenate(supplying)), cuts.tees)


def _drawn(
    tables: NetworkTables,
    cut: _Cut,
    *,
    double: Bools,
    settings: NetworkSettings,
    findings: FindingList,
) -> tuple[BareEnds, dict[str, int], Overlaps]:
    """What the drawing almost says: bare ends, near misses by kind, and cables that lie on one another."""
    grid = make_grid(tables.lines.xy, tables.lines.start, keep=~double, reach_m=OVER_M)
    split = cut.split
    bare = find_bare(tables, split.pieces, node_xy=split.node_xy, used=cut.used, pickup_m=settings.pickup_m)
    misses = find_misses(tables, split.pieces, bare, grid=grid, node_xy=split.node_xy, snap_m=settings.snap_m)
    counts = report_misses(tables, bare, misses, snap_m=settings.snap_m, findings=findings)
    return bare, counts, find_overlaps(tables, grid)


def _place(tables: NetworkTables, cut: _Cut, *, findings: FindingList) -> tuple[Placement, Ints, Bools]:
    """Place the devices; also the direction of supply found on the way, and which devices needed it."""
    pieces, source_nodes, n_nodes = cut.split.pieces, cut.source_nodes, len(cut.split.node_xy)
    placement = place_devices(
        tables, pieces, node=cut.switch_node, site_nodes=cut.site_node, n_nodes=n_nodes, findings=findings
    )
    parent = np.full(n_nodes, -1, np.int64)
    if placement.upward.any() or (placement.dead_end & placement.with_site).any():
        parent = parent_pieces(tables, pieces, placement=placement, source_nodes=source_nodes, n_nodes=n_nodes)
    settled = settle(
        placement, pieces, parent_piece=parent, source_nodes=source_nodes, tables=tables, findings=findings
    )
    return settled, parent, placement.upward & ~settled.upward


def _walk(
    tables: NetworkTables,
    graph: Graph,
    *,
    placement: Placement,
    parent: Ints,
    was_upward: Bools,
    site_node: Ints,
    findings: FindingList,
) -> tuple[Forest, Sections, Walks]:
    single = tables.switches["single_pole"].to_numpy(bool)
    device = np.flatnonzero(single & (graph.edge_of >= 0))
    forests = span_phases(graph)
    union = forests[THREE_PHASE] if THREE_PHASE in forests else span_edges(graph, np.ones(len(graph.a), bool))
    down = controlled_sides(
        graph,
        placement=placement,
        directed=(parent, was_upward),
        device=device,
        union=union,
        site_node=site_node,
        tables=tables,
        findings=findings,
    )
    fed = union.root == graph.root
    sections = find_sections(graph, device=device, down=down, forests=forests, fed=fed)
    gang = np.zeros(len(graph.a), bool)
    gang[graph.edge_of[~single & (graph.edge_of >= 0)]] = True
    ways = ways_up(graph, sections, union=union, gang=gang)
    walks = walk_to_sources(graph, sections, ways=ways, node=site_node, fed=fed)
    walks = walk_in_islands(walks, graph, sections=sections, union=union, node=site_node, gang=gang)
    return union, sections, walks
