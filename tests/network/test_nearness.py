"""Joining, nearest points and touching lines, against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from survey.network.nearness import STRIPS_AT_MOST, join_close, make_strips, nearest_point, touching_lines
from survey.read.tables import Lines

# whole centimetres around a place far from the origin, so that distances fall on both sides of the tolerance and on it
SPOTS = st.lists(st.tuples(st.integers(0, 300), st.integers(0, 300)), max_size=40)
SHIFT = np.array([450_000.0, 5_300_000.0])
MANY = settings(max_examples=60, deadline=None)


def places(spots, scale=1 / 64):
    """Sixty-fourths of a metre: sums and differences are exact, so that a tolerance can be met to the last bit."""
    return np.array(spots, float).reshape(-1, 2) * scale + SHIFT


def joined(xy, tolerance):
    tree = shapely.STRtree(shapely.points(xy))
    one, other = tree.query(shapely.points(xy), predicate="dwithin", distance=tolerance)
    links = coo_array((np.ones(len(one)), (one, other)), shape=(len(xy), len(xy)))
    label = connected_components(links, directed=False)[1]
    return np.array([np.flatnonzero(label == k)[0] for k in label], int)


@MANY
@given(SPOTS, st.sampled_from([0.0, 0.25, 0.5, 1.5]))
def test_joining(spots, tolerance):
    xy = places(spots)
    assert (
        join_close(make_strips(xy, tolerance_m=tolerance), tolerance_m=tolerance).tolist()
        == joined(xy, tolerance).tolist()
    )


@pytest.mark.parametrize("seed", range(4))
def test_joining_many(seed):
    rng = np.random.default_rng(seed)
    xy = rng.random((3000, 2)) * [2_000, 20] + SHIFT
    strips = make_strips(xy, tolerance_m=5)
    assert len(strips.first) > 300
    assert join_close(strips, tolerance_m=0.5).tolist() == joined(xy, 0.5).tolist()


def test_points_far_apart_share_no_more_than_the_most_strips():
    xy = np.stack([np.arange(9000) * 100.0, np.zeros(9000)], axis=1)
    strips = make_strips(xy, tolerance_m=0.5)
    assert len(strips.first) == STRIPS_AT_MOST + 1
    assert sorted(strips.row) == list(range(9000))
    assert join_close(strips, tolerance_m=99.9).tolist() == list(range(9000))


@MANY
@given(SPOTS, SPOTS, st.sampled_from([0.0, 0.5, 2.0]))
def test_nearest_points(spots, asked, tolerance):
    xy, query = places(spots), places(asked)
    row, off = nearest_point(query, make_strips(xy, tolerance_m=tolerance), tolerance_m=tolerance)
    for q, k, d in zip(query, row, off, strict=True):
        gap = np.hypot(*(xy - q).T)
        if not (gap <= tolerance).any():
            assert (k, d) == (-1, np.inf)
        else:
            assert (k, d) == (np.argmin(gap), pytest.approx(gap.min(), abs=1e-12))


def test_a_query_that_is_no_place_has_no_nearest():
    row, off = nearest_point(np.array([[np.nan, 0.0]]), make_strips(np.zeros((1, 2)), tolerance_m=1), tolerance_m=1)
    assert (row.tolist(), off.tolist()) == ([-1], [np.inf])


LINES = st.lists(st.lists(st.tuples(st.integers(0, 300), st.integers(0, 300)), min_size=2, max_size=5), max_size=8)


def touched(xy, lines, tolerance):
    """Distance and place of every point near a line."""
    if not len(xy) or not lines:
        return {}
    shapes = [shapely.LineString(x) for x in lines]
    point, line = shapely.STRtree(shapes).query(shapely.points(xy), predicate="dwithin", distance=tolerance)
    return {(p, n): shapely.distance(shapes[n], shapely.Point(xy[p])) for p, n in zip(point, line, strict=True)}


def as_lines(lines):
    xy = np.concatenate(lines) if lines else np.empty((0, 2))
    start = np.cumsum([0, *map(len, lines)])
    return Lines(xy, start, np.arange(len(lines)), np.zeros(len(lines)))


@MANY
@given(SPOTS, LINES, st.sampled_from([0.5, 2.0]))
def test_touching_lines(spots, drawn, tolerance):
    xy = np.array(spots, float).reshape(-1, 2) / 64
    lines = [np.array(line, float) / 64 for line in drawn]
    touch = touching_lines(make_strips(xy, tolerance_m=tolerance), as_lines(lines), tolerance_m=tolerance)
    best = {}
    for p, n, along, off in zip(*touch, strict=True):
        best[p, n] = min(best.get((p, n), np.inf), off)
        there = shapely.LineString(lines[n]).interpolate(along)
        assert shapely.distance(there, shapely.Point(xy[p])) == pytest.approx(off, abs=1e-9)
    expected = touched(xy, lines, tolerance)
    sure = {k for k, d in expected.items() if d < tolerance - 1e-9}
    assert sure <= set(best) <= {k for k, d in touched(xy, lines, tolerance + 1e-9).items()}
    assert all(best[k] == pytest.approx(expected[k], abs=1e-9) for k in sure)


def test_touches_beyond_the_first_room_are_kept():
    xy = np.stack([np.arange(3000) * 0.01, np.zeros(3000)], axis=1)
    line = np.array([[0.0, 0.1], [30.0, 0.1]])
    touch = touching_lines(make_strips(xy, tolerance_m=1), as_lines([line]), tolerance_m=0.5)
    assert sorted(touch.point) == list(range(3000))
    assert touch.along_m[np.argsort(touch.point)] == pytest.approx(xy[:, 0])


def test_a_point_of_a_lines_own_ends_does_not_touch_it():
    line = as_lines([np.array([[0.0, 0.0], [9.0, 0.0]])])
    own = np.array([5, 6, 7]), np.array([5]), np.array([6])
    touch = touching_lines(make_strips(np.zeros((3, 2)), tolerance_m=1), line, own=own, tolerance_m=0.5)
    assert touch.point.tolist() == [2]
