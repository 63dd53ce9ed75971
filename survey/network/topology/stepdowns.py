"""Transformers inside the network: the walk does not pass them.

Where cables of another voltage than the site's rated primary voltage meet at a site's node, they hang on its secondary:
the node is split, and the secondary becomes a node of its own, a source when the settings or a source point there
say so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Floats, Ints

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.topology.pieces import Pieces
    from survey.read.tables import NetworkTables


SAME_VOLTAGE = 0.2


@dataclass(frozen=True)
class Split:
    """Pieces with moved ends, places of all nodes, node of every source; both nodes of every one that was split."""

    pieces: Pieces
    node_xy: Floats
    source_nodes: Ints
    primary: Ints
    secondary: Ints


def split_at_transformers(
    tables: NetworkTables,
    pieces: Pieces,
    *,
    site_nodes: Ints,
    source_nodes: Ints,
    node_xy: Floats,
    supplies: bool,
    findings: FindingList,
) -> Split:
    """Split the nodes of step-down transformers.

    Parameters
    ----------
    site_nodes, source_nodes
        Node of every site and source, -1 out of reach.
    supplies
        The secondary of every step-down transformer is a source (setting ``network.stepdown_supplies``).
    findings
        Gets ``step_down`` and ``voltage_differs``.
    """
    volts = tables.cables["voltage_v"].to_numpy(np.float64)[pieces.cable]
    rated = np.full(len(node_xy), np.nan)
    held = np.flatnonzero(site_nodes >= 0)[::-1]
    rated[site_nodes[held]] = tables.transformers["voltage_v"].to_numpy(np.float64)[held]
    off = [np.abs(volts - rated[end]) > SAME_VOLTAGE * rated[end] for end in (pieces.u, pieces.v)]
    on = [np.abs(volts - rated[end]) <= SAME_VOLTAGE * rated[end] for end in (pieces.u, pieces.v)]
    if not (off[0].any() or off[1].any()):
        return Split(pieces, node_xy, source_nodes, np.empty(0, np.int64), np.empty(0, np.int64))
    has_off, has_on = _ended_at(pieces, off, len(node_xy)), _ended_at(pieces, on, len(node_xy))
    _report(tables, site_nodes, has_off=has_off, has_on=has_on, supplies=supplies, findings=findings)
    split = np.flatnonzero(has_off & has_on)
    new_node = np.arange(len(node_xy))
    new_node[split] = len(node_xy) + np.arange(len(split))
    # RULE 7: what hangs on the secondary gets a node of its own
    pieces = replace(
        pieces,
        u=np.where(off[0], new_node[pieces.u], pieces.u),
        v=np.where(off[1], new_node[pieces.v], pieces.v),
    )
    sources = np.where(source_nodes >= 0, new_node[source_nodes] if len(new_node) else -1, -1)
    return Split(pieces, np.concatenate([node_xy, node_xy[split]]), sources, split, new_node[split])


def _ended_at(pieces: Pieces, at_end: list[Bools], n_nodes: int) -> Bools:
    """Nodes at which some piece has its u (or its v) chosen, shape (n_nodes,)."""
    found = np.zeros(n_nodes, bool)
    found[pieces.u[at_end[0]]] = True
    found[pieces.v[at_end[1]]] = True
    return found


def _report(
    tables: NetworkTables,
    site_nodes: Ints,
    *,
    has_off: Bools,
    has_on: Bools,
    supplies: bool,
    findings: FindingList,
) -> None:
    ids = tables.transformers["site_id"].to_numpy()
    reached = np.flatnonzero(site_nodes >= 0)
    off, on = has_off[site_nodes[reached]], has_on[site_nodes[reached]]
    step_down, differs = reached[off & on], reached[off & ~on]
    if len(step_down):
        supplied = "its secondary supplies them" if supplies else "put a source point there if it supplies them"
        findings.report("step_down", ids=ids[step_down], supplied=supplied)
    if len(differs):
        findings.report("voltage_differs", ids=ids[differs])
