"""A ragged sequence is a sequence."""

from __future__ import annotations

import numpy as np
import pytest

from survey.ragged import Ragged

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
