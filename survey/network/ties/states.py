"""States: one device of a loop is open; what each other single-pole device of it exposes, and which sites it meets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, heads
from survey.loops import njit
from survey.network.model import Network
from survey.network.ties.loops import Loops
from survey.network.topology.placement import by_id
from survey.network.walk.sections import PhaseView, Sections
from survey.network.walk.upstream import Upstream
from survey.read.tables import THREE_PHASE

ROUNDING = 1e-9
"""Share of two running sums up to which their difference is rounding: judgement."""


@dataclass(frozen=True)
class Pairs:
    """Pairs of devices of one loop: the one's poles are worked, the other is open; sorted by the worked one.

    ``opened``, ``worked``: numbers of the devices among those of the loops, shape (n_pairs,). ``start``: first pair of
    every worked device and one past the last, shape (n_devices + 1,).
    """

    opened: Ints
    worked: Ints
    start: Ints

    def differences(self, totals: Floats) -> Floats:
        """Totals of what hangs between the two, from :func:`along_loops`; of nothing exactly nothing."""
        low, high = np.minimum(self.opened, self.worked), np.maximum(self.opened, self.worked)
        rows = np.ascontiguousarray(totals).reshape(-1, totals.shape[-1])
        return _differences(rows, low, high).reshape(*totals.shape[:-1], len(low))


@njit(cache=True)
def _differences(rows: Floats, low: Ints, high: Ints) -> Floats:
    between = np.zeros((len(rows), len(low)))
    for row, found in zip(rows, between):  # noqa: B905 - compiled: zip takes no keywords
        for k in range(len(low)):
            difference = row[high[k]] - row[low[k]]
            if abs(difference) > ROUNDING * max(abs(row[high[k]]), abs(row[low[k]])):
                found[k] = difference
    return between


def pair_devices(loops: Loops, *, single: Bools, rating_va: Floats, most_va: float, most_states: int) -> Pairs:
    """All pairs of a device that can be opened and a single-pole one; with the tie open it is the normal state.

    In a loop of more pairs than ``most_states`` those whose section is rated over ``most_va`` are thinned out: of them
    the first, second, fourth, eighth ... and the last on each side of the worked device are kept.

    ``single``: devices that work pole by pole, per switch. ``rating_va``: rating along the loops, see
    :func:`along_loops`.
    """
    given = loops.start, single[loops.device], loops.can_open, rating_va, most_va, most_states
    count = _pair_up(*given, np.empty(0, np.int64), np.empty(0, np.int64))
    worked, opened = np.empty(count, np.int64), np.empty(count, np.int64)
    _pair_up(*given, worked, opened)
    return Pairs(opened, worked, np.searchsorted(worked, np.arange(len(loops.device) + 1)))


@njit(cache=True)
def _pair_up(  # noqa: PLR0917 - compiled: flat arrays only
    start: Ints,
    single: Bools,
    can_open: Bools,
    rating: Floats,
    most_va: float,
    most_states: int,
    worked: Ints,
    opened: Ints,
) -> int:
    """Number of pairs, which are written where there is room; opened devices rising."""
    n = 0
    for i in range(len(start) - 1):
        first, last = start[i], start[i + 1] - 1
        many = (last - first + 1) * (last - first) > most_states
        for w in range(first, last + 1):
            if not single[w]:
                continue
            down, up = _window(rating, w, first, last, most_va) if many else (first, last)
            o = first
            while o <= last:
                if o != w and can_open[o]:
                    if len(worked):
                        worked[n], opened[n] = w, o
                    n += 1
                o = _following(o, down, up, last)
    return n


@njit(cache=True)
def _window(  # noqa: PLR0917 - compiled: flat arrays only
    rating: Floats, w: int, first: int, last: int, most_va: float
) -> tuple[int, int]:
    """First and last device between which and this one no more than so much is rated."""
    down, up = w, w
    while up < last and abs(rating[up + 1] - rating[w]) <= most_va:
        up += 1
    while down > first and abs(rating[w] - rating[down - 1]) <= most_va:
        down -= 1
    return down, up


@njit(cache=True)
def _following(o: int, down: int, up: int, last: int) -> int:
    """The device after this one, all of them from ``down`` to ``up``, with doubling steps away from there."""
    step = 1
    if o < down:
        while step * 2 < down - o:
            step *= 2
        return down - step if down - o > 1 else down
    if o < up or o == last:
        return o + 1
    while step <= o - up:
        step *= 2
    return min(up + step, last)


def along_loops(loops: Loops, below: Floats) -> Floats:
    """Running sums along each loop, whose difference at two devices is what hangs between them.

    ``below``: what hangs below each device, last axis, see :func:`sections_below`.
    """
    return below * loops.side


def sections_below(loops: Loops, sections: Sections) -> Sections:
    """All that hangs below every device of the loops in the normal state, as sections."""
    none, n = np.full(len(loops.device), -1, np.int64), len(loops.device)
    views = []
    for (low, high), view in zip(loops.bounds, sections.views, strict=False):
        zero, no = np.zeros(n, np.int64), np.zeros(n, bool)
        bounds = {"low": low, "high": high, "tree_low": zero, "tree_high": zero}
        views.append(replace(view, **bounds, inverted=no, exposes=high > low))
    exposes = np.logical_or.reduce([view.exposes for view in views])
    return Sections(loops.device, none, none, exposes, tuple(views), sections.graph)


def pair_sections(loops: Loops, pairs: Pairs, *, sections: Sections) -> Sections:
    """What every pair's worked device exposes in that state: all that hangs between the two devices."""
    # RULE 10: what hangs between the two, whichever is open
    first = np.minimum(pairs.opened, pairs.worked)
    last = np.maximum(pairs.opened, pairs.worked)
    views = []
    for k, view in enumerate(sections.views):
        views.append(_between(loops, loops.bounds[k], view=view, first=first, last=last))
    exposes = np.logical_or.reduce([view.exposes for view in views])
    none = np.full(len(first), -1, np.int64)
    return Sections(loops.device[pairs.worked], none, none, exposes, tuple(views), sections.graph)


