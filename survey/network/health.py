"""How the network is doing: its parts, dead ends, sites without a supply, devices that control nothing."""

import numpy as np

from survey.findings import FindingList
from survey.network.drawing.near_misses import BareEnds, near_units
from survey.network.model import Network
from survey.network.sweeps import Forest
from survey.network.topology.placement import Placement
from survey.read.tables import THREE_PHASE


def measure_health(
    network: Network, *, union: Forest, bare: BareEnds, idle: int, findings: FindingList
) -> dict[str, int]:
    """Counts of the network's condition, for ``run.json`` and the terminal.

    ``union``: spanning forest of all edges of the normal state. ``bare``: ends with nothing at them. ``idle``: devices
    that control nothing. ``findings``: gets ``dead_end`` for those of three-phase shielded cable.
    """
    graph = network.graph
    degree = np.diff(graph.first)
    node = np.arange(graph.n_nodes)
    above = union.parent_edge[union.parent_edge >= 0]
    under_root = (graph.a[above] == graph.root) | (graph.b[above] == graph.root)
    placed = int((graph.far >= 0).sum())
    metres = graph.length_m[: graph.n_pieces]
    dead = union.root[graph.b[: graph.n_pieces]] != graph.root
    _report_dead_ends(network, bare, findings)
    return {
        "nodes": graph.n_nodes - 1,
        "pieces": graph.n_pieces,
        "parts_with_source": int(under_root.sum()),
        "parts_without_source": int(((union.root == node) & (degree > 0) & (node != graph.root)).sum()),
        "metres": round(metres.sum()),
        "metres_without_source": round(metres[dead].sum()),
        "dead_ends": int((degree == 1).sum()),
        "dead_ends_with_nothing": len(bare.node),
        "sites_without_supply": int((~network.walks.supplied).sum()),
        "devices_placed": placed,
        "devices_not_placed": len(network.tables.switches) - placed,
        "devices_that_control_nothing": idle,
        "paths_left_out": network.walks.paths_left_out,
    }


def _report_dead_ends(network: Network, bare: BareEnds, findings: FindingList) -> None:
    """Ends of three-phase shielded cable: a site may be missing there. Overhead and single-phase ends tell little."""
    tables = network.tables
    cables = tables.cables
    full = cables["shielded"].to_numpy(bool) & (cables["phases"].to_numpy(np.uint8) == THREE_PHASE)
    telling = np.flatnonzero(full[bare.cable])
    if len(telling):
        length = network.pieces.length_m[bare.piece[telling]]
        findings.report(
            "dead_end",
            ids=cables["cable_id"].iloc[np.unique(bare.cable[telling])],
            ends=len(telling),
            metres=length.sum(),
            longest=length.max(),
            place=tables.lonlat(bare.xy[telling[np.argmax(length)]]),
        )


def report_idle(
    network: Network, *, placement: Placement, union: Forest, pickup_m: float, findings: FindingList
) -> int:
    """Find closed devices in parts with a source that have no cable, no site and no other transformer beyond them.

    ``placement``: where the devices stand. ``union``: spanning forest of all edges of the normal state. ``pickup_m``: a
    transformer that is no three-phase site is at a node at this distance or nearer, metres. ``findings``: gets
    ``nothing_beyond``. Returns number of devices that control nothing, those at no cable at all (``controls_nothing``)
    included.
    """
    graph = network.graph
    device = np.flatnonzero(graph.edge_of >= 0)
    child = graph.lower_node(union, device)
    cut_off = union.bridge[graph.edge_of[device]] & (union.root[child] == graph.root)
    sites = network.site_node[network.site_node >= 0]
    held = np.bincount(union.place[graph.b[: graph.n_pieces]], minlength=graph.n_nodes)
    held += np.bincount(union.place[sites], minlength=graph.n_nodes)
    running = np.concatenate([[0], np.cumsum(held)])
    empty = cut_off & (running[union.end[child]] == running[union.place[child]])
    idle = device[empty]
    idle = idle[~near_units(network.tables, network.node_xy[placement.node[idle]], pickup_m=pickup_m)]
    if len(idle):
        findings.report("nothing_beyond", ids=network.tables.switches["switch_id"].iloc[idle])
    return len(idle) + sum(len(f.ids) for f in findings if f.rule == "controls_nothing")
