"""The worst point of every zone of a loop over all states, in one sweep a state and side.

A state opens one device of the loop; each of its two sides is then fed from its own end. Going from the head towards
the open device the points passed are those on the way of whatever hangs further on, so that the worst is carried along.
As in the normal state the nearest point always counts, the others up to ``worst_kva``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.compiled import njit

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


@njit(cache=True)
def _scaled(value: float, share: float) -> float:
    return value * share if value >= 0.0 else value


# one loop: the states share what is carried along
@njit(cache=True)
def worst_in_zones(  # noqa: PLR0912, PLR0913, PLR0917, C901 - compiled: flat arrays only
    start: Ints,
    can_open: Bools,
    single: Bools,
    gang: Bools,
    pair_start: Ints,
    value: Floats,
    rating: Floats,
    exposes: Bools,
    above: Ints,
    above_gang: Bools,
    up: Ints,
    up_gang: Bools,
    normal_value: Floats,
    normal_rating: Floats,
    most_va: float,
    kept: float,
) -> tuple[Floats, Ints, Ints]:
    """Columns of :class:`Zones`.

    Parameters
    ----------
    start, can_open, single, gang
        First device of every loop; which can be opened, work pole by pole, or are closed three-pole ones.
    pair_start, value, rating, exposes
        First pair of every opened device; score by family, rating and whether the pair exposes anything.
    above, above_gang
        Section above the head of every loop, -1 without one, and whether a three-pole device stands between.
    up, up_gang, normal_value, normal_rating
        The same of every section of the normal state; its score by family and its rating.
    most_va
        Rating up to which a point that is not the nearest counts.
    kept
        Share of a score that a three-pole device between leaves.
    """
    n_families, n = len(value), len(single)
    best = np.full((n_families, n, 4), NONE)
    found = np.full((n_families, n, 4), -1, np.int64)
    opened = np.full((n_families, n, 4), -1, np.int64)
    for i in range(len(start) - 1):
        for o in range(start[i], start[i + 1]):
            if not can_open[o]:
                continue
            for way in (1, -1):
                for f in range(n_families):
                    plain, ganged, near = NONE, NONE, NONE
                    plain_at, ganged_at, near_at = -1, -1, -1
                    near_ganged = False
                    s, between, nearest = above[i], above_gang[i], True
                    while s >= 0 and (nearest or normal_rating[s] <= most_va):
                        v = normal_value[f, s]
                        if nearest:
                            near, near_at, near_ganged = v, NORMAL - s, between
                        if normal_rating[s] <= most_va:
                            if between and v > ganged + SAME:
                                ganged, ganged_at = v, NORMAL - s
                            elif not between and v > plain + SAME:
                                plain, plain_at = v, NORMAL - s
                        nearest = False
                        between |= up_gang[s]
                        s = up[s]
                    p = pair_start[o] if way > 0 else pair_start[o + 1] - 1
                    k = start[i] if way > 0 else start[i + 1] - 1
                    while k != o:
                        if gang[k]:
                            if plain >= ganged - SAME:
                                ganged, ganged_at = plain, plain_at
                            plain, plain_at, near_ganged = NONE, -1, True
                        if single[k]:
                            if exposes[p]:
                                near, near_at, near_ganged = value[f, p], p, False
                                if rating[p] <= most_va and value[f, p] >= plain - SAME:
                                    plain, plain_at = value[f, p], p
                            p += way
                        zone = k if way > 0 else k - 1
                        for slot in range(4):
                            share = kept if slot >= 2 else 1.0
                            c, at = _scaled(plain, share), plain_at
                            far = _scaled(ganged, kept)
                            if far > c + SAME:
                                c, at = far, ganged_at
                            beside = _scaled(near, kept if near_ganged else share)
                            if slot % 2 == 0 and beside >= c - SAME:
                                c, at = beside, near_at
                            if c >= 0.0 and c > best[f, zone, slot] + SAME:
                                best[f, zone, slot], found[f, zone, slot], opened[f, zone, slot] = c, at, o
                        k += way
    return best, found, opened
