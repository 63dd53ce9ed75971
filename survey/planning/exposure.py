"""What exposes every site, as arrays: the chain of switching points up the way, and what each contributes.

The risk of a site is the sum over its chain (see :mod:`survey.assess.risk`). A point that becomes three-pole leaves
the chain and stands as a three-pole device between the site and the points above. The exposed sections of the other
points do not change by that, since a section is what loses its supply on one pole of its own point; so the values are
those of the survey, and only *which* of them count changes:

1. a point that is three-pole does not count;
2. the lowest one left is the nearest: it counts whatever its rating;
3. those above it count up to the first whose section is rated over ``worst_kva``;
4. a three-pole device anywhere between lowers a value by the share ``gang_trust``.

In the states of loops it is the same: every site has a chain to either end of each of its loops
(:mod:`survey.assess.ties.chains`), and its risk is the sum over all of them.

Sites that stand on the same chain in the same way are one *group*, with the sum of their consequence weights.
"""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.assess.assess import Assessment
from survey.assess.risk import ringing_rate, site_consequence
from survey.assess.ties.chains import LoopChains
from survey.network.model import Network
from survey.settings import Settings


@dataclass(frozen=True)
class Chains:
    """Groups of sites and the entries of their chains, nearest first; those of the normal state, then those of loops.

    ``start`` first entry of each group, shape (n_groups + 1,); ``device`` row of each entry's switch, shape
    (n_entries,); ``value`` operations a year x share that rings x severity, before any three-pole device is counted; 0
    without a figure; ``extra`` the same of what counts besides only while no single-pole point is left below: rated
    over ``worst_kva``; ``gang`` a three-pole device stands between it and the entry before (for the first: and the
    site); ``weight`` sum of the consequence weights of the group's sites, shape (n_groups,): risk = weight x sum of
    what counts; ``site``, ``group`` pairs of a site that a plan counts and a group of its own, shape (n_pairs,);
    ``site_weight`` consequence weight of every site, shape (n_sites,); ``keep`` factor that a three-pole device between
    leaves, 1 - ``gang_trust``; ``n_normal`` groups of the normal state.
    """

    start: Ints
    device: Ints
    value: Floats
    extra: Floats
    gang: Bools
    weight: Floats
    site: Ints
    group: Ints
    site_weight: Floats
    keep: float
    n_normal: int

    @property
    def owner(self) -> Ints:
        """Group of every entry."""
        return np.repeat(np.arange(len(self.weight)), np.diff(self.start))

    @property
    def position(self) -> Ints:
        """Place of every entry in its chain, 0 for the nearest."""
        return np.arange(len(self.device)) - self.start[self.owner]

    @property
    def rate(self) -> Floats:
        """What every chain adds for a weight of 1 whatever protects, shape (n_groups,)."""
        return np.bincount(self.owner, weights=self.value, minlength=len(self.weight)).astype(np.float64)


def find_chains(
    network: Network,
    assessment: Assessment,
    *,
    settings: Settings,
    counted: Bools,
    loops: LoopChains,
    apart: Ints | None = None,
) -> Chains:
    """Put the chains of all sites that can be helped into arrays.

    ``counted``: sites the plan counts (signed-off ones are left out), shape (n_sites,). ``loops``: chains of the states
    of loops; rows of its devices are those of the network. ``apart``: sites with different numbers never share a group,
    shape (n_sites,); for places of new devices between.
    """
    walks, windings = network.walks, assessment.windings
    family = np.where(windings.usable, windings.family, -1)
    nearest = assessment.choice.nearest
    rows = np.flatnonzero(counted & (nearest >= 0) & np.isfinite(assessment.choice.score))
    key = [walks.section[rows], family[rows], walks.gang[rows] >= 0]
    key.append(np.zeros(len(rows), np.int64) if apart is None else apart[rows])
    unique, first, group = np.unique(np.stack(key, axis=1), axis=0, return_index=True, return_inverse=True)
    owner, section, gang = _climb(network, unique[:, 0].astype(np.int64), unique[:, 2].astype(bool))
    value = _values(assessment, section, family[rows[first]][owner], settings=settings)
    start = np.searchsorted(owner, np.arange(len(unique) + 1))
    nearest_or_small = assessment.counted_va[section] <= settings.limits.worst_kva * 1e3
    nearest_or_small[start[:-1]] = True
    pair = np.flatnonzero(counted[loops.site])
    site = np.concatenate([rows, loops.site[pair]])
    group = np.concatenate([group.reshape(-1), len(unique) + loops.chain[pair]])
    weight, n = site_consequence(network, settings=settings.score), len(unique) + len(loops.ring)
    return Chains(
        start=np.concatenate([start, start[-1] + loops.start[1:]]),
        device=np.concatenate([network.sections.device[section], loops.device]),
        value=np.concatenate([np.where(nearest_or_small, value, 0.0), loops.value]),
        extra=np.concatenate([np.where(nearest_or_small, 0.0, value), loops.extra]),
        gang=np.concatenate([gang, loops.gang]),
        weight=np.bincount(group, weights=weight[site], minlength=n).astype(np.float64),
        site=site,
        group=group,
        site_weight=weight,
        keep=1.0 - settings.score.gang_trust,
        n_normal=len(unique),
    )


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
