"""The worst point of every zone of a loop over all states, in one sweep a side.

A state opens one device of the loop; each of its two sides is then fed from its own end. A zone beyond which that
device stands is exposed by every point between it and the end. As in the normal state the nearest point always counts,
the others up to ``worst_kva``; a three-pole device between the two lowers a score. Of devices in one place the order
is not known: in every state it is the one that hides no single-pole device, so that three-pole ones come first from
the supply (rule 3). Everything is numbered from the end that feeds: the other end is the same with numbers mirrored.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.loops import njit
from survey.network.ties.states import Devices

NONE = -1.0
SAME = 1e-9
NORMAL = -2
"""What is found at ``NORMAL - k`` is section k of the normal state."""


class Zones(NamedTuple):
    """Worst point of every zone; each shape (n_families, n_devices, 4), a zone is numbered as the device before it.

    The last axis is 2 x (a three-pole device between site and loop) + (a point between site and loop). ``score`` of
    the point, ``NONE`` without one; ``found`` pair, or section at ``NORMAL - k``; ``opened`` device of its state.
    """

    score: Floats
    found: Ints
    opened: Ints


class Scores(NamedTuple):
    """Pairs of a worked and an opened device, by the worked one: see :class:`survey.network.ties.states.Pairs`.

    ``value`` score by family and pair; ``counts``: the rating of its section counts for ``worst_kva``.
    """

    start: Ints
    opened: Ints
    value: Floats
    counts: Bools


class Above(NamedTuple):
    """What stands above the head of each loop in the normal state; each shape (n_families, n_loops).

    ``value`` and ``section`` (-1) of the worst of three kinds, last axis: nearest, reached without passing a
    three-pole device, reached past one. ``ganged``: a three-pole device stands before the nearest, shape (n_loops,).
    """

    value: Floats
    section: Ints
    ganged: Bools


@njit(cache=True)
def points_above(  # noqa: PLR0917 - compiled: flat arrays only
    above: Ints, above_gang: Bools, up: Ints, up_gang: Bools, value: Floats, counts: Bools
) -> tuple[Floats, Ints]:
    """Columns of :class:`Above`: from the section above each head up as long as sections count.

    ``above``, ``above_gang``: section above the head of every loop, -1 without one, and whether a three-pole device
    stands between. ``up``, ``up_gang``: the same of every section. ``value``, ``counts``: score by family and section;
    whether its rating counts for ``worst_kva``.
    """
    best = np.full((len(value), len(above), 3), NONE)
    at = np.full((len(value), len(above), 3), -1, np.int64)
    for f in range(len(value)):
        for i in range(len(above)):
            s, between = above[i], above_gang[i]
            if s >= 0:
                best[f, i, 0], at[f, i, 0] = value[f, s], s
            while s >= 0 and counts[s]:
                kind = 2 if between else 1
                if value[f, s] > best[f, i, kind] + SAME:
                    best[f, i, kind], at[f, i, kind] = value[f, s], s
                between |= up_gang[s]
                s = up[s]
    return best, at


@njit(cache=True)
def _note(  # noqa: PLR0917 - compiled: flat arrays only
    zones: Zones, at: tuple[int, int, int], value: float, share: float, found: int, opened: int
) -> None:
    """Take a point for a zone where it is worse than what is known."""
    value = value * share if value >= 0.0 else value
    if value >= 0.0 and value > zones.score[at] + SAME:
        zones.score[at], zones.found[at], zones.opened[at] = value, found, opened


@njit(cache=True)
def _sweep_points(  # noqa: PLR0917, C901 - compiled: flat arrays only
    zones: Zones, f: int, ends: tuple[int, int], way: int, devices: Devices, order: Ints, states: Scores, kept: float
) -> int:
    """All points of one loop from one end, the nearest to each zone first; returns the first zone that has one.

    Mirrored numbers: device ``k`` is ``ends[0] + ends[1] - k`` from the other end.
    """
    low, high = ends
    turn = low + high
    until = high
    for j in range(len(order)):
        real = order[len(order) - 1 - j if way > 0 else j]
        w_end = devices.last[real] if way > 0 else turn - devices.first[real]
        w_start = devices.first[real] if way > 0 else turn - devices.last[real]
        any_value = counted = NONE
        any_at = counted_at = -1
        p0, p1 = states.start[real], states.start[real + 1]
        for m in range(p1 - p0):
            p = p1 - 1 - m if way > 0 else p0 + m
            o = states.opened[p] if way > 0 else turn - states.opened[p]
            if o <= w_end:
                break
            if states.value[f, p] > any_value:
                any_value, any_at = states.value[f, p], p
            if states.counts[p] and states.value[f, p] > counted:
                counted, counted_at = states.value[f, p], p
            q = p - 1 if way > 0 else p + 1
            before = w_end
            if p0 <= q < p1:
                before = max(before, states.opened[q] if way > 0 else turn - states.opened[q])
            stop = o if counted >= 0.0 else min(o, until)
            for z in range(before, stop):
                zone = z if way > 0 else turn - z - 1
                ganged = _three_poles(devices.gangs, w_end, z, turn, way) > 0
                for slot in range(4):
                    share = kept if ganged or slot >= 2 else 1.0
                    nearest = z < until and slot % 2 == 0
                    value, at = (any_value, any_at) if nearest else (counted, counted_at)
                    _note(zones, (f, zone, slot), value, share, at, states.opened[max(at, 0)])
        until = min(until, w_start)
    return until


@njit(cache=True)
def _three_poles(  # noqa: PLR0917 - compiled: flat arrays only
    gangs: Ints, after: int, z: int, turn: int, way: int
) -> int:
    """Number of three-pole devices after one and up to a zone."""
    if way > 0:
        return gangs[z + 1] - gangs[after + 1]
    return gangs[turn - after] - gangs[turn - z]


@njit(cache=True)
def worst_in_zones(  # noqa: PLR0917 - compiled: flat arrays only
    start: Ints, devices: Devices, states: Scores, above: Above, kept: float
) -> Zones:
    """Worst point of every zone.

    ``start``: first device of every loop and one past the last. ``kept``: share of a score that a three-pole device
    between leaves.
    """
    shape = (len(states.value), len(devices.can_open), 4)
    zones = Zones(np.full(shape, NONE), np.full(shape, -1, np.int64), np.full(shape, -1, np.int64))
    for f in range(shape[0]):
        for i in range(len(start) - 1):
            low, high = start[i], start[i + 1] - 1
            order = devices.order[devices.order_start[i] : devices.order_start[i + 1]]
            for way in (1, -1):
                first = _sweep_points(zones, f, (low, high), way, devices, order, states, kept)
                _sweep_above(zones, f, (low, high), way, devices, above, i, first, kept)
    return zones


@njit(cache=True)
def _sweep_above(  # noqa: PLR0913, PLR0917 - compiled: flat arrays only
    zones: Zones,
    f: int,
    ends: tuple[int, int],
    way: int,
    devices: Devices,
    above: Above,
    loop: int,
    first: int,
    kept: float,
) -> None:
    """The points above the head of the loop, the same in all its states; ``first`` zone with a nearer one."""
    low, high = ends
    turn, opened = low + high, -1
    for z in range(high - 1, low - 1, -1):
        beyond = z + 1 if way > 0 else turn - z - 1
        opened = beyond if devices.can_open[beyond] else opened
        zone = z if way > 0 else turn - z - 1
        past_one = _three_poles(devices.gangs, low - 1, z, turn, way) > 0
        for slot in range(4 if opened >= 0 else 0):
            past = past_one or slot >= 2
            for kind in range(3):
                if kind == 0 and (z >= first or slot % 2):
                    continue
                share = kept if past or kind == 2 or (kind == 0 and above.ganged[loop]) else 1.0
                found = NORMAL - above.section[f, loop, kind]
                _note(zones, (f, zone, slot), above.value[f, loop, kind], share, found, opened)
