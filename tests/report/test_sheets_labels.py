"""Labels never lie on each other, on marks, or on leader lines."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.report.sheets.labels import LabelField, Placed, segments_cross_boxes
from survey.report.sheets.paper import Rect

FRAME = Rect(10.0, 20.0, 310.0, 220.0)
NO_INK = np.empty((0, 2))
PLACES = st.lists(st.tuples(st.floats(15, 305), st.floats(25, 215)), min_size=1, max_size=40)


def marks_of(places: list[tuple[float, float]], radius: float) -> np.ndarray:
    centres = np.array(places, dtype=float).reshape(-1, 2)
    return np.concatenate([centres - radius, centres + radius], axis=1)


def place_all(places: list[tuple[float, float]], *, reach: float, ink: np.ndarray = NO_INK) -> list[Placed | None]:
    field = LabelField(FRAME, marks_of(places, 2.5), ink)
    return [field.place(place, (14.0, 8.0), radius=2.5, reach=reach) for place in places]


@given(PLACES)
@settings(max_examples=60, deadline=None)
def test_nothing_lies_on_anything(places: list[tuple[float, float]]) -> None:
    placed = [label for label in place_all(places, reach=60.0) if label is not None]
    boxes = [shapely.box(*label.box) for label in placed]
    marks = shapely.box(*marks_of(places, 2.5).T)
    leaders = [shapely.LineString([label.leader[:2], label.leader[2:]]) for label in placed if label.leader]
    frame = shapely.box(FRAME.x0, FRAME.y0, FRAME.x1, FRAME.y1)
    assert not any(shapely.intersection(a, b).area > 1e-9 for a, b in itertools.combinations(boxes, 2))
    assert not any(shapely.intersection(box, mark).area > 1e-9 for box in boxes for mark in marks)
    assert not any(shapely.intersection(line, box).length > 1e-6 for line in leaders for box in boxes)
    assert not any(a.crosses(b) for a, b in itertools.combinations(leaders, 2))
    assert all(frame.contains(box) for box in boxes)


@given(PLACES)
@settings(max_examples=30, deadline=None)
def test_same_places_same_labels(places: list[tuple[float, float]]) -> None:
    assert place_all(places, reach=60.0) == place_all(places, reach=60.0)


def test_a_lonely_label_touches_its_mark_on_the_right() -> None:
    (label,) = place_all([(100.0, 100.0)], reach=60.0)
    assert label is not None
    assert label.leader is None
    assert label.box == pytest.approx((103.7, 96.0, 117.7, 104.0))


def test_it_moves_off_a_drawn_line() -> None:
    line = np.stack([np.linspace(100, 130, 60), np.full(60, 100.5)], axis=1)
    (label,) = place_all([(100.0, 100.0)], reach=60.0, ink=line)
    assert label is not None
    assert label.leader is None
    assert not label.box[1] < 100.5 < label.box[3]


def test_one_spot_takes_leader_lines_and_then_is_full() -> None:
    near = place_all([(150.0, 120.0)] * 30, reach=20.0)
    assert near[0] is not None
    assert near[-1] is None
    field = LabelField(FRAME, marks_of([(150.0, 120.0)], 2.5), NO_INK)
    far = [field.place((150.0, 120.0), (14.0, 8.0), radius=2.5, reach=1e9, start=80.0) for _ in range(25)]
    assert all(label is not None and label.leader is not None for label in far)


def test_in_the_corner_of_the_frame() -> None:
    (label,) = place_all([(309.0, 219.0)], reach=5.0)
    assert label is not None
    assert label.box[2] <= FRAME.x1
    assert label.box[3] <= FRAME.y1


def test_no_room_at_all() -> None:
    field = LabelField(Rect(0, 0, 20, 9), marks_of([(10, 4)], 2.5), NO_INK)
    assert field.place((10.0, 4.0), (30.0, 8.0), radius=2.5, reach=1e9) is None


SEGMENTS = st.tuples(*[st.integers(-6, 6).map(float)] * 4)


@given(st.lists(SEGMENTS, min_size=1, max_size=8), st.lists(st.tuples(st.integers(-5, 4), st.integers(-5, 4))))
@settings(deadline=None)
def test_segments_through_boxes_as_the_geometry_library_sees_them(
    segments: list[tuple[float, ...]], corners: list[tuple[int, int]]
) -> None:
    boxes = np.array([(x, y, x + 2, y + 1) for x, y in corners], dtype=float).reshape(-1, 4)
    found = segments_cross_boxes(np.array(segments), boxes)
    for row, (x0, y0, x1, y1) in enumerate(segments):
        line = shapely.LineString([(x0, y0), (x1, y1)])
        expected = [shapely.relate_pattern(line, shapely.box(*box), "T********") for box in boxes]
        assert found[row].tolist() == (expected if (x0, y0) != (x1, y1) else [False] * len(boxes))


def test_a_wide_label_that_does_not_touch_its_mark_is_led_to() -> None:
    rng = np.random.default_rng(3)
    places = [(float(x), float(y)) for x, y in rng.uniform(100, 300, (30, 2))]
    field = LabelField(Rect(0, 0, 400, 400), marks_of(places, 4.0), NO_INK)
    wide = [(place, field.place(place, (70.0, 9.0), radius=4.0, reach=60.0)) for place in places]
    found = [(place, placed) for place, placed in wide if placed is not None]
    assert len(found) > 10
    for (x, y), placed in found:
        x0, y0, x1, y1 = placed.box
        away = np.hypot(max(x0 - x, 0.0, x - x1), max(y0 - y, 0.0, y - y1))
        assert placed.leader is not None or away <= 4.0 + 5.0
