"""Cables that lie on one another over part of their length: what is told of them, and brute force against it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from build import _lines, drawn, survey
from hypothesis import given
from hypothesis import strategies as st

from survey.network.drawing.overlaps import LEAST_M, NAMED, OVER_M
from survey.network.drawing.segments import lying_along, make_grid

SOURCE = ("Q", (0.0, 0.0))


def only(s, rule):
    (finding,) = s.findings.of(rule)
    return finding


def feeder(*more):
    """A source, 50 m overhead to a cutout, a cable C1 of 200 m with a corner, and a site at its end."""
    cables = [
        drawn("M", (0, 0), (50, 0), build="oh"),
        drawn("C1", (50, 0), (150, 0), (150, 100)),
        *more,
    ]
    return survey(cables, sites=[("T", (150.0, 100.0))], switches=[("S", (50.0, 0.0))], sources=[SOURCE])


def test_a_cable_drawn_along_another_is_told_with_length_place_and_section():
    # leaves the joint at the site and comes back along C1 for the last 60 m
    s = feeder(drawn("C2", (150, 100), (250, 100)), drawn("C3", (250, 100), (250, 40), (150, 40), (150, 10), (180, 10)))
    found = only(s, "overlap")
    assert found.ids == ("C1", "C3")
    assert "1, together 30 m (longest: 'C1' and 'C3' 30.0 m in the section of S); that counts twice" in found.message
    assert (found.lon, found.lat) == s.tables.lonlat(np.array([150.0, 25.0]))
    assert s.network.health["overlaps"] == 1
    # told, not mended
    assert s.section("S")[1] == 200 + 100 + 60 + 100 + 30 + 30


def test_from_a_common_joint_on_it_may_be_a_trench_and_is_told_once():
    s = feeder(
        drawn("C2", (150, 100), (150, 80), (250, 80)),
        drawn("C4", (250, 80), (240, 80), (240, 300)),
    )
    assert not s.found("overlap")
    found = only(s, "overlap_at_joint")
    assert found.ids == ("C1", "C2", "C4")
    assert ": 2, together 30 m (longest: 'C1' and 'C2' 20.0 m, 'C" in found.message


def test_a_cable_along_the_whole_of_a_part_meets_it_twice_and_is_told_by_itself():
    s = feeder(drawn("C2", (50, 0), (110, 0)))
    assert only(s, "overlap").ids == ("C1", "C2")
    assert s.found("closed_ring")


def test_circuits_of_two_feeders_in_one_trench_count_nothing_twice():
    second = [drawn("N", (0, -300), (60, -300), build="oh"), drawn("D1", (60, -300), (60, 0), (120, 0), (120, -60))]
    s = survey(
        [drawn("M", (0, 0), (50, 0), build="oh"), drawn("C1", (50, 0), (150, 0)), *second],
        sites=[("T", (150.0, 0.0)), ("U", (120.0, -60.0))],
        switches=[("S", (50.0, 0.0)), ("R", (60.0, -300.0))],
        sources=[SOURCE, ("P", (0.0, -300.0))],
    )
    found = only(s, "overlap_apart")
    assert found.ids == ("C1", "D1")
    assert ": 1, together 60 m (longest: 'C1' and 'D1' 60.0 m); nothing counts twice" in found.message
    assert not s.found("overlap")


def test_cables_of_different_phases_count_on_no_pole_twice():
    other = {"phases": "B"}
    s = survey(
        [
            drawn("M", (0, 0), (50, 0), build="oh"),
            drawn("A1", (50, 0), (50, 20), (150, 20), phases="A"),
            drawn("B1", (50, 0), (60, 0), (60, 20), (120, 20), (120, 60), **other),
        ],
        switches=[("S", (50.0, 0.0), "guards=A1"), ("R", (50.0, 0.0), "guards=B1")],
        sources=[SOURCE],
    )
    assert only(s, "overlap_apart").ids == ("A1", "B1")


@pytest.mark.parametrize(
    "points",
    [
        pytest.param([(0, 10), (200, 10)], id="beside it in the trench"),
        pytest.param([(100, -50), (100, 50)], id="across"),
        pytest.param([(150, 0), (150, -100)], id="straight on from its end"),
        pytest.param([(150, 100), (150, 100 - LEAST_M + 0.1), (200, 0)], id="too short to tell"),
    ],
)
def test_what_does_not_lie_on_another_is_not_told(points):
    s = feeder(drawn("C2", *points))
    assert not s.rules & {"overlap", "overlap_at_joint", "overlap_apart"}


def test_cables_drawn_twice_are_not_told_again():
    s = feeder(drawn("C1b", (150, 100), (150, 0), (50, 0)))
    assert s.found("drawn_twice") == [("C1", "C1b")]
    assert not s.rules & {"overlap", "overlap_at_joint", "overlap_apart"}


def test_parts_of_one_cable_are_no_pair():
    s = feeder(
        drawn("C2", (150, 100), (300, 100)),
    )
    assert not s.rules & {"overlap", "overlap_at_joint", "overlap_apart"}


def test_many_are_one_finding_that_names_the_longest():
    cables = [drawn("M", (0, 0), (50, 0), build="oh"), drawn("C1", (50, 0), (5000, 0))]
    for k in range(NAMED + 3):
        x = 100 + 100 * k
        cables.append(drawn(f"D{k:02d}", (x, 40), (x, 0), (x + 20 + k, 0), (x + 20 + k, 40)))
    cables.append(drawn("E", (100, 40), (5000, 40)))
    s = survey(cables, switches=[("S", (50.0, 0.0))], sources=[SOURCE], snap_m=0.01)
    # the strays hang on E, which nothing feeds
    assert only(s, "overlap_apart").message.startswith(
        "pairs of cables that lie on one another but share no exposed section"
    )
    cables[-1] = drawn("E", (50, 0), (50, 40), (5000, 40))
    s = survey(cables, switches=[("S", (0.0, 0.0))], sources=[SOURCE], snap_m=0.01)
    told = only(s, "overlap")
    assert told.ids == ("C1", *(f"D{k:02d}" for k in range(NAMED + 3)))
    assert ": 8, together 188 m (longest: 'C1' and 'D07' 27.0 m in the section of S, 'C1' and 'D06'" in told.message
    assert told.message.count(" in the section of S") == NAMED


STEPS = st.tuples(
    st.integers(1, 6), st.sampled_from([(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)])
)


@st.composite
def polylines(draw):
    """Lines on a lattice of 10 m that do not come back on themselves."""
    lines = []
    for _ in range(draw(st.integers(2, 5))):
        points = [np.array([draw(st.integers(0, 6)), draw(st.integers(0, 6))]) * 10.0]
        for count, way in draw(st.lists(STEPS, min_size=1, max_size=3)):
            points.append(points[-1] + 10.0 * count * np.array(way))
        if shapely.LineString(points).is_simple:
            lines.append(np.array(points))
    return lines


@given(polylines(), st.sampled_from([0.0, 4e5]), st.floats(-0.02, 0.02, allow_subnormal=False))
def test_overlaps_are_those_of_brute_force(points, shift, shake):
    lines = _lines([drawn(str(k), *map(tuple, xy + shift)) for k, xy in enumerate(points)])
    # the odd ones stand a little off, less than the tolerance
    lines.xy[np.repeat(lines.owner, np.diff(lines.start)) % 2 == 1] += shake
    grid = make_grid(lines.xy, lines.start, keep=np.ones(len(lines.owner), bool), reach_m=OVER_M)
    found = lying_along(grid, lines.xy, lines.owner, tolerance_m=OVER_M)
    length = np.zeros((len(points), len(points)))
    np.add.at(length, (found.line_a, found.line_b), found.length_m)
    for a in range(len(points)):
        for b in range(a + 1, len(points)):
            expected = _shared(points[a], points[b])
            assert length[a, b] == pytest.approx(expected, abs=0.2), (a, b)
    assert not np.tril(length).any()


def _shared(a, b):
    """Metres that two lattice lines have in common."""
    total = 0.0
    for p in pairwise(a.tolist()):
        for q in pairwise(b.tolist()):
            total += shapely.LineString(p).intersection(shapely.LineString(q)).length
    return total


@given(polylines(), st.randoms())
def test_neither_order_nor_direction_of_drawing_matters(points, random):
    turned = [xy[::-1] if random.random() < 0.5 else xy for xy in points]
    results = []
    for some in (points, turned):
        lines = _lines([drawn(str(k), *map(tuple, xy)) for k, xy in enumerate(some)])
        grid = make_grid(lines.xy, lines.start, keep=np.ones(len(lines.owner), bool), reach_m=OVER_M)
        found = lying_along(grid, lines.xy, lines.owner, tolerance_m=OVER_M)
        rows = np.column_stack([found.line_a, found.line_b, np.round([found.length_m, found.x, found.y], 6).T])
        results.append(sorted(map(tuple, rows.tolist())))
    assert results[0] == results[1]


def test_a_line_to_a_place_that_is_wrong_does_not_fill_the_grid():
    lines = _lines([drawn("1", (0, 0), (50, 0)), drawn("2", (10, 0), (90, 0), (9e6, 9e6))])
    grid = make_grid(lines.xy, lines.start, keep=np.ones(2, bool), reach_m=OVER_M)
    assert len(grid.entry) < 20
    assert lying_along(grid, lines.xy, lines.owner, tolerance_m=OVER_M).length_m.tolist() == [40.0]
