"""Risk in the states of the loops: what every single-pole point on a site's way adds, the mean over the states.

A state opens one device of a loop; a site is then fed from one end, and of the points on that way those of the loop
expose something else than in the normal state. What they add is the mean over the states, each as likely as any other;
those between the site and the loop, and above the loop, expose the same as ever and are counted there. In a loop that
a normally open point closes every point is operated ``score.backfed_ops_year`` times a year in such states, in a
closed ring as often as its kind is: a ring has no other states in which a pole takes anything off. Devices that a
what-if adds open no states, so that the same ones are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, ranges
from survey.assess.risk import operations_a_year, ringing_rate
from survey.loops import njit
from survey.network.ties.states import stand
from survey.network.topology.placement import is_added
from survey.network.walk.walks import climb
from survey.physics.families import FAMILIES

if TYPE_CHECKING:
    from survey.assess.ties.verdict import Frame, States


@dataclass(frozen=True)
class LoopChains:
    """Ways of sites along their loops to either end, as chains of single-pole points, the nearest first.

    ``start``: first entry of each chain and one past the last, shape (n_chains + 1,). ``device``: row of each entry's
    switch, shape (n_entries,). ``value``: what the point adds a year, before any three-pole device is counted; 0 for
    points between site and loop. ``extra``: what it adds besides while no single-pole point is left below it: sections
    over ``worst_kva``. ``gang``: a three-pole device stands between the entry and the site. ``ring``: the loop is a
    closed ring, shape (n_chains,). ``site``, ``chain``: pairs: which sites have which chains, shape (n_pairs,).
    ``entry``, ``new``: pairs: devices that were only thought of between an entry and the one before.
    """

    start: Ints
    device: Ints
    value: Floats
    extra: Floats
    gang: Bools
    ring: Bools
    site: Ints
    chain: Ints
    entry: Ints
    new: Ints

    @classmethod
    def joined(cls, parts: list[LoopChains]) -> LoopChains:
        """Those of several batches of loops."""
        none, no, nothing = np.empty(0, np.int64), np.empty(0, bool), np.empty(0)
        parts = [cls(np.zeros(1, np.int64), none, nothing, nothing, no, no, none, none, none, none), *parts]
        first = np.concatenate([[0], np.cumsum([len(part.device) for part in parts])])
        chain = np.concatenate([[0], np.cumsum([len(part.ring) for part in parts])])
        starts = [part.start[:-1] + k for part, k in zip(parts, first, strict=False)]
        return cls(
            start=np.concatenate([*starts, first[-1:]]),
            device=np.concatenate([part.device for part in parts]),
            value=np.concatenate([part.value for part in parts]),
            extra=np.concatenate([part.extra for part in parts]),
            gang=np.concatenate([part.gang for part in parts]),
            ring=np.concatenate([part.ring for part in parts]),
            site=np.concatenate([part.site for part in parts]),
            chain=np.concatenate([part.chain + k for part, k in zip(parts, chain, strict=False)]),
            entry=np.concatenate([part.entry + k for part, k in zip(parts, first, strict=False)]),
            new=np.concatenate([part.new for part in parts]),
        )


class LoopRisks(NamedTuple):
    """Risk a year in the states of loops: of every site, of that what rings add (n_sites,), by every switch."""

    site: Floats
    ring: Floats
    switch: Floats

    def plus(self, other: LoopRisks) -> LoopRisks:
        """The sum of both."""
        return LoopRisks(*(a + b for a, b in zip(self, other, strict=True)))


def loop_risks(chains: LoopChains, *, consequence: Floats, n_switches: int, keep: float) -> LoopRisks:
    """Sum up what the chains add.

    ``consequence``: of every site, shape (n_sites,). ``keep``: factor that a three-pole device between leaves.
    """
    adds = chains.value * np.where(chains.gang, keep, 1.0)
    running = np.concatenate([[0.0], np.cumsum(adds)])
    rate = running[chains.start[1:]] - running[chains.start[:-1]]
    here, n = rate[chains.chain] * consequence[chains.site], len(consequence)
    ring = np.bincount(chains.site, weights=np.where(chains.ring[chains.chain], here, 0.0), minlength=n)
    weight = np.bincount(chains.chain, weights=consequence[chains.site], minlength=len(rate))
    by_entry = adds * np.repeat(weight, np.diff(chains.start))
    return LoopRisks(
        np.bincount(chains.site, weights=here, minlength=n).astype(np.float64),
        ring.astype(np.float64),
        np.bincount(chains.device, weights=by_entry, minlength=n_switches).astype(np.float64),
    )


def _reach(states: States, frame: Frame, groups: _Groups) -> tuple[Ints, Ints]:
    """First device and one past the last between which all stand that have a small section with the zone on it."""
    pairs, every = states.pairs, np.arange(len(states.loops.device))
    small = states.here.rating_va <= frame.settings.limits.worst_kva * 1e3
    low, high = every.copy(), every.copy()
    np.minimum.at(low, pairs.worked[small], pairs.opened[small])
    np.maximum.at(high, pairs.worked[small], pairs.opened[small])
    first = np.searchsorted(np.maximum.accumulate(high), groups.zone, side="right")
    return first, np.searchsorted(np.minimum.accumulate(low[::-1])[::-1], groups.zone, side="right")


class _Groups(NamedTuple):
    """Sites that meet a loop in the same way; chains ``2 k`` and ``2 k + 1`` go to its first and its last device.

    ``zone, family, points, gang`` of each, one ``site`` that stands for it, the ``group`` of every site that was met,
    and the new devices below the loop as pairs ``(owner, new)``.
    """

    zone: Ints
    family: Ints
    points: Ints
    gang: Bools
    site: Ints
    group: Ints
    owner: Ints
    new: Ints


def loop_chains(states: States, frame: Frame, *, whole: bool, noted: Bools | None = None) -> LoopChains:
    """Chains of some loops.

    ``whole``: to the ends of the loops. Else up to the last point that adds something as things are, or to the first:
    of those further on every section with the zone on it is over ``worst_kva``, and counts only for the nearest point.
    ``noted``: switches that may become three-pole devices: told as pairs, shape (n_switches,). Those that are already
    are only thought of and protect nothing.
    """
    if not len(states.met.site):
        return LoopChains.joined([])
    loops, switches = states.loops, frame.network.tables.switches
    single = switches["single_pole"].to_numpy(bool)[loops.device]
    noted = np.zeros(len(switches), bool) if noted is None else noted
    new = noted[loops.device] & ~single
    groups = _groups(states, frame, noted=noted)
    before, here = np.concatenate([[0], np.cumsum(single)]), groups.zone + 1
    bounds = loops.start[:-1][loops.loop[groups.zone]], loops.start[1:][loops.loop[groups.zone]]
    every, some = (
        np.stack([before[here] - before[a], before[b] - before[here]], axis=1)
        for a, b in (bounds, _reach(states, frame, groups))
    )
    count = (every if whole else np.maximum(some, np.minimum(every, 1))) + groups.points[:, None]
    start = np.concatenate([[0], np.cumsum(count.reshape(-1))])
    at, value, extra = _along(states, frame, groups=groups, start=start, single=single)
    position = np.arange(len(at)) - np.repeat(start[:-1], np.diff(start))
    value[position == 0] += extra[position == 0]
    extra[position == 0] = 0.0
    device = _with_own(np.append(loops.device, -1)[at], groups, start=start, frame=frame)
    zone = np.repeat(np.repeat(groups.zone, 2), np.diff(start))
    gang = np.concatenate([[0], np.cumsum(~single & ~new)])
    place = stand(loops, frame.network)
    between = (
        np.where(at <= zone, gang[zone + 1] - gang[place.last[at] + 1], gang[place.first[at]] - gang[zone + 1]) > 0
    )
    met = np.repeat(np.repeat(groups.gang, 2), np.diff(start))
    entry, there = _thought_of(new, at=at, zone=zone, position=position)
    below, below_new = _of_both(groups, start=start)
    return LoopChains(
        start, device, value, extra, (at >= 0) & (between | met), np.repeat(loops.tie[loops.loop[groups.zone]] < 0, 2),
        np.tile(states.met.site, 2), np.concatenate([2 * groups.group, 2 * groups.group + 1]),
        np.concatenate([entry, below]), np.concatenate([loops.device[there], below_new]),
    )  # fmt: skip


def _groups(states: States, frame: Frame, *, noted: Bools) -> _Groups:
    met, network = states.met, frame.network
    edge, _ = climb(
        network.site_node[met.site], met.steps, network.upstream.parent_edge, network.graph.a, network.graph.b
    )
    switch, owner = network.graph.switch[edge], np.repeat(np.arange(len(met.site)), met.steps)
    new = np.append(noted, False)[switch]
    owner, switch = owner[new], switch[new]
    apart = _numbered(owner, switch, n=len(met.site))
    own = np.where(met.points > 0, network.walks.section[met.site], -1)
    key = np.stack([met.zone, states.family, own, met.points, met.gang, apart])
    unique, first, group = np.unique(key, axis=1, return_index=True, return_inverse=True)
    group = group.reshape(-1)
    place = np.full(len(met.site), -1, np.int64)
    place[first] = np.arange(len(first))
    stands = place[owner] >= 0
    return _Groups(
        zone=unique[0], family=unique[1], points=unique[3], gang=unique[4].astype(bool), site=met.site[first],
        group=group, owner=place[owner[stands]], new=switch[stands],
    )  # fmt: skip


def _numbered(owner: Ints, switch: Ints, *, n: int) -> Ints:
    """A number for the devices of each owner, whatever their order, by first use; 0: none. Shape (n,).

    ``owner`` of each of the devices ``switch``, rising.
    """
    held = switch[np.lexsort((switch, owner))]
    count = np.bincount(owner, minlength=n)
    start, code, used = np.cumsum(count) - count, np.zeros(n + 1, np.int64), 1
    for many in np.unique(count[count > 0]):
        rows = np.flatnonzero(count == many)
        kinds, kind = np.unique(held[start[rows][:, None] + np.arange(many)], axis=0, return_inverse=True)
        code[rows + 1] = used + kind.reshape(-1)
        used += len(kinds)
    _, first, kind = np.unique(code, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[kind.reshape(-1)][1:]


def _along(states: States, frame: Frame, *, groups: _Groups, start: Ints, single: Bools) -> tuple[Ints, Floats, Floats]:
    """Device on the loop of every entry (-1: a point below the loop), its value and what it adds as a large section."""
    loops, settings, switches = states.loops, frame.settings, frame.network.tables.switches
    ring = loops.tie < 0
    opens = (ring[loops.loop] | (loops.side != 0)) & ~is_added(switches)[loops.device]
    n_states = np.bincount(loops.loop, weights=opens, minlength=len(ring))[loops.loop]
    own = operations_a_year(switches, settings=settings.score)[loops.device]
    ops = np.where(ring[loops.loop], own, settings.score.backfed_ops_year)
    rate = ringing_rate(states.here.figures, settings=settings.score)
    return _sum_along(
        loops.start,
        single,
        opens,
        states.pairs.start,
        states.pairs.opened,
        np.nan_to_num(np.append(rate, 0.0))[states.here.row],
        states.here.rating_va > settings.limits.worst_kva * 1e3,
        np.divide(ops, n_states, out=np.zeros(len(ops)), where=n_states > 0),
        np.searchsorted(groups.zone * len(FAMILIES) + groups.family, np.arange(len(single) * len(FAMILIES) + 1)),
        start[:-1].reshape(-1, 2) + groups.points[:, None],
        start[1:].reshape(-1, 2),
    )


@njit(cache=True)
def _sum_along(  # noqa: C901, PLR0913, PLR0917 - compiled: flat arrays only
    start: Ints,
    single: Bools,
    opens: Bools,
    pair_start: Ints,
    opened: Ints,
    rate: Floats,
    large: Bools,
    factor: Floats,
    slot_start: Ints,
    first: Ints,
    end: Ints,
) -> tuple[Ints, Floats, Floats]:
    """For every worked device and both sides: the running sum over the open ones beyond each zone."""
    at = np.full(end.max(), -1, np.int64)
    value, extra = np.zeros(len(at)), np.zeros(len(at))
    before = np.zeros(len(single) + 1, np.int64)
    before[1:] = np.cumsum(single)
    n_families = len(rate)
    for i in range(len(start) - 1):
        for f in range(n_families):
            for p in range(start[i], start[i + 1]):
                if not single[p]:
                    continue
                for way in (-1, 1):
                    o = start[i + 1] - 1 if way < 0 else start[i]
                    small, big, pair = 0.0, 0.0, -1
                    first_pair, last_pair = pair_start[p], pair_start[p + 1] - 1
                    following = last_pair if way < 0 else first_pair
                    while o != p:
                        if opens[o]:
                            # a state left out of a long loop counts as the next one further away
                            while first_pair <= following <= last_pair and (
                                pair < 0 or way * (opened[following] - o) <= 0
                            ):
                                pair = following
                                following += way
                            if large[pair]:
                                big += rate[f, pair] * factor[p]
                            else:
                                small += rate[f, pair] * factor[p]
                        zone = o - 1 if way < 0 else o
                        nearer = before[zone + 1] - 1 - before[p] if way < 0 else before[p] - before[zone + 1]
                        slot = zone * n_families + f
                        for g in range(slot_start[slot], slot_start[slot + 1]):
                            k = first[g, (way + 1) // 2] + nearer
                            if k < end[g, (way + 1) // 2]:
                                at[k], value[k], extra[k] = p, small, big
                        o += way
    return at, value, extra


def _with_own(device: Ints, groups: _Groups, *, start: Ints, frame: Frame) -> Ints:
    """Devices of all entries, with the points between the sites and their loops."""
    walks, sections = frame.network.walks, frame.network.sections
    section, row = frame.network.walks.section[groups.site], np.arange(len(groups.site))
    for level in range(int(groups.points.max(initial=0))):
        row = row[groups.points[row] > level]
        for side in range(2):
            device[start[2 * row + side] + level] = sections.device[section[row]]
        section[row] = walks.upstream[section[row]]
    return device


def _thought_of(new: Bools, *, at: Ints, zone: Ints, position: Ints) -> tuple[Ints, Ints]:
    """Pairs of entry and new device between it and the entry before, or the zone, on the loop."""
    entry = np.flatnonzero(at >= 0) if new.any() else np.empty(0, np.int64)
    before = np.append(-1, at[:-1])[: len(at)]
    bound = np.where((position > 0) & (before >= 0), before, zone)[entry]
    here = at[entry]
    low, high = np.where(here <= bound, [here, bound + 1], [bound, here])
    between = ranges(low + 1, np.maximum(high - low - 1, 0))
    owner = np.repeat(entry, np.maximum(high - low - 1, 0))
    return owner[new[between]], between[new[between]]


def _of_both(groups: _Groups, *, start: Ints) -> tuple[Ints, Ints]:
    """Pairs of the first entry of both chains of a group and new device below the loop."""
    chain = np.concatenate([2 * groups.owner, 2 * groups.owner + 1])
    some = start[chain] < start[chain + 1]
    return start[chain[some]], np.tile(groups.new, 2)[some]
