"""Sections lie inside one another: an order of their cables in which each section is one run.

A page that lists every cable of every section would repeat a cable once for each switching point above it. In an order
that keeps each section together, a section is its first place and its length. Sections that overlap without nesting
become several runs; nothing is lost.
"""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Ints, Ragged, ranges


def any_of(sets: Ragged, marked: Bools) -> Bools:
    """Whether each set holds a marked row."""
    return np.bincount(sets.owner, weights=marked[sets.flat], minlength=len(sets)) > 0


@dataclass(frozen=True)
class Runs:
    """Sets of rows as runs of places in an order.

    ``order`` the row at each place. Shape (n_items,); ``counts`` number of runs of each set. Shape (n_sets,);
    ``starts``, ``lengths`` first place and length of each run, set by set. Shape (sum of counts,); ``first_items``
    number of leading places taken by the sets that come first.
    """

    order: Ints
    counts: Ints
    starts: Ints
    lengths: Ints
    first_items: int


def pack_sets(sets: Ragged, n_items: int, *, first: Bools) -> Runs:
    """Order the items so that nested sets are runs; sets marked ``first`` lead."""
    ranked = np.lexsort((np.arange(len(sets)), -sets.counts, ~first))
    ranked = ranked[sets.counts[ranked] > 0]
    key = _item_keys(sets.taken(ranked), n_items)
    order = np.argsort(key, kind="stable").astype(np.int64)
    place = np.empty(n_items, dtype=np.int64)
    place[order] = np.arange(n_items)
    leading = place[sets.flat[np.repeat(first, sets.counts)]]
    return Runs(order, *_runs(sets, place), first_items=int(leading.max(initial=-1)) + 1)


def _item_keys(ranked: Ragged, n_items: int) -> Ints:
    """Sort key of every item: larger sets are laid out first, the smaller ones inside them, then what is left."""
    n_sets = len(ranked)
    parent = _parents(ranked, n_items)
    ends = np.append(np.zeros(n_sets, dtype=np.int64), np.iinfo(np.int64).max)
    level = np.flatnonzero(parent < 0)
    start = np.cumsum(ranked.counts[level]) - ranked.counts[level]
    by_parent = np.argsort(parent, kind="stable")
    firsts = np.searchsorted(parent[by_parent], np.arange(n_sets + 1))
    while len(level):
        n_children = firsts[level + 1] - firsts[level]
        children = by_parent[ranges(firsts[level], n_children)]
        before = np.cumsum(ranked.counts[children]) - ranked.counts[children]
        heads = np.cumsum(n_children) - n_children
        totals = np.append(np.cumsum(ranked.counts[children]), 0)
        base = np.where(n_children > 0, np.append(before, 0)[np.minimum(heads, len(children))], 0)
        ends[level] = start + np.where(n_children > 0, totals[heads + n_children - 1] - base, 0)
        start = np.repeat(start - base, n_children) + before
        level = children
    holder = np.full(n_items, -1, dtype=np.int64)
    holder[ranked.flat] = ranked.owner
    return ends[holder]


def _parents(ranked: Ragged, n_items: int) -> Ints:
    """The smallest larger set that holds the first row of each set; -1 for none."""
    first_rows = ranked.flat[ranked.start[:-1]]
    is_first = np.zeros(n_items, dtype=bool)
    is_first[first_rows] = True
    places = np.flatnonzero(is_first[ranked.flat])
    owner = ranked.owner[places]
    rows = ranked.flat[places]
    order = np.argsort(rows, kind="stable")
    rows, owner, places = rows[order], owner[order], places[order]
    above = np.where(np.append(False, rows[1:] == rows[:-1]), np.append(-1, owner[:-1]), -1)[: len(rows)]
    parent = np.full(len(ranked), -1, dtype=np.int64)
    at_head = places == ranked.start[:-1][owner]
    parent[owner[at_head]] = above[at_head]
    return parent


def _runs(sets: Ragged, place: Ints) -> tuple[Ints, Ints, Ints]:
    filled = np.flatnonzero(sets.counts)
    counts = (sets.counts > 0).astype(np.int64)
    if len(filled) == 0:
        return counts, np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    places, sizes, heads = place[sets.flat], sets.counts[filled], sets.start[:-1][filled]
    low, high = np.minimum.reduceat(places, heads), np.maximum.reduceat(places, heads)
    broken = np.flatnonzero(high - low + 1 != sizes)
    starts, lengths = list(np.split(low, broken)), list(np.split(sizes, broken))
    for number, index in enumerate(broken.tolist(), start=1):
        first, size = heads[index], sizes[index]
        run_starts, run_lengths = _split_runs(np.sort(places[first : first + size]))
        counts[filled[index]] = len(run_starts)
        starts[number] = np.concatenate([run_starts, starts[number][1:]])
        lengths[number] = np.concatenate([run_lengths, lengths[number][1:]])
    return counts, np.concatenate(starts), np.concatenate(lengths)


def _split_runs(places: Ints) -> tuple[Ints, Ints]:
    heads = np.flatnonzero(np.diff(places, prepend=places[0] - 2) != 1)
    return places[heads], np.diff(heads, append=len(places))