def _between(loops: Loops, bounds: Ints, *, view: PhaseView, first: Ints, last: Ints) -> PhaseView:
    """Intervals of what hangs between two devices of a loop: the ends of one less the other, or of both.

    Both are what comes before and after a middle part, which is left out: of the deeper device where one hangs below
    the other, of what lies between them where they hang on either side.
    """
    (low_a, high_a), (low_b, high_b) = bounds[:, first], bounds[:, last]
    side_a, side_b = loops.side[first], loops.side[last]
    # on the way down the later device hangs below the earlier one, on the way up above it
    below, above = side_b < 0, side_a > 0
    apart = (side_a < 0) & (side_b > 0)
    swapped = apart & (low_b < low_a)
    tree_low = np.select([below, above, swapped, apart, side_a == 0], [low_a, low_b, low_b, low_a, low_b], low_a)
    tree_high = np.select([below, above, swapped, apart, side_a == 0], [high_a, high_b, high_a, high_b, high_b], high_a)
    low = np.select([below, above, swapped, apart], [low_b, low_a, high_b, high_a], tree_low)
    high = np.select([below, above, swapped, apart], [high_b, high_a, low_a, low_b], tree_low)
    return replace(
        view,
        low=low,
        high=high,
        tree_low=tree_low,
        tree_high=tree_high,
        inverted=np.ones(len(low), bool),
        exposes=(low > tree_low) | (tree_high > high),
    )


class Devices(NamedTuple):
    """Devices of loops, each shape (n_devices,): can be opened; first and last device in the same place.

    ``gangs``: number of three-pole ones before each, and of all, shape (n_devices + 1,); ``order``: single-pole ones,
    those in one place as they stand there, shape (n_single,), of each loop from ``order_start`` on.
    """

    can_open: Bools
    gangs: Ints
    first: Ints
    last: Ints
    order: Ints
    order_start: Ints


