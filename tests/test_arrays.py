"""Groups of sorted rows, and a ragged sequence that is a sequence."""

from __future__ import annotations

import numpy as np
import pytest

from survey.arrays import Ragged, distinct, heads, ranges

R = Ragged.from_pairs(np.array([0, 0, 2]), np.array([5, 7, 9]), n=4)


def test_items_lengths_and_owners():
    assert [item.tolist() for item in R] == [[5, 7], [], [9], []]
    assert R.counts.tolist() == [2, 0, 1, 0]
    assert R.owner.tolist() == [0, 0, 2]
    assert len(R) == 4


def test_index_from_both_ends_and_slices():
    assert R[0].tolist() == [5, 7]
    assert R[-2].tolist() == [9]
    assert [item.tolist() for item in R[1:3]] == [[], [9]]
    with pytest.raises(IndexError):
        R[4]


def test_of_nothing():
    empty = Ragged.from_pairs(np.empty(0, np.int64), np.empty(0, np.int64), n=0)
    assert list(empty) == []


def test_items_are_taken_in_any_order_and_more_than_once():
    assert [item.tolist() for item in R.taken(np.array([2, 1, 0, 2]))] == [[9], [], [5, 7], [9]]


def test_grouped_pairs_keep_the_order_of_one_owner():
    items = Ragged.grouped(np.array([2, 0, 2]), np.array([9, 5, 7]), n=3)
    assert [item.tolist() for item in items] == [[5], [], [9, 7]]


def test_ranges_end_to_end():
    assert ranges(np.array([5, 0, 8]), np.array([2, 0, 3])).tolist() == [5, 6, 8, 9, 10]
    assert ranges(np.empty(0, np.int64), np.empty(0, np.int64)).tolist() == []


def test_heads_of_groups_by_one_key_and_by_two():
    a, b = np.array([1, 1, 2, 2]), np.array([7, 8, 8, 8])
    assert heads(a).tolist() == [True, False, True, False]
    assert heads(a, b).tolist() == [True, True, True, False]
    assert heads(a[:0]).tolist() == []


@pytest.mark.parametrize("rows", [[], [7], [900, 3, 900], [2, 0, 2, 1, 5, 5]])
def test_row_numbers_each_once(rows):
    assert distinct(np.array(rows, np.int64)).tolist() == sorted(set(rows))
