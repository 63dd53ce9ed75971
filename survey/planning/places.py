"""Where a three-pole device could be added: at a site, and at the head of every branch that feeds two ways or more.

Anywhere along a stretch of cable without a tap is as good as anywhere else, so one place a stretch is enough. A place
is named as a what-if names it (``site:ID``, ``cable:ID:from``); where the device really comes to stand, and whom it
helps, is read from a network that is built with all of them in it. In a part without a source no device is added:
which way is up there is known from the devices alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Ragged
from survey.findings import FindingList
from survey.network import build_network
from survey.network.walk.upstream import branch_heads, noted_above
from survey.what_if.edits import Change, apply_changes

if TYPE_CHECKING:
    from survey.network.model import Network
    from survey.settings import Settings

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
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
    left_out
        Places beyond the setting ``plan.candidates``: the sites with least risk, and the heads of the least branches.
    """

    changes: tuple[Change, ...]
    lonlat: NDArray[np.float64]
    of_site: Ragged
    of_section: Ragged
    left_out: int = 0


def nowhere(network: Network) -> Added:
    """No device at all."""
    sites, sections = len(network.site_node), len(network.sections.device)
    empty = np.empty(0, np.int64)
    return Added(
        (),
        np.empty((0, 2)),
        Ragged(empty, np.zeros(sites + 1, np.int64)),
        Ragged(empty, np.zeros(sections + 1, np.int64)),
    )


def find_places(network: Network, *, worth: Floats, sections: Bools, settings: Settings) -> Added:
    """List the places and see, on a network with all of them, who stands behind each.

    Parameters
    ----------
    worth
        Risk of the sites that may get a device of their own, 0 for the others, shape (n_sites,).
    sections
        Sections on the chains of such sites that have another one above, shape (n_devices,).
    """
    fed = network.upstream.fed
    sites = np.flatnonzero((worth > 0) & (network.site_node >= 0) & fed[np.maximum(network.site_node, 0)])
    sites = sites[np.argsort(-worth[sites], kind="stable")]
    branches = _branch_names(network, sites=sites, sections=sections & fed[network.sections.up])
    most = settings.plan.candidates
    names = [f"site:{i}" for i in network.tables.transformers["site_id"].to_numpy(object)[np.sort(sites[:most])]]
    names += branches[:most]
    if not names:
        return nowhere(network)
    changes = tuple(
        Change("add_three_pole", new, at=place, origin="plan")
        for new, place in zip(_new_ids(network, len(names)), names, strict=True)
    )
    changed = apply_changes(network.tables, changes)
    trial = build_network(changed, settings=settings.network, findings=FindingList())
    n = len(changes)
    new = (trial.graph.switch >= 0) & (trial.graph.switch < n)
    return Added(
        changes,
        trial.tables.switches[["lon", "lat"]].to_numpy(np.float64)[:n],
        _passed(trial, new, trial.site_node),
        _passed(trial, new, trial.sections.up),
        left_out=len(sites) + len(branches) - n,
    )


def _new_ids(network: Network, n: int) -> list[str]:
    """Ids that no device has."""
    taken = set(network.tables.switches["switch_id"])
    prefix = NEW_ID
    while any(str(i).startswith(f"{prefix}-") for i in taken):
        prefix += "+"
    digits = len(str(n))
    return [f"{prefix}-{k:0{digits}d}" for k in range(1, n + 1)]


def _passed(trial: Network, new: Bools, node: Ints) -> Ragged:
    """New devices (the first rows of the switches) between nodes and the point above each."""
    owner, edge = noted_above(trial, new, node=node)
    return Ragged.from_pairs(owner, trial.graph.switch[edge], n=len(node))


def _branch_names(network: Network, *, sites: Ints, sections: Bools) -> list[str]:
    """Places of the uppermost cable of every stretch that two walkers or more (sites, points below); most first."""
    end = _named_end(network)
    walkers = np.concatenate([network.site_node[sites], network.sections.up[sections]])
    edges, count = branch_heads(network, walkers=walkers, usable=end >= 0)
    edges = edges[np.argsort(-count, kind="stable")]
    ids = network.tables.cables["cable_id"].to_numpy(object)[network.pieces.cable[edges]]
    return [f"cable:{i}:{('from', 'to')[e]}" for i, e in zip(ids, end[edges], strict=True)]


def _named_end(network: Network) -> Ints:
    """For each edge the end of its cable to name: 0 from, 1 to, -1 none; the lower one where it is an end."""
    graph, cable = network.graph, network.pieces.cable
    out = np.full(len(graph.a), -1, np.int64)
    lower_node = network.upstream.lower_node(len(graph.a))[: graph.n_pieces]
    in_tree, lower_is_b = lower_node >= 0, lower_node == graph.b[: graph.n_pieces]
    differs = cable[1:] != cable[:-1]
    first, last = np.ones(len(cable), bool), np.ones(len(cable), bool)
    first[1:], last[:-1] = differs, differs
    at_a, at_b = np.where(first, 0, -1), np.where(last, 1, -1)
    lower, upper = np.where(lower_is_b, at_b, at_a), np.where(lower_is_b, at_a, at_b)
    out[: graph.n_pieces] = np.where(in_tree, np.where(lower >= 0, lower, upper), -1)
    return out
