"""Things in the visiting order of a forest, what of them stands in intervals of it, and sums over those.

Each loop has its like by arrays, for few things.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, heads, ranges
from survey.loops import njit


class Ends(NamedTuple):
    """Where sections begin and end in a row of things, each of shape (n_sections,).

    A section is what lies between ``low`` and ``high`` or, ``inverted``, what lies on both sides of that, between
    ``tree_low`` and ``tree_high``.
    """

    low: Ints
    high: Ints
    tree_low: Ints
    tree_high: Ints
    inverted: Bools


class Standing(NamedTuple):
    """Things in a visiting order: ``rank`` of each (-1: nowhere), ``row`` by rank; ``ends`` of sections among them."""

    rank: Ints
    row: Ints
    ends: Ends

    def sums(self, value: Floats) -> Floats:
        """Sums of a value of each over every section."""
        return sums(self.rank, value, self.ends, np.empty(len(self.row) + 1))


def stand(place: Ints, n_places: int, ends: Ends) -> Standing:
    """Things at places (-1: nowhere) and sections as intervals of the places."""
    before, rank, row = in_order(place, n_places)
    low, high = before[ends.low], before[ends.high]
    trees = (before[ends.tree_low], before[ends.tree_high]) if ends.inverted.any() else (low, high)
    return Standing(rank, row, Ends(low, high, *trees, ends.inverted))


def together(which: Ints, standings: Sequence[Standing]) -> tuple[Ints, Ints]:
    """Pairs of a section (position in ``which``) and what stands on it in any of the orders, each once, sorted."""
    things = max(len(standings[0].rank), 1)
    pair = np.sort(np.concatenate([_pairs(which, standing, things) for standing in standings]))
    return np.divmod(pair[heads(pair)], things)


def _pairs(which: Ints, standing: Standing, things: int) -> Ints:
    """Position in ``which`` times the number of things, plus the thing, of all that stands on a section."""
    low, high, tree_low, tree_high, inverted = (end[which] for end in standing.ends)
    # an inverted section is what comes before and what comes after the interval, both inside the tree
    starts = np.stack([np.where(inverted, tree_low, low), high], axis=1)
    ends = np.stack([np.where(inverted, low, high), np.where(inverted, tree_high, high)], axis=1)
    count = (ends - starts).ravel()
    return np.repeat(np.repeat(np.arange(len(which)) * things, 2), count) + standing.row[ranges(starts.ravel(), count)]


def _in_order(place: Ints, n_places: int) -> Any:  # noqa: ANN401 - as below
    there = np.flatnonzero(place >= 0)
    before = np.append(0, np.cumsum(np.bincount(place[there], minlength=n_places))).astype(np.int32)
    row = there[np.argsort(place[there], kind="stable")].astype(np.int32)
    rank = np.full(len(place), -1, np.int32)
    rank[row] = np.arange(len(row))
    return before, rank, row


@njit(cache=True, plain=_in_order)
def in_order(place: Ints, n_places: int) -> Any:  # noqa: ANN401 - three arrays of whole numbers of 32 bits
    """Bring things in the order of their places (-1: nowhere), those of one place in their own.

    Returns how many stand before every place, shape (n_places + 1,), the rank of each (-1), and which they are by rank.
    """
    before = np.zeros(n_places + 1, np.int32)
    for p in place:
        if p >= 0:
            before[p + 1] += 1
    for p in range(n_places):
        before[p + 1] += before[p]
    following = before[:-1].copy()
    rank = np.full(len(place), -1, np.int32)
    row = np.empty(before[n_places], np.int32)
    for i in range(len(place)):
        if place[i] >= 0:
            rank[i] = following[place[i]]
            row[rank[i]] = i
            following[place[i]] += 1
    return before, rank, row


def _sums(place: Ints, value: Floats, ends: Ends, running: Floats) -> Floats:
    there = np.flatnonzero(place >= 0)
    running[0] = 0.0
    np.cumsum(np.bincount(place[there], weights=value[there], minlength=len(running) - 1), out=running[1:])
    low, high, tree_low, tree_high = (running[end] for end in ends[:4])
    return np.where(ends.inverted, (low - tree_low) + (tree_high - high), high - low)


@njit(cache=True, plain=_sums)
def sums(place: Ints, value: Floats, ends: Ends, running: Floats) -> Floats:
    """Sums of values of things at places (-1: nowhere) over sections; of nothing it is exactly nothing.

    ``running``: room for running sums, shape (n_places + 1,).
    """
    running[:] = 0.0
    for i in range(len(place)):
        if place[i] >= 0:
            running[place[i] + 1] += value[i]
    for p in range(len(running) - 1):
        running[p + 1] += running[p]
    found = np.empty(len(ends.low))
    for k in range(len(found)):
        low, high = running[ends.low[k]], running[ends.high[k]]
        found[k] = high - low
        if ends.inverted[k]:
            found[k] = (low - running[ends.tree_low[k]]) + (running[ends.tree_high[k]] - high)
    return found
