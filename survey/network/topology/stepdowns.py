"""Transformers inside the network: the walk does not pass them.

Where cables of another voltage than the site's rated primary voltage meet at a site's node, they hang on its secondary:
the node is split, and the secondary becomes a node of its own, a source when the settings or a source point there
say so.
"""

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.findings import FindingList
from survey.network.topology.pieces import Pieces
from survey.read.tables import NetworkTables

SAME_VOLTAGE = 0.2


@dataclass(frozen=True)
class Points:
    """Node of every site, switch and source, -1 out of reach."""

    sites: Ints
    switches: Ints
    sources: Ints


@dataclass(frozen=True)
class Split:
    """Pieces with moved ends, places of all nodes, nodes of the points; both nodes of every one that was split."""

    pieces: Pieces
    node_xy: Floats
    points: Points
    primary: Ints
    secondary: Ints


def split_at_transformers(
    tables: NetworkTables, pieces: Pieces, *, points: Points, node_xy: Floats, supplies: bool, findings: FindingList
) -> Split:
    """Split the nodes of step-down transformers; what belongs to the secondary goes with it.

    A source there supplies the secondary; a device stands there when it guards a cable of the secondary, a site when
    its own voltage is that of one.

    ``supplies``: the secondary of every step-down transformer is a source (setting ``network.stepdown_supplies``).
    ``findings``: gets ``step_down`` and ``voltage_differs``.
    """
    volts = tables.cables["voltage_v"].to_numpy(np.float64)[pieces.cable]
    rated = _primary_voltages(tables, pieces, site_nodes=points.sites, volts=volts, n_nodes=len(node_xy))
    off = [np.abs(volts - rated[end]) > SAME_VOLTAGE * rated[end] for end in (pieces.u, pieces.v)]
    on = [_same(volts, rated[end]) for end in (pieces.u, pieces.v)]
    if not (off[0].any() or off[1].any()):
        return Split(pieces, node_xy, points, np.empty(0, np.int64), np.empty(0, np.int64))
    has_off, has_on = _ended_at(pieces, off, len(node_xy)), _ended_at(pieces, on, len(node_xy))
    split = np.flatnonzero(has_off & has_on)
    new_node = np.arange(len(node_xy))
    new_node[split] = len(node_xy) + np.arange(len(split))
    moves = [end_off & (new_node[end] != end) for end_off, end in zip(off, (pieces.u, pieces.v), strict=True)]
    sites, switches = _on_secondary(tables, pieces, moves, points=points, rated=rated)
    _report(
        tables,
        np.where(sites, -1, points.sites),
        has_off=has_off,
        has_on=has_on,
        supplies=supplies,
        findings=findings,
    )
    went = Points(
        sites=np.where(sites, new_node[points.sites], points.sites),
        switches=np.where(switches, new_node[points.switches], points.switches),
        sources=np.where(points.sources >= 0, new_node[points.sources], -1),
    )
    # RULE 7: what hangs on the secondary gets a node of its own
    pieces = replace(
        pieces,
        u=np.where(moves[0], new_node[pieces.u], pieces.u),
        v=np.where(moves[1], new_node[pieces.v], pieces.v),
    )
    return Split(pieces, np.concatenate([node_xy, node_xy[split]]), went, split, new_node[split])


def _same(volts: Floats, rated: Floats | float) -> Bools:
    return np.asarray(np.abs(volts - rated) <= SAME_VOLTAGE * rated)


def _primary_voltages(
    tables: NetworkTables, pieces: Pieces, *, site_nodes: Ints, volts: Floats, n_nodes: int
) -> Floats:
    """Rated voltage of the site at each node, NaN without one; of several the highest that a cable there has."""
    own = tables.transformers["voltage_v"].to_numpy(np.float64)
    held = np.flatnonzero((site_nodes >= 0) & np.isfinite(own))
    held = held[np.argsort(own[held], kind="stable")]
    least, rated = np.full(n_nodes, np.nan), np.full(n_nodes, np.nan)
    rated[site_nodes[held]] = own[held]
    least[site_nodes[held[::-1]]] = own[held[::-1]]
    for node in np.flatnonzero(least < rated).tolist():
        here = volts[(pieces.u == node) | (pieces.v == node)]
        known = [value for value in own[held[site_nodes[held] == node]] if _same(here, value).any()]
        rated[node] = known[-1] if known else rated[node]
    return rated


def _on_secondary(
    tables: NetworkTables, pieces: Pieces, moves: list[Bools], *, points: Points, rated: Floats
) -> tuple[Bools, Bools]:
    """Sites and switches that stand on a secondary: of its voltage, or guarding a cable of it."""
    ends = [(end[moving], pieces.cable[moving]) for end, moving in zip((pieces.u, pieces.v), moves, strict=True)]
    node, cable = (np.concatenate(part) for part in zip(*ends, strict=True))
    volts, ids = tables.cables["voltage_v"].to_numpy(np.float64)[cable], tables.cables["cable_id"].iloc[cable]
    guarded = set(zip(node.tolist(), ids, strict=True))
    guards = zip(points.switches.tolist(), tables.switches["guards"], strict=True)
    own, sites = tables.transformers["voltage_v"].to_numpy(np.float64), np.zeros(len(points.sites), bool)
    apart = ~_same(own, rated[points.sites]) & np.isfinite(own) & (points.sites >= 0)
    for site in np.flatnonzero(apart & np.isin(points.sites, node)).tolist():
        sites[site] = _same(volts[node == points.sites[site]], own[site]).any()
    return sites, np.array([pair in guarded for pair in guards], bool)


def _ended_at(pieces: Pieces, at_end: list[Bools], n_nodes: int) -> Bools:
    """Nodes at which some piece has its u (or its v) chosen, shape (n_nodes,)."""
    found = np.zeros(n_nodes, bool)
    found[pieces.u[at_end[0]]] = True
    found[pieces.v[at_end[1]]] = True
    return found


def _report(
    tables: NetworkTables, site_nodes: Ints, *, has_off: Bools, has_on: Bools, supplies: bool, findings: FindingList
) -> None:
    ids = tables.transformers["site_id"].to_numpy()
    reached = np.flatnonzero(site_nodes >= 0)
    off, on = has_off[site_nodes[reached]], has_on[site_nodes[reached]]
    step_down, differs = reached[off & on], reached[off & ~on]
    if len(step_down):
        supplied = (
            "its secondary supplies them" if supplies else "a source point there supplies them, where there is one"
        )
        findings.report("step_down", ids=ids[step_down], supplied=supplied)
    if len(differs):
        findings.report("voltage_differs", ids=ids[differs])