def stand(loops: Loops, network: Network) -> Devices:
    """How the devices of the loops stand; those in one place stand by id from the node to the cable (rule 3)."""
    graph, device, loop = network.graph, loops.device, loops.loop
    single = network.tables.switches["single_pole"].to_numpy(bool)[device]
    new = heads(loop, graph.spot[device])
    group = np.cumsum(new) - 1
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(device)) - 1
    from_node = graph.far[device[first]] == graph.near[device[np.minimum(first + 1, len(device) - 1)]]
    shared = np.flatnonzero((last > first)[group])
    by_name = np.zeros(len(device), np.int64)
    by_name[shared] = np.argsort(by_id(network.tables.switches, device[shared]))
    order = np.lexsort((np.where(from_node[group], by_name, -by_name), group))
    order = order[single[order]]
    return Devices(
        can_open=loops.can_open,
        gangs=np.concatenate([[0], np.cumsum(~single)]),
        first=first[group],
        last=last[group],
        order=order,
        order_start=np.append(0, np.cumsum(single))[loops.start],
    )


class Met(NamedTuple):
    """Sites that states of a loop reroute; each shape (n,).

    ``site``, its ``zone`` (number of the device before it), ``gang``: a three-pole device stands between the site and
    the loop, ``points``: number of switching points between the two, ``steps``: of edges.
    """

    site: Ints
    zone: Ints
    gang: Bools
    points: Ints
    steps: Ints

    def taken(self, which: Ints) -> Met:
        """Some of them."""
        return Met(self.site[which], self.zone[which], self.gang[which], self.points[which], self.steps[which])


def sites_met(loops: Loops, *, site_node: Ints, upstream: Upstream, sections: Sections, gang: Bools) -> Met:
    """All sites between the first and the last device of every loop, sorted by loop and site.

    ``site_node``: node of each site, -1 out of reach. ``gang``: edges that are closed three-pole devices.
    """
    n = len(loops.tie)
    first, last = loops.start[:-1], loops.start[1:] - 1
    graph, view = sections.graph, sections.views[0]
    view = replace(view, share=1.0, bits=THREE_PHASE, forest=view.forest._replace(place=loops.place))
    whole = _between(loops, loops.bounds[-1], view=view, first=first, last=last)
    found = Sections(first, first, first, np.ones(n, bool), (whole,), graph)
    loop, site = found.members(np.arange(n), site_node)
    zone, ganged, points, steps = _climb_to_loop(
        loop,
        site_node[site],
        loops.node_start,
        loops.node,
        loops.node_zone,
        upstream.parent_edge,
        graph.a,
        graph.b,
        sections.stopping_edges(),
        gang,
    )
    good = zone >= 0
    return Met(site[good], zone[good], ganged[good], points[good], steps[good])


@njit(cache=True)
def _climb_to_loop(  # noqa: PLR0913, PLR0917 - compiled: flat arrays only
    loop: Ints,
    node: Ints,
    node_start: Ints,
    on_loop: Ints,
    node_zone: Ints,
    parent_edge: Ints,
    a: Ints,
    b: Ints,
    stops: Bools,
    gang: Bools,
) -> tuple[Ints, Bools, Ints, Ints]:
    """Zone in which each site's way up meets its loop, and what it passes before; loops rising."""
    mark = np.full(len(parent_edge), -1, np.int64)
    at = np.full(len(parent_edge), -1, np.int64)
    zone = np.full(len(loop), -1, np.int64)
    ganged = np.zeros(len(loop), np.bool_)
    points, steps = np.zeros(len(loop), np.int64), np.zeros(len(loop), np.int64)
    marked = -1
    for i in range(len(loop)):
        if loop[i] != marked:
            marked = loop[i]
            for k in range(node_start[marked], node_start[marked + 1]):
                mark[on_loop[k]] = marked
                at[on_loop[k]] = node_zone[k]
        v = node[i]
        while mark[v] != marked and parent_edge[v] >= 0:
            e = parent_edge[v]
            ganged[i] |= gang[e]
            points[i] += stops[e]
            steps[i] += 1
            v = a[e] if b[e] == v else b[e]
        if mark[v] == marked:
            zone[i] = at[v]
    return zone, ganged, points, steps
