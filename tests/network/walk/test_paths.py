"""Walked paths are kept up to a limit."""

from __future__ import annotations

import numpy as np
import pytest
from build import named, oh, survey

from survey.network.walk import islands, walks
from survey.network.walk.walks import kept_paths


def test_all_paths_are_kept_where_there_is_room():
    count, left_out = kept_paths(np.array([3, 0, 4]), room=7)
    assert (count.tolist(), left_out) == ([3, 0, 4], 0)


def test_the_longest_paths_are_left_out_first():
    count, left_out = kept_paths(np.array([3, 9, 1, 4]), room=8)
    assert (count.tolist(), left_out) == ([3, 0, 1, 4], 1)


@pytest.mark.parametrize("sources", [[("g", "g")], []])
def test_a_path_that_is_left_out_leaves_the_rest_complete(sources, monkeypatch):
    monkeypatch.setattr(walks, "MOST_PATH_EDGES", 3)
    monkeypatch.setattr(islands, "MOST_PATH_EDGES", 3)
    cables = [oh(named("c0", "g", "n0", 1)), *(named(f"c{k}", f"n{k - 1}", f"n{k}", 2) for k in (1, 2, 3))]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2"), ("s3", "n3")], switches=[("w", "n0")], sources=sources)
    assert s.walks() == {"s1": ("w", 2, 2), "s2": ("w", 4, 4), "s3": ("w", 6, 6)}
    assert [s.path(x) for x in ("s1", "s2", "s3")] == [["c1"], ["c2", "c1"], []]
    assert s.network.health["paths_left_out"] == 1
