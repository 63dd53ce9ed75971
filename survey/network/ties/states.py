"""States: one device of a loop is open; what each other single-pole device of it exposes, and which sites it meets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from survey.arrays import Bools, Ints, ranges
from survey.compiled import njit
from survey.network.walk.sections import PhaseView, Sections
from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from survey.network.ties.loops import Loops
    from survey.network.walk.upstream import Upstream


@dataclass(frozen=True)
class Pairs:
    """Pairs of devices of one loop: one is open, the other one's poles are worked; sorted by the open one.

    Parameters
    ----------
    opened, worked
        Numbers of the devices among those of the loops, shape (n_pairs,).
    start
        First pair of every opened device and one past the last, shape (n_devices + 1,).
    """

    opened: Ints
    worked: Ints
    start: Ints


def pair_devices(loops: Loops, *, single: Bools) -> Pairs:
    """All pairs of a device that can be opened and a single-pole one; with the tie open it is the normal state.

    Parameters
    ----------
    single
        Devices that work pole by pole, per switch.
    """
    count = np.diff(loops.start)
    n, loop = len(loops.device), loops.loop
    opened = np.repeat(np.arange(n), count[loop])
    worked = ranges(loops.start[:-1][loop], count[loop])
    normal = (loops.side == 0) & (loops.tie[loop] >= 0)
    kept = (opened != worked) & single[loops.device[worked]] & ~normal[opened]
    opened, worked = opened[kept], worked[kept]
    return Pairs(opened, worked, np.searchsorted(opened, np.arange(n + 1)))


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

    Parameters
    ----------
    site_node
        Node of each site, -1 out of reach.
    gang
        Edges that are closed three-pole devices.
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
