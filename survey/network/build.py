"""From clean tables to the network: reads like the list of rules."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.network.checks import report_supply
from survey.network.ends import find_bare
from survey.network.graph import build_graph
from survey.network.health import measure_health, report_idle
from survey.network.islands import controlled_sides, walk_in_islands
from survey.network.joints import join_ends
from survey.network.model import Network
from survey.network.orient import parent_pieces
from survey.network.overlaps import OVER_M, find_overlaps, report_overlaps
from survey.network.pickup import pick_up
from survey.network.pieces import Pieces, cut_pieces, find_cuts, walk_vertices
from survey.network.placement import Placement, place_devices, settle
from survey.network.repair import find_misses, report_misses
from survey.network.sections import Sections, find_sections, span_edges, span_phases
from survey.network.segments import make_grid
from survey.network.stepdown import Split, split_at_transformers
from survey.network.sweeps import Forest
from survey.network.tees import find_tees
from survey.network.twins import report_twins
from survey.network.walk import Walks, walk_to_sources, ways_up
from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.ends import BareEnds
    from survey.network.graph import Graph
    from survey.network.overlaps import Overlaps
    from survey.read.tables import NetworkTables
    from survey.settings import NetworkSettings

Ints = NDArray[np.int64]


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
    pieces = cut_pieces(tables, joints, cuts, walked_m=walked_m, findings=findings)
    split = split_at_transformers(
        tables,
        pieces,
        site_nodes=site_node,
        source_nodes=source_node,
        node_xy=node_xy,
        supplies=settings.stepdown_supplies,
        findings=findings,
    )
    source_nodes = np.unique(split.source_nodes[split.source_nodes >= 0])
    if settings.stepdown_supplies:
        source_nodes = np.unique(np.concatenate([source_nodes, split.secondary]))
    used = np.concatenate([nodes[nodes >= 0] for nodes in (site_node, switch_node, source_nodes)])
    twins, double = report_twins(tables, findings=findings)
    bare, misses, overlaps = _drawn(tables, split, used=used, double=double, settings=settings, findings=findings)
    placement, parent, was_upward = _place(
        tables,
        split.pieces,
        nodes=(site_node, switch_node, source_nodes),
        n_nodes=len(split.node_xy),
        findings=findings,
    )
    graph = build_graph(
        tables, split.pieces, placement=placement, source_nodes=source_nodes, n_nodes=len(split.node_xy)
    )
    union, sections, walks = _walk(
        tables, graph, placement=placement, parent=parent, was_upward=was_upward, site_node=site_node, findings=findings
    )
    network = Network(
        tables=tables,
        pieces=split.pieces,
        graph=graph,
        node_xy=split.node_xy,
        site_node=site_node,
        walks=walks,
        sections=sections,
        health={},
    )
    idle = report_idle(network, placement=placement, union=union, pickup_m=settings.pickup_m, findings=findings)
    report_supply(network, union=union, findings=findings)
    report_overlaps(network, overlaps, findings=findings)
    health = {
        **measure_health(network, union=union, bare=bare, idle=idle, findings=findings),
        **misses,
        "tees": cuts.tees,
        "drawn_twice": twins,
        "overlaps": len(overlaps.length_m),
    }
    return replace(network, sections=sections.without_forests(), health=health)


def _drawn(
    tables: NetworkTables,
    split: Split,
    *,
    used: Ints,
    double: NDArray[np.bool_],
    settings: NetworkSettings,
    findings: FindingList,
) -> tuple[BareEnds, dict[str, int], Overlaps]:
    """What the drawing almost says: bare ends, near misses by kind, and cables that lie on one another."""
    grid = make_grid(tables.lines.xy, tables.lines.start, keep=~double, reach_m=OVER_M)
    bare = find_bare(tables, split.pieces, node_xy=split.node_xy, used=used, pickup_m=settings.pickup_m)
    misses = find_misses(tables, split.pieces, bare, grid=grid, node_xy=split.node_xy, snap_m=settings.snap_m)
    counts = report_misses(tables, bare, misses, snap_m=settings.snap_m, findings=findings)
    return bare, counts, find_overlaps(tables, grid)


def _place(
    tables: NetworkTables,
    pieces: Pieces,
    *,
    nodes: tuple[Ints, Ints, Ints],
    n_nodes: int,
    findings: FindingList,
) -> tuple[Placement, Ints, NDArray[np.bool_]]:
    """Place the devices; also the direction of supply found on the way, and which devices needed it."""
    site_node, switch_node, source_nodes = nodes
    placement = place_devices(
        tables, pieces, node=switch_node, site_nodes=site_node, n_nodes=n_nodes, findings=findings
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
    was_upward: NDArray[np.bool_],
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
