"""Overview and details: every site gets its number somewhere, and numbers never lie on anything."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from sheet_survey import saved_survey, site_table, streets, town

from survey.report.ramp import BAND_MARKS, STATUS_MARKS
from survey.report.reread import SavedSurvey
from survey.report.sheets.book import Book
from survey.report.sheets.content import sheet_content
from survey.report.sheets.paper import paper
from survey.report.sheets.view import fit
from survey.report.sheets.windows import (
    FEW_SITES,
    RADII,
    ROOM_PER_SITE,
    MapPage,
    mark_radius,
    paper_radius,
    window_rect,
    window_tags,
)


def book(saved: SavedSurvey, page: str = "letter", units: str = "metric") -> Book:
    return Book(sheet_content(saved, district=None, feeder="Feeder 1"), paper(page), units)


def whole_book(saved: SavedSurvey, page: str = "letter") -> Book:
    return Book(sheet_content(saved, district="Harbour", feeder=None), paper(page), "metric")


def numbered(maps: list[MapPage]) -> set[int]:
    return {row for page in maps for row in page.labels}


def boxes_of(page: MapPage) -> list[shapely.Polygon]:
    placed = [*page.labels.values(), *page.switch_labels.values()]
    return [shapely.box(*label.box) for label in placed]


def assert_nothing_overlaps(page: MapPage, made: Book) -> None:
    boxes = boxes_of(page)
    tree = shapely.STRtree(boxes)
    pairs = tree.query(boxes, predicate="intersects").T
    assert all(shapely.intersection(boxes[a], boxes[b]).area < 1e-9 for a, b in pairs if a < b)
    rows = np.array(page.rows)
    places = page.view.to_page(made.content.xy_m[rows])
    radii = np.array([mark_radius(made.content, row) for row in rows])[:, None]
    marks = shapely.box(*np.concatenate([places - radii, places + radii], axis=1).T)
    on_marks = tree.query(marks, predicate="intersects").T
    assert all(shapely.intersection(marks[m], boxes[b]).area < 1e-9 for m, b in on_marks)
    frame = page.view.frame
    assert all(shapely.box(frame.x0, frame.y0, frame.x1, frame.y1).contains(box) for box in boxes)


@pytest.mark.parametrize("page", ["letter", "a3"])
def test_a_town_of_two_hundred_and_fifty(page: str) -> None:
    made = whole_book(town(250), page)
    maps = made.maps()
    assert numbered(maps) == set(range(250))
    assert maps[0].rows == tuple(range(250))
    assert len(maps) > 1
    for drawn in maps:
        assert_nothing_overlaps(drawn, made)


def test_details_are_not_crowded_and_the_most_urgent_comes_first() -> None:
    made = whole_book(town(250))
    whole, *close = made.maps()
    frame = whole.view.frame
    assert all(len(page.rows) <= max(frame.width * frame.height / ROOM_PER_SITE, FEW_SITES) for page in close)
    assert all(set(page.rows) == set(page.labels) for page in close)
    assert all(page.view.scale < whole.view.scale for page in close)
    assert [page.rows[0] for page in close] == sorted(page.rows[0] for page in close)


def test_names_of_details_are_free_of_numbers() -> None:
    whole, *close = whole_book(town(250)).maps()
    tags = window_tags(whole, close)
    assert all(tag is not None for tag in tags)
    boxes = [*boxes_of(whole), *(shapely.box(*tag.box) for tag in tags if tag is not None)]
    assert not any(shapely.intersection(a, b).area > 1e-9 for a, b in itertools.combinations(boxes, 2))
    frame = whole.view.frame
    for rect in (window_rect(whole, page) for page in close):
        assert frame.x0 <= rect.x0 < rect.x1 <= frame.x1
        assert frame.y0 <= rect.y0 < rect.y1 <= frame.y1


def test_a_few_sites_far_apart_need_no_details() -> None:
    places = np.array([[0, 0], [900, 50], [400, 700], [1500, 1200.0]])
    maps = whole_book(saved_survey(site_table(places))).maps()
    assert [page.rows for page in maps] == [(0, 1, 2, 3)]
    assert numbered(maps) == {0, 1, 2, 3}


def test_one_site() -> None:
    (page,) = whole_book(saved_survey(site_table(np.zeros((1, 2))))).maps()
    assert page.view.scale == 500
    assert page.rows == (0,)


def test_many_sites_on_one_spot_all_get_their_number() -> None:
    places = np.concatenate([np.zeros((60, 2)), [[3000.0, 10.0]]])
    made = whole_book(saved_survey(site_table(places)))
    maps = made.maps()
    assert numbered(maps) == set(range(61))
    for drawn in maps:
        assert_nothing_overlaps(drawn, made)


def test_sites_without_a_place_are_on_no_map() -> None:
    sites = site_table(streets(6))
    sites.loc[[1, 3], ["lon", "lat"]] = np.nan
    maps = whole_book(saved_survey(sites)).maps()
    assert numbered(maps) == {0, 2, 4, 5}
    sites[["lon", "lat"]] = np.nan
    assert whole_book(saved_survey(sites)).maps() == []


def test_a_long_switch_id_that_finds_no_room_is_left_to_the_table() -> None:
    names = [f"{'S' * 90}-{i // 4}" for i in range(60)]
    saved = saved_survey(site_table(streets(60, spacing_m=14.0), switch_id=names, worst_switch_id=names))
    saved.switch_points[:] = saved.site_points[20]
    made = whole_book(saved)
    whole, *close = made.maps()
    assert numbered([whole, *close]) == set(range(60))
    shown = [np.count_nonzero(page.view.shows(made.content.switches_m)) for page in close]
    assert sum(len(page.switch_labels) for page in close) < sum(shown)
    for page in close:
        assert_nothing_overlaps(page, made)


def test_every_mark_has_its_size_on_paper() -> None:
    marks = (*BAND_MARKS, *STATUS_MARKS)
    assert {mark.shape for mark in marks} <= set(RADII)
    radii = [paper_radius(mark) for mark in BAND_MARKS]
    assert radii == sorted(set(radii))


def test_feeder_only() -> None:
    made = book(town(30), units="us")
    assert set(made.content.sites["feeder"]) == {"Feeder 1"}
    assert numbered(made.maps()) == set(range(20))


def test_a_switching_point_at_a_site_keeps_the_number_off_its_mark() -> None:
    saved = saved_survey(site_table(np.array([[0.0, 0.0], [400.0, 100.0]])))
    saved.switch_points[0] = saved.site_points[0]
    page = whole_book(saved).maps()[0]
    place = page.view.to_page(whole_book(saved).content.xy_m[:1])[0]
    box = page.labels[0].box
    assert page.labels[0].leader is None
    assert box[0] - place[0] >= 7.2 or place[0] - box[2] >= 7.2 or box[1] - place[1] >= 7.2 or place[1] - box[3] >= 7.2


def test_the_overview_shows_the_points_and_sections_of_its_sites() -> None:
    saved = saved_survey(site_table(np.stack(np.divmod(np.arange(24), 6), axis=1) * 60.0))
    west = shapely.Point(shapely.get_coordinates(saved.switch_points[0])[0] - [250.0, 0.0])
    saved.switch_points[0] = west
    saved.sections.loc[0, "geometry"] = shapely.MultiLineString([[west.coords[0], saved.site_points[0].coords[0]]])
    made = whole_book(saved)
    whole = made.maps()[0]
    assert not fit(made.content.xy_m, frame=whole.view.frame, units="metric").shows(made.content.switches_m).all()
    assert whole.view.shows(made.content.switches_m).all()
    drawn = shapely.transform(made.content.sections, whole.view.to_page)
    frame = whole.view.frame
    assert shapely.box(frame.x0, frame.y0, frame.x1, frame.y1).contains(shapely.union_all(drawn))


def test_a_point_very_far_away_does_not_shrink_the_overview() -> None:
    saved = town(40)
    alone = whole_book(saved).maps()[0].view
    far = shapely.Point(shapely.get_coordinates(saved.switch_points[0])[0] + [90_000.0, 0.0])
    saved.switch_points[0] = far
    saved.sections.loc[0, "geometry"] = shapely.MultiLineString([[far.coords[0], saved.site_points[0].coords[0]]])
    assert whole_book(saved).maps()[0].view.scale == alone.scale
