"""On which cable end a device stands."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from survey.arrays import Bools, Ints, ranges
from survey.findings import FindingList
from survey.network.topology.pickup import place_of
from survey.network.topology.pieces import Pieces
from survey.read.tables import NetworkTables

AT_SOURCE = -2
NOWHERE = -1


@dataclass(frozen=True)
class Placement:
    """Where every device stands; all shape (n_switches,).

    ``piece`` it stands at (``AT_SOURCE``: between source and node; ``NOWHERE``), ``end`` 0 or 1 (its u or v), ``node``
    on its other side; ``upward``: its side is still to be settled by the direction of supply; ``dead_end``: the only
    cable there; ``crowded``: more than two cables; ``with_site``: a site stands at that node.
    """

    piece: Ints
    end: Ints
    node: Ints
    upward: Bools
    dead_end: Bools
    crowded: Bools
    with_site: Bools


@dataclass(frozen=True)
class _Incidence:
    """Cable ends at the nodes that hold devices, sorted by node and piece, and per node their number and kind."""

    node: Ints
    piece: Ints
    shielded: Bools
    degree: Ints
    cables: Ints
    first: Ints


def place_devices(
    tables: NetworkTables, pieces: Pieces, *, node: Ints, site_nodes: Ints, n_nodes: int, findings: FindingList
) -> Placement:
    """Place what can be placed without knowing the direction of supply.

    ``node``: node of each switch, -1 when out of reach. ``site_nodes``: nodes that hold a site. ``findings``: gets
    ``guards_unknown`` and ``controls_nothing``.
    """
    n_nodes = max(n_nodes, 1)
    here = _incidence(tables, pieces, node, n_nodes)
    single = stood_single(tables.switches)
    at = np.maximum(node, 0)
    reached = (node >= 0) & (here.degree[at] > 0)
    # RULE 3: the cable it guards, the shielded one of a riser, one each, the only one; the rest is settled later, and
    # so is what a what-if adds for a site at a riser: it stands on the site's supply side
    piece = _guarded(tables, pieces, here=here, node=node, findings=findings)
    free = reached & (piece == NOWHERE)
    riser = free & (here.cables[at] == 1) & (here.degree[at] > 1) & ~is_added(tables.switches)
    piece[riser] = _only_cable(here, n_nodes)[node[riser]]
    poles = np.bincount(node[free & single], minlength=n_nodes)
    one_each = free & ~riser & single & (here.degree[at] > 1) & (poles[at] == here.cables[at])
    piece[one_each] = _one_each(here, node, one_each, n_nodes)
    dead_end = free & (here.degree[at] == 1)
    piece[dead_end] = here.piece[here.first[node[dead_end]]]
    with_site = np.isin(node, site_nodes[site_nodes >= 0])
    placed = np.flatnonzero(piece >= 0)
    end = np.zeros(len(node), np.int64)
    end[placed] = pieces.v[piece[placed]] == node[placed]
    idle = np.flatnonzero((node >= 0) & ~reached)
    if len(idle):
        findings.report("controls_nothing", ids=tables.switches["switch_id"].iloc[idle])
    upward = reached & (piece == NOWHERE)
    return Placement(piece, end, node.copy(), upward, dead_end, upward & (here.degree[at] > 2), with_site)


def stood_single(switches: pd.DataFrame) -> Bools:
    """Devices that are placed as single-pole ones: a what-if that makes one three-pole does not move it, or others.

    Shape (n_switches,); the column ``placed_single``, where a what-if wrote one, else ``single_pole``.
    """
    column = "placed_single" if "placed_single" in switches.columns else "single_pole"
    return switches[column].to_numpy(bool)


def stood_open(switches: pd.DataFrame) -> Bools:
    """Devices that were open when they were placed: a what-if that operates one does not move it, or others.

    Shape (n_switches,); the column ``placed_open``, where a what-if wrote one, else ``open``.
    """
    return switches["placed_open" if "placed_open" in switches.columns else "open"].to_numpy(bool)


def by_id(switches: pd.DataFrame, rows: Ints) -> Ints:
    """Order by id of some devices: what decides between two alike, whatever the order of rows."""
    return np.argsort(switches["switch_id"].iloc[rows].to_numpy(object), kind="stable")


def is_added(switches: pd.DataFrame) -> Bools:
    """Devices that a what-if adds: next to the node; for a site on its supply side. Shape (n_switches,)."""
    return np.asarray(switches.get("added", np.zeros(len(switches), bool)), bool)


def _incidence(tables: NetworkTables, pieces: Pieces, node: Ints, n_nodes: int) -> _Incidence:
    wanted = np.zeros(n_nodes, bool)
    wanted[node[node >= 0]] = True
    joins = pieces.u != pieces.v
    at_u, at_v = np.flatnonzero(wanted[pieces.u] & joins), np.flatnonzero(wanted[pieces.v] & joins)
    ends, piece = np.concatenate([pieces.u[at_u], pieces.v[at_v]]), np.concatenate([at_u, at_v])
    order = np.lexsort((piece, ends))
    ends, piece = ends[order], piece[order]
    shielded = tables.cables["shielded"].to_numpy(bool)[pieces.cable[piece]]
    degree = np.bincount(ends, minlength=n_nodes)
    cables = np.bincount(ends[shielded], minlength=n_nodes)
    first = np.concatenate([[0], np.cumsum(degree)])
    return _Incidence(ends, piece, shielded, degree, cables, first)


def _guarded(tables: NetworkTables, pieces: Pieces, *, here: _Incidence, node: Ints, findings: FindingList) -> Ints:
    """The piece of the guarded cable at the node, where there is exactly one."""
    guards = tables.switches["guards"]
    piece = np.full(len(node), NOWHERE, np.int64)
    asked = np.flatnonzero((guards != "").to_numpy() & (node >= 0))
    if not len(asked):
        return piece
    count = here.degree[node[asked]]
    device = np.repeat(asked, count)
    slot = ranges(here.first[node[asked]], count)
    cable = tables.cables["cable_id"].iloc[pieces.cable[here.piece[slot]]]
    match = np.asarray(cable.array == guards.iloc[device].array, bool)
    hits = np.bincount(device[match], minlength=len(node))
    sure = match & (hits[device] == 1)
    piece[device[sure]] = here.piece[slot[sure]]
    lost = asked[hits[asked] == 0]
    if len(lost):
        ids = tables.switches["switch_id"].iloc[lost]
        findings.report("guards_unknown", ids=ids, first=guards.iloc[lost[0]])
    return piece


def _only_cable(here: _Incidence, n_nodes: int) -> Ints:
    """Shielded cable at each node, the last one where there are several."""
    only = np.full(n_nodes, NOWHERE, np.int64)
    only[here.node[here.shielded]] = here.piece[here.shielded]
    return only


def _one_each(here: _Incidence, node: Ints, chosen: Bools, n_nodes: int) -> Ints:
    """Devices in id order to cables in id order, node by node; counts are equal at every chosen node."""
    rows = np.flatnonzero(chosen)
    order = np.argsort(node[rows], kind="stable")
    holds = np.zeros(n_nodes, bool)
    holds[node[rows]] = True
    cables = here.piece[here.shielded & holds[here.node]]
    piece = np.empty(len(rows), np.int64)
    piece[order] = cables
    return piece


def settle(
    placement: Placement,
    pieces: Pieces,
    *,
    parent_piece: Ints,
    source_nodes: Ints,
    tables: NetworkTables,
    findings: FindingList,
) -> Placement:
    """Place the devices that stand on the upstream side, now that it is known.

    A device between two cables that no supply tells apart stays ``upward``, at the end of the first of them.

    ``parent_piece``: piece each node is supplied through, -1 where there is none. ``source_nodes``: nodes that hold a
    source. ``findings``: gets ``ambiguous_switch`` (more than two cables), ``open_side_unknown`` and
    ``unplaced_switch``.
    """
    piece, upward = placement.piece.copy(), placement.upward.copy()
    todo = np.flatnonzero(placement.upward)
    parent = parent_piece[placement.node[todo]]
    at_source = np.isin(placement.node[todo], source_nodes)
    # RULE 3: between source and node; on the upstream side; between two cables
    piece[todo] = np.where(at_source, AT_SOURCE, parent)
    upward[todo] = ~at_source & (parent < 0)
    between = todo[upward[todo] & ~placement.crowded[todo]]
    piece[between] = first_piece(placement, pieces)[between]
    end = placement.end.copy()
    placed = todo[piece[todo] >= 0]
    end[placed] = pieces.v[piece[placed]] == placement.node[placed]
    is_open = stood_open(tables.switches)
    told = todo[placement.crowded[todo] | (is_open[todo] & placement.with_site[todo])]
    _report_settled(told, tables=tables, placed=piece != NOWHERE, is_open=is_open, findings=findings)
    return replace(placement, piece=piece, end=end, upward=upward)


def first_piece(placement: Placement, pieces: Pieces) -> Ints:
    """Lowest piece that ends at each device's node, shape (n_switches,); ``NOWHERE`` without one."""
    n_nodes = int(max(pieces.u.max(initial=0), pieces.v.max(initial=0), placement.node.max(initial=0))) + 1
    lowest = np.full(n_nodes, NOWHERE, np.int64)
    joined = np.flatnonzero(pieces.u != pieces.v)[::-1]
    ends = np.stack([pieces.u[joined], pieces.v[joined]], axis=1).ravel()
    lowest[ends] = np.repeat(joined, 2)
    return np.where(placement.node >= 0, lowest[placement.node], NOWHERE)


def _report_settled(rows: Ints, *, tables: NetworkTables, placed: Bools, is_open: Bools, findings: FindingList) -> None:
    ids = tables.switches["switch_id"].iloc[rows].to_numpy()
    lonlat = tables.switches[["lon", "lat"]].to_numpy(np.float64)[rows]
    left_out = ~placed[rows]
    for rule, of_rule in (
        ("unplaced_switch", left_out),
        ("open_side_unknown", ~left_out & is_open[rows]),
        ("ambiguous_switch", ~left_out & ~is_open[rows]),
    ):
        if of_rule.any():
            findings.report(rule, ids=ids[of_rule], place=place_of(lonlat[of_rule][0]))
