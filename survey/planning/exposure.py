"""What exposes every site, as arrays: the chain of switching points up the way, and what each contributes.

The risk of a site is the sum over its chain (see :mod:`survey.assess.risk`). A point that becomes three-pole leaves
the chain and stands as a three-pole device between the site and the points above. The exposed sections of the other
points do not change by that, since a section is what loses its supply on one pole of its own point; so the values are
those of the survey, and only *which* of them count changes:

1. a point that is three-pole does not count;
2. the lowest one left is the nearest: it counts whatever its rating;
3. those above it count up to the first whose section is rated over ``worst_kva``;
4. a three-pole device anywhere between lowers a value by the share ``gang_trust``.

Sites that stand on the same chain in the same way are one *group*, with the sum of their consequence weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.assess.risk import ringing_rate, site_consequence

if TYPE_CHECKING:
    from survey.assess.assess import Assessment
    from survey.network.model import Network
    from survey.settings import Settings


@dataclass(frozen=True)
class Chains:
    """Groups of sites and the entries of their chains, nearest first.

    Parameters
    ----------
    start
        First entry of each group, shape (n_groups + 1,).
    section
        Section of each entry, shape (n_entries,).
    value
        Operations a year x share that rings x severity, before any three-pole device is counted; 0 without a figure.
    gang
        A three-pole device stands between it and the entry before (for the first: and the site).
    small
        Rated no more than ``worst_kva``.
    weight
        Sum of the consequence weights of the group's sites, shape (n_groups,): risk = weight x sum of what counts.
    site_group
        Group of every site, -1 for those that no plan counts, shape (n_sites,).
    site_weight
        Consequence weight of every site, shape (n_sites,).
    keep
        Factor that a three-pole device between leaves, 1 - ``gang_trust``.
    """

    start: Ints
    section: Ints
    value: Floats
    gang: Bools
    small: Bools
    weight: Floats
    site_group: Ints
    site_weight: Floats
    keep: float

    @property
    def owner(self) -> Ints:
        """Group of every entry."""
        return np.repeat(np.arange(len(self.weight)), np.diff(self.start))


def find_chains(
    network: Network, assessment: Assessment, *, settings: Settings, counted: Bools, apart: Ints | None = None
) -> Chains:
    """Put the chains of all sites that can be helped into arrays.

    Parameters
    ----------
    counted
        Sites the plan counts (signed-off ones are left out), shape (n_sites,).
    apart
        Sites with different numbers never share a group, shape (n_sites,); for places of new devices between.
    """
    walks, windings = network.walks, assessment.windings
    family = np.where(windings.usable, windings.family, -1)
    nearest = assessment.choice.nearest
    known = counted & (nearest >= 0) & np.isfinite(assessment.choice.score)
    rows = np.flatnonzero(known)
    key = [walks.section[rows], family[rows], walks.gang[rows] >= 0]
    key.append(np.zeros(len(rows), np.int64) if apart is None else apart[rows])
    unique, first, inverse = np.unique(np.stack(key, axis=1), axis=0, return_index=True, return_inverse=True)
    inverse = inverse.reshape(-1)
    group = np.full(len(known), -1, np.int64)
    group[rows] = inverse
    weight = site_consequence(network, settings=settings.score)
    total = np.bincount(inverse, weights=weight[rows], minlength=len(unique)).astype(np.float64)
    owner, section, gang = _climb(network, unique[:, 0].astype(np.int64), unique[:, 2].astype(bool))
    value = _values(assessment, section, family[rows[first]][owner], settings=settings)
    small = assessment.counted_va[section] <= settings.limits.worst_kva * 1e3
    start = np.searchsorted(owner, np.arange(len(unique) + 1))
    keep = 1.0 - settings.score.gang_trust
    return Chains(start, section, value, gang, small, total, group, weight, keep)


def _climb(network: Network, nearest: Ints, gang: Bools) -> tuple[Ints, Ints, Bools]:
    """Entries of every chain, all the way up, sorted by chain: owner, section, and the device between."""
    walks = network.walks
    owners, sections, gangs = [], [], []
    owner, section, between = np.arange(len(nearest)), nearest, gang
    for _ in range(len(walks.upstream) + 1):
        if not len(owner):
            break
        owners.append(owner)
        sections.append(section)
        gangs.append(between)
        between, section = walks.gang_above[section], walks.upstream[section]
        up = section >= 0
        owner, section, between = owner[up], section[up], between[up]
    if not owners:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, bool)
    owner = np.concatenate(owners)
    order = np.argsort(owner, kind="stable")
    return owner[order], np.concatenate(sections)[order], np.concatenate(gangs)[order]


def _values(assessment: Assessment, section: Ints, family: Ints, *, settings: Settings) -> Floats:
    rate, circuits = ringing_rate(assessment.figures, settings=settings.score), assessment.circuits
    row = circuits.index(section, family, n_sections=len(assessment.totals.rating_va))
    return assessment.risks.ops_year[section] * np.nan_to_num(np.append(rate, np.nan)[row])
