"""Where a three-pole device could be added: at a site, and at the head of every branch that feeds two ways or more.

Anywhere along a stretch of cable without a tap is as good as anywhere else, so one place a stretch is enough. A place
is named as a what-if names it (``site:ID``, ``cable:ID:from``); where the device really comes to stand, and whom it
helps, is read from a network that is built with all of them in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.changes import Change, apply_changes
from survey.findings import FindingList
from survey.network import build_network
from survey.network.stretches import stretches_above
from survey.plan.chains import Ragged, ragged

if TYPE_CHECKING:
    from survey.network.model import Network
    from survey.settings import Settings

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NEW_ID = "3P"


@dataclass(frozen=True)
class Added:
    """Devices that could be added: what to change, and which of them each site and each section passes.

    Parameters
    ----------
    changes
        One for each device.
    lonlat
        Where each is, degrees, shape (n, 2).
    of_site
        Devices between each site and its nearest point, shape of the sites.
    of_section
        Devices between each section's point and the one above it.
    """

    changes: tuple[Change, ...]
    lonlat: NDArray[np.float64]
    of_site: Ragged
    of_section: Ragged


def nowhere(network: Network) -> Added:
    """No device at all."""
    sites, sections = len(network.site_node), len(network.sections.device)
    empty = np.empty(0, np.int64)
    return Added(
        (),
        np.empty((0, 2)),
        Ragged(np.zeros(sites + 1, np.int64), empty),
        Ragged(np.zeros(sections + 1, np.int64), empty),
    )


def find_places(network: Network, *, wanted: Bools, sections: Bools, settings: Settings) -> Added:
    """List the places and see, on a network with all of them, who stands behind each.

    Parameters
    ----------
    wanted
        Sites worth a device of their own, shape (n_sites,).
    sections
        Sections on the chains of such sites, shape (n_devices,).
    """
    names = [f"site:{i}" for i in network.tables.transformers["site_id"].to_numpy(object)[wanted]]
    names += _branch_heads(network, wanted=wanted, sections=sections)
    if not names:
        return nowhere(network)
    changes = tuple(
        Change("add_three_pole", new, at=place, origin="plan")
        for new, place in zip(_new_ids(network, len(names)), names, strict=True)
    )
    trial = build_network(apply_changes(network.tables, changes), settings=settings.network, findings=FindingList())
    walks, n = trial.walks, len(changes)
    above = stretches_above(trial)
    return Added(
        changes,
        trial.tables.switches[["lon", "lat"]].to_numpy(np.float64)[:n],
        _passed(trial, Ragged(walks.edge_start, walks.edges), n),
        _passed(trial, Ragged(*above), n),
    )


def _new_ids(network: Network, n: int) -> list[str]:
    """Ids that no device has."""
    taken = set(network.tables.switches["switch_id"])
    prefix = NEW_ID
    while any(str(i).startswith(f"{prefix}-") for i in taken):
        prefix += "+"
    digits = len(str(n))
    return [f"{prefix}-{k:0{digits}d}" for k in range(1, n + 1)]


def _passed(trial: Network, paths: Ragged, n: int) -> Ragged:
    """New devices (the first ``n`` rows of the switches) on each path."""
    device = trial.graph.switch[paths.item]
    hit = (device >= 0) & (device < n)
    return ragged(paths.owner[hit], device[hit], n=len(paths.start) - 1)


def _branch_heads(network: Network, *, wanted: Bools, sections: Bools) -> list[str]:
    """Ends of the uppermost cable of every stretch that two or more walkers (sites, points below) pass."""
    walks, graph = network.walks, network.graph
    above = Ragged(*stretches_above(network))
    owner = np.concatenate([Ragged(walks.edge_start, walks.edges).owner, above.owner + len(wanted)])
    edge = np.concatenate([walks.edges, above.item])
    start_node = np.concatenate([network.site_node, network.sections.up])
    walker = np.concatenate([wanted, sections])[owner]
    owner, edge = owner[walker], edge[walker]
    count = np.bincount(edge, minlength=len(graph.a))
    end = _lower_end(network, owner, edge, start_node)
    can = (end >= 0) & (count[edge] > 1)
    owner, edge, end = owner[can], edge[can], end[can]
    same_owner = np.append(owner[1:] == owner[:-1], False)[: len(edge)]
    upper = np.append(count[edge[1:]], 0)[: len(edge)]
    head = ~same_owner | (upper != count[edge])
    edges, first = np.unique(edge[head], return_index=True)
    ids = network.tables.cables["cable_id"].to_numpy(object)[network.pieces.cable[edges]]
    return [f"cable:{i}:{('from', 'to')[e]}" for i, e in zip(ids, end[head][first], strict=True)]


def _lower_end(network: Network, owner: Ints, edge: Ints, start_node: Ints) -> Ints:
    """For each walked edge the end of its cable to name: 0 from, 1 to, -1 none; the lower one where it is an end."""
    graph, pieces = network.graph, network.pieces
    before = np.append(-1, edge[:-1])[: len(edge)]
    is_first = np.append(True, owner[1:] != owner[:-1])[: len(edge)]
    b = graph.b[edge]
    lower_is_b = np.where(is_first, b == start_node[owner], (b == graph.a[before]) | (b == graph.b[before]))
    is_piece = edge < graph.n_pieces
    piece = np.where(is_piece, edge, 0)
    first = np.append(True, pieces.cable[1:] != pieces.cable[:-1])[: len(pieces.cable)]
    last = np.append(pieces.cable[1:] != pieces.cable[:-1], True)[: len(pieces.cable)]
    lower = np.where(lower_is_b, np.where(last[piece], 1, -1), np.where(first[piece], 0, -1))
    upper = np.where(lower_is_b, np.where(first[piece], 0, -1), np.where(last[piece], 1, -1))
    return np.where(is_piece, np.where(lower >= 0, lower, upper), -1)
