"""Where a three-pole device could be added: on every stretch of the way up that somebody's risk depends on.

Anywhere between two taps is as good as anywhere else, so one place for each set of sites and points below is enough;
places that the planner names are weighed beside them. A place is named as a what-if names it (``site:ID``,
``cable:ID:from``): a cable's end lies between the node and whatever else stands at that end. Where the device really
comes to stand, and whom it helps, is read from a network that is built with all of them in it. In a part without a
source no device is added: which way is up there is known from the devices alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Ints, Ragged, heads
from survey.assess.ties.chains import LoopChains
from survey.assess.ties.verdict import Frame, all_chains
from survey.findings import FindingList
from survey.network import build_network
from survey.network.model import Network
from survey.network.walk.upstream import noted_above
from survey.planning.spots import Wishes, find_spots
from survey.what_if.edits import Change, apply_changes

NEW_ID = "3P"


@dataclass(frozen=True)
class Added:
    """Devices that could be added, and which of them each site and each section passes.

    Passed are rows of the switches with the new ones before all others, idle single-pole ones among them: they take
    nothing off supply by themselves, but made three-pole they stand between.

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
    loops
        Chains of the states of loops, and the devices between their entries.
    """

    changes: tuple[Change, ...]
    lonlat: Floats
    of_site: Ragged
    of_section: Ragged
    loops: LoopChains


def try_places(network: Network, names: Sequence[str], *, frame: Frame) -> Added:
    """Build the network with a device at each place and see who passes which."""
    changes = tuple(
        Change("add_three_pole", new, at=place, origin="plan")
        for new, place in zip(_new_ids(network, len(names)), names, strict=True)
    )
    trial, n = network, len(changes)
    if n:
        changed = apply_changes(network.tables, changes)
        trial = build_network(changed, settings=frame.settings.network, findings=FindingList())
    noted = find_idle(trial)
    noted[:n] = True
    return Added(
        changes,
        trial.tables.switches[["lon", "lat"]].to_numpy(np.float64)[:n],
        passed(trial, noted, node=trial.site_node),
        passed(trial, noted, node=trial.sections.up),
        all_chains(frame._replace(network=trial), noted=noted),
    )


def find_idle(network: Network) -> Bools:
    """Closed single-pole devices that take nothing off supply by themselves, shape (n_switches,)."""
    edge = network.graph.edge_of
    single = network.tables.switches["single_pole"].to_numpy(bool)
    return np.asarray(single & (edge >= 0) & ~np.append(network.sections.stopping_edges(), False)[edge])


def passed(network: Network, noted: Bools, *, node: Ints) -> Ragged:
    """Noted switches between nodes and the point above each."""
    owner, edge = noted_above(network, np.append(noted, False)[network.graph.switch], node=node)
    return Ragged.from_pairs(owner, network.graph.switch[edge], n=len(node))


def _new_ids(network: Network, n: int) -> list[str]:
    """Ids that no device has."""
    taken = set(network.tables.switches["switch_id"])
    prefix = NEW_ID
    while any(str(i).startswith(f"{prefix}-") for i in taken):
        prefix += "+"
    digits = len(str(n))
    return [f"{prefix}-{k:0{digits}d}" for k in range(1, n + 1)]


def find_places(network: Network, wishes: Wishes, *, most: int) -> tuple[list[str], int]:
    """One place for each set of sites and points that could pass a device, those with most risk below first.

    ``most``: at most so many beside the named ones. Returns the places, and how many were left out.
    """
    spots = find_spots(network, wishes)
    site = np.append(network.tables.transformers["site_id"].to_numpy(object), "")
    told = np.isin(spots.name.astype(str), sorted({*wishes.named, *wishes.barred}))
    allowed = ~told & ~np.isin(site[spots.own].astype(str), sorted(wishes.barred))
    free = np.flatnonzero(allowed & ~np.isin(spots.better, spots.spot[allowed]))
    order = free[np.lexsort((spots.rank[free], spots.spot[free]))]
    first = order[heads(spots.spot[order])]
    best = first[np.lexsort((first, -spots.worth[first]))]
    return [*sorted(wishes.named), *spots.name[best[:most]]], max(0, len(best) - most)
