"""Where a three-pole device could be added: on every stretch of the way up that somebody's risk depends on.

Anywhere between two taps is as good as anywhere else, so one place for each set of sites and points below is enough;
places that the planner names are weighed beside them. A place is named as a what-if names it (``site:ID``,
``cable:ID:from``): a cable's end lies between the node and whatever else stands at that end. Where the device really
comes to stand, and whom it helps, is read from a network that is built with all of them in it. In a part without a
source no device is added: which way is up there is known from the devices alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Floats, Ints, Ragged, heads
from survey.findings import FindingList
from survey.network import build_network
from survey.network.walk.upstream import noted_above
from survey.planning.spots import find_spots
from survey.what_if.edits import Change, apply_changes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from survey.network.model import Network
    from survey.settings import Settings


NEW_ID = "3P"


@dataclass(frozen=True)
class Wishes:
    """Who could gain by a device, and what the planner says of places.

    Parameters
    ----------
    worth
        Risk of every site that counts, shape (n_sites,).
    pays
        Sections under whose point a device could pay, shape (n_devices,).
    linked
        Sections on some site's way, shape (n_devices,).
    named
        Places that are weighed whatever else is: they have a cost of their own, or must be done.
    barred
        Places that are not, and sites that get no device of their own.
    """

    worth: Floats
    pays: Bools
    linked: Bools
    named: frozenset[str]
    barred: frozenset[str]


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
    lonlat: Floats
    of_site: Ragged
    of_section: Ragged


def try_places(network: Network, names: Sequence[str], *, settings: Settings) -> Added:
    """Build the network with a device at each place and see who passes which."""
    changes = tuple(
        Change("add_three_pole", new, at=place, origin="plan")
        for new, place in zip(_new_ids(network, len(names)), names, strict=True)
    )
    n = len(changes)
    if not n:
        nobody = (Ragged(np.empty(0, np.int64), np.zeros(len(x) + 1, np.int64)) for x in _walkers(network))
        return Added((), np.empty((0, 2)), *nobody)
    changed = apply_changes(network.tables, changes)
    trial = build_network(changed, settings=settings.network, findings=FindingList())
    lonlat = trial.tables.switches[["lon", "lat"]].to_numpy(np.float64)[:n]
    return Added(changes, lonlat, *(_passed(trial, node, n=n) for node in _walkers(trial)))


def _walkers(network: Network) -> tuple[Ints, Ints]:
    """Nodes that sites and sections walk up from."""
    return network.site_node, network.sections.up


def _new_ids(network: Network, n: int) -> list[str]:
    """Ids that no device has."""
    taken = set(network.tables.switches["switch_id"])
    prefix = NEW_ID
    while any(str(i).startswith(f"{prefix}-") for i in taken):
        prefix += "+"
    digits = len(str(n))
    return [f"{prefix}-{k:0{digits}d}" for k in range(1, n + 1)]


def _passed(trial: Network, node: Ints, *, n: int) -> Ragged:
    """New devices (the first ``n`` rows of the switches) between nodes and the point above each."""
    new = (trial.graph.switch >= 0) & (trial.graph.switch < n)
    owner, edge = noted_above(trial, new, node=node)
    return Ragged.from_pairs(owner, trial.graph.switch[edge], n=len(node))


def find_places(network: Network, wishes: Wishes, *, most: int) -> tuple[list[str], int]:
    """One place for each set of sites and points that could pass a device, those with most risk below first.

    Parameters
    ----------
    most
        At most so many beside the named ones.

    Returns
    -------
    The places, and how many were left out.
    """
    spots = find_spots(network, worth=wishes.worth, pays=wishes.pays, linked=wishes.linked)
    site = np.append(network.tables.transformers["site_id"].to_numpy(object), "")
    told = np.isin(spots.name.astype(str), sorted({*wishes.named, *wishes.barred}))
    allowed = ~told & ~np.isin(site[spots.own].astype(str), sorted(wishes.barred))
    free = np.flatnonzero(allowed & ~np.isin(spots.better, spots.spot[allowed]))
    order = free[np.lexsort((spots.rank[free], spots.spot[free]))]
    first = order[heads(spots.spot[order])]
    best = first[np.lexsort((first, -spots.worth[first]))]
    return [*sorted(wishes.named), *spots.name[best[:most]]], max(0, len(best) - most)
