"""Sections lie inside one another: an order of their cables in which each section is one run.

A page that lists every cable of every section would repeat a cable once for each switching point above it. In an order
that keeps each section together, a section is its first place and its length. Sections that overlap without nesting
become several runs; nothing is lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Runs:
    """Sets of rows as runs of places in an order.

    Parameters
    ----------
    order
        The row at each place. Shape (n_items,).
    counts
        Number of runs of each set. Shape (n_sets,).
    starts, lengths
        First place and length of each run, set by set. Shape (sum of counts,).
    first_items
        Number of leading places taken by the sets that come first.
    """

    order: Rows
    counts: Rows
    starts: Rows
    lengths: Rows
    first_items: int


def pack_sets(sets: Sequence[Rows], n_items: int, *, first: NDArray[np.bool_]) -> Runs:
    """Order the items so that nested sets are runs; sets marked ``first`` lead. Sets hold no row twice."""
    sizes = np.fromiter((len(rows) for rows in sets), dtype=np.int64, count=len(sets))
    ranked = np.lexsort((np.arange(len(sets)), -sizes, ~first))
    key = _places(sets, ranked[sizes[ranked] > 0], n_items)
    order = np.argsort(key, kind="stable").astype(np.int64)
    place = np.empty(n_items, dtype=np.int64)
    place[order] = np.arange(n_items)
    counts, starts, lengths = _runs(sets, sizes, place)
    leading = [rows for rows, is_first in zip(sets, first.tolist(), strict=True) if is_first and len(rows)]
    first_items = int(max((place[rows].max() for rows in leading), default=-1)) + 1
    return Runs(order, counts, starts, lengths, first_items)


def _places(sets: Sequence[Rows], ranked: Rows, n_items: int) -> Rows:
    """Sort key of every item: larger sets are laid out before the smaller ones inside them."""
    holder = np.full(n_items, -1, dtype=np.int64)
    cursor = np.zeros(len(sets) + 1, dtype=np.int64).tolist()
    for index in ranked.tolist():
        rows = sets[index]
        parent = int(holder[rows[0]])
        cursor[index] = cursor[parent]
        cursor[parent] += len(rows)
        holder[rows] = index
    ends = np.asarray(cursor)
    ends[-1] = np.iinfo(np.int64).max
    return np.asarray(ends[holder], dtype=np.int64)


def _runs(sets: Sequence[Rows], sizes: Rows, place: Rows) -> tuple[Rows, Rows, Rows]:
    filled = np.flatnonzero(sizes)
    counts = (sizes > 0).astype(np.int64)
    if len(filled) == 0:
        return counts, np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    places = place[np.concatenate([sets[index] for index in filled.tolist()])]
    offsets = np.concatenate([[0], np.cumsum(sizes[filled])[:-1]])
    low, high = np.minimum.reduceat(places, offsets), np.maximum.reduceat(places, offsets)
    broken = np.flatnonzero(high - low + 1 != sizes[filled])
    starts, lengths = list(np.split(low, broken)), list(np.split(sizes[filled], broken))
    for number, index in enumerate(broken.tolist(), start=1):
        first, size = offsets[index], sizes[filled[index]]
        heads, spans = _split_runs(np.sort(places[first : first + size]))
        counts[filled[index]] = len(heads)
        starts[number] = np.concatenate([heads, starts[number][1:]])
        lengths[number] = np.concatenate([spans, lengths[number][1:]])
    return counts, np.concatenate(starts), np.concatenate(lengths)


def _split_runs(places: Rows) -> tuple[Rows, Rows]:
    heads = np.flatnonzero(np.diff(places, prepend=places[0] - 2) != 1)
    return places[heads], np.diff(heads, append=len(places))
