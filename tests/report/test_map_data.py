"""What is in the map's page, read back from it."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely
from builders import town_survey
from hypothesis import given
from hypothesis import strategies as st
from page_reader import Page, read_page
from pyproj import CRS, Transformer
from small_survey import small_survey

from survey.arrays import Ragged
from survey.linesets import LineSet
from survey.loops import as_it_stands
from survey.report.map import render_map
from survey.report.map.content import _nearest, district_outlines, pack_numbers
from survey.report.map.grid import STEP_M, MapGrid
from survey.report.map.lines import STEP_LIMIT, grid_lines
from survey.report.map.nested import pack_sets
from survey.report.map.payload import Blob, Draft, make_blob, pack_payload
from survey.report.tables import arrow_table
from survey.result import CAUTION

TOWN = town_survey()
TOWN_PAGE = render_map(TOWN)


def test_every_cell_of_every_table_is_there_as_in_the_files():
    page = read_page(TOWN_PAGE)
    for name, frame in (("sites", TOWN.sites), ("switching_points", TOWN.switching_points)):
        table = arrow_table(frame, table=name)
        kinds = {c["column"]: c["kind"] for c in page.about["columns"] if c["table"] == name}
        assert list(kinds) == table.column_names
        for column, kind in kinds.items():
            expected = table[column].to_pandas()
            if kind == "text":
                assert page.texts(f"{name}.{column}") == expected.fillna("").tolist()
            else:
                np.testing.assert_allclose(page.numbers(f"{name}.{column}"), expected.astype(float), rtol=1e-15)


def test_same_survey_same_bytes():
    assert render_map(town_survey()) == TOWN_PAGE


def test_nothing_in_the_page_leads_outside():
    assert not re.findall(r'(?:src|href|action|url)\s*[=(]\s*["\']?\s*(?:https?:)?//', TOWN_PAGE, re.IGNORECASE)
    assert "default-src 'none'" in TOWN_PAGE
    assert "sourceMappingURL" not in TOWN_PAGE
    for name in ("jquery", "bootstrap", "fontawesome", "font-awesome", "awesome-markers", "cdn."):
        assert name not in TOWN_PAGE.lower()


def test_licence_caution_and_date_are_in_the_page():
    assert "BSD 2-Clause License" in TOWN_PAGE
    assert CAUTION in TOWN_PAGE
    assert "2031-05-02" in TOWN_PAGE


def test_background_only_when_set():
    report = {"background_tiles": "https://tiles.invalid/{z}/{x}/{y}.png", "background_credit": "© <i>us</i>"}
    page = render_map(small_survey(settings=town_survey(districts=1, streets=1, settings={"report": report}).settings))
    assert "tiles.invalid" in page
    assert "img-src data: blob: https: http:" in page
    assert "<i>us" not in page
    assert "tiles.invalid" not in TOWN_PAGE


def test_sections_and_exposed_sites_come_back_whole():
    page = read_page(TOWN_PAGE)
    order = page.core["exposed.order"]
    assert [sorted(order[places]) for places in page.sets("exposed")] == [sorted(r) for r in TOWN.exposed_by]
    lines, grid_lines = page.lines("cables"), page.sets("sections")
    for places, rows in zip(grid_lines, TOWN.section_cables, strict=True):
        drawn = sum(np.hypot(*np.diff(lines[p][0], axis=0).T).sum() for p in places) * STEP_M
        true = shapely.length(TOWN.cable_lines[rows]).sum()
        assert drawn * np.cos(np.radians(41.55)) == pytest.approx(true, rel=0.01)


def test_a_path_is_drawn_where_it_is():
    page = read_page(TOWN_PAGE)
    to_mercator = Transformer.from_crs(TOWN.crs, "EPSG:3857", always_xy=True)
    paths = page.lines("paths")
    for row in (0, 57, len(paths) - 1):
        expected = np.column_stack(to_mercator.transform(*shapely.get_coordinates(TOWN.site_paths[row]).T))
        found = paths[row][0] * page.about["step_m"] + page.about["origin"]
        assert np.abs(found - expected).max() < 0.16


def test_links_name_the_points_of_the_table():
    page = read_page(TOWN_PAGE)
    ids = page.texts("switching_points.switch_id")
    assert [ids[row] for row in page.core["sites.switch_row"]] == TOWN.sites["switch_id"].tolist()
    assert [ids[row] for row in page.core["sites.worst_row"]] == TOWN.sites["worst_switch_id"].tolist()


def test_degrees_stand_for_grid_steps_only_where_they_say_the_same():
    assert "sites.x" not in read_page(TOWN_PAGE).core
    page = read_page(render_map(replace(TOWN, sites=TOWN.sites.assign(lon=TOWN.sites["lon"] + 1e-4))))
    assert "sites.x" in page.core
    assert "switching_points.x" not in page.core


def test_ids_of_points_that_expose_nothing_are_kept_as_texts():
    ids = TOWN.sites["worst_switch_id"].where(TOWN.sites.index != 3, "S-elsewhere")
    page = read_page(render_map(replace(TOWN, sites=TOWN.sites.assign(worst_switch_id=ids))))
    assert page.texts("sites.worst_switch_id") == ids.tolist()
    assert page.core["sites.worst_row"][3] == -1
    assert "sites.switch_id.texts" not in page.core


def test_missing_geometry_ids_and_sets_are_no_trouble():
    page = read_page(render_map(small_survey()))
    assert page.core["sites.x"][4] == np.iinfo(np.int32).min
    assert page.core["switching_points.x"][1] == np.iinfo(np.int32).min
    assert page.core["sites.switch_row"].tolist() == [0, 0, -1, -1, -1]
    assert [len(owner) for owner in page.lines("paths")] == [1, 2, 1, 0, 0]
    assert sorted(len(owner) for owner in page.lines("cables")) == [0, 1, 1, 2]
    assert page.about["districts"] == ["North", "South"]


def test_an_empty_survey_has_a_page():
    empty = town_survey()
    none = np.empty(0, dtype=object)
    page = render_map(
        replace(
            empty,
            sites=empty.sites.iloc[:0],
            switching_points=empty.switching_points.iloc[:0],
            findings=empty.findings.iloc[:0],
            cables=empty.cables.iloc[:0],
            site_points=none,
            site_paths=none,
            switch_points=none,
            section_lines=none,
            cable_lines=none,
            section_cables=(),
            exposed_by=(),
        )
    )
    assert read_page(page).core["sites.lon"].tolist() == []
    assert read_page(page).lines("cables") == []


def test_hostile_texts_stay_texts():
    hostile = '</script><img src=x onerror="alert(1)">\u2028&amp;'
    result = small_survey()
    sites = result.sites.assign(district=hostile, action=hostile)
    settings = town_survey(settings={"report": {"title": hostile}}).settings
    text = render_map(replace(result, sites=sites, settings=settings))
    assert "<img src=x" not in text
    assert "\u2028" not in text.split('id="survey-about"')[1].split("</script>")[0]
    assert read_page(text).texts("sites.district") == [hostile] * 5
    assert read_page(text).about["districts"] == [hostile]


def test_long_lists_of_ids_are_cut_and_say_so():
    ids = read_page(TOWN_PAGE).texts("findings.ids")
    assert ids[0] == "T-0007"
    assert len(ids[2]) < 320
    assert ids[2].endswith(" ...")


def _draft(name, content):
    return Draft(name, lambda: Blob(name, {}, content))


def test_what_does_not_fit_is_left_out_from_the_end_and_counted():
    names = ("core", "cables", "paths", "cables", "paths")
    payload = pack_payload([_draft(name, bytes(3_000)) for name in names], limit=13_000)
    assert [entry["name"] for entry in payload.index] == ["core", "cables", "paths"]
    assert payload.left_out == {"cables": 1, "paths": 1}


def test_a_blob_that_does_not_fit_stops_its_kind():
    sizes = (("core", 300), ("cables", 9_000), ("paths", 300), ("cables", 30), ("paths", 300))
    payload = pack_payload([_draft(name, bytes(size)) for name, size in sizes], limit=3_000)
    assert [entry["name"] for entry in payload.index] == ["core", "paths", "paths"]
    assert payload.left_out == {"cables": 2}


def test_large_data_are_compressed_and_small_are_not():
    assert pack_payload([_draft("core", bytes(9))]).index[0]["encoding"] == "plain"
    packed = pack_payload([_draft("core", bytes(4_000_000))])
    assert packed.index[0]["encoding"] == "deflate"
    assert len(packed.scripts[0]) < 4_000_000


def test_what_is_known_not_to_fit_is_not_made():
    rng = np.random.default_rng(1)
    made = []

    def draft(name):
        return Draft(name, lambda: made.append(name) or Blob(name, {}, rng.bytes(4_000_000)))

    names = ["core", "cables", "paths", *["cables"] * 5, *["paths"] * 5]
    payload = pack_payload([draft(name) for name in names], limit=6_000_000)
    assert [entry["name"] for entry in payload.index] == ["core"]
    assert payload.left_out == {"cables": 6, "paths": 6}
    assert made == ["core", "cables", "paths", "paths"]


@pytest.mark.parametrize(
    "texts", [[], ["plain", "", "äöü \u2028"], ['"quoted"', "a"], ["back\\slash"], ["tab\t", "\x7f"], [""]]
)
def test_texts_are_packed_as_json_writes_them(texts):
    content = make_blob("core", {"a": pa.array(texts, pa.string())}).content
    assert content.rstrip(b"\0").decode() == json.dumps(texts, ensure_ascii=False, separators=(",", ":"))


@given(st.data())
def test_runs_give_back_any_sets(data):
    n = data.draw(st.integers(0, 14))
    subsets = st.lists(st.integers(0, n - 1), unique=True) if n else st.just([])
    sets = tuple(np.array(rows, dtype=np.int64) for rows in data.draw(st.lists(subsets, max_size=8)))
    first = np.array(data.draw(st.lists(st.booleans(), min_size=len(sets), max_size=len(sets))), dtype=bool)
    runs = pack_sets(Ragged.of(sets), n, first=first)
    assert sorted(runs.order) == list(range(n))
    ends = np.cumsum(runs.counts)
    for number, rows in enumerate(sets):
        spans = range(ends[number] - runs.counts[number], ends[number])
        places = [p for run in spans for p in range(runs.starts[run], runs.starts[run] + runs.lengths[run])]
        assert sorted(runs.order[places]) == sorted(rows)
        if first[number] and places:
            assert max(places) < runs.first_items


def test_nested_sets_are_one_run_each_and_urgent_ones_lead():
    sets = ([0, 1, 2, 3], [2, 3], [3], [7, 9, 5], [9], [6])
    runs = pack_sets(
        Ragged.of([np.array(s) for s in sets]), 10, first=np.array([False, False, False, True, True, False])
    )
    assert runs.counts.tolist() == [1] * 6
    assert runs.first_items == 3
    assert set(runs.order[:3]) == {5, 7, 9}


@pytest.mark.parametrize(
    ("crs", "bounds"),
    [
        ("EPSG:32615", (420_000.0, 4_500_000.0, 520_000.0, 4_600_000.0)),
        ("EPSG:2231", (3_000_000.0, 1_100_000.0, 3_300_000.0, 1_500_000.0)),
        ("EPSG:4326", (-100.0, 35.0, -98.5, 36.0)),
        ("EPSG:4326", (-179.0, -80.0, 179.0, 80.0)),
    ],
)
def test_grid_is_true_to_its_step(crs, bounds):
    grid = MapGrid(CRS(crs), bounds)
    xy = np.random.default_rng(1).uniform(bounds[:2], bounds[2:], (2_000, 2))
    exact = np.column_stack(Transformer.from_crs(crs, "EPSG:3857", always_xy=True).transform(*xy.T))
    assert np.abs(grid.steps(xy) * STEP_M + grid.origin - exact).max() < STEP_M / 2 + 0.06


def test_a_step_over_the_limit_is_cut_and_ends_where_it_should():
    grid = MapGrid(CRS("EPSG:3857"), (0.0, 0.0, 50_000.0, 50_000.0))
    far = shapely.LineString([(0, 0), (30_000, 1), (30_001, 20_000), (30_002, 20_000)])
    lines = grid_lines(LineSet.of(np.array([far, None, far], dtype=object)), grid)
    arrays = lines.pack("far", np.array([2, 1, 0]))
    assert arrays["far.points"].tolist() == [11, 11]
    assert arrays["far.parts"].tolist() == [1, 0, 1]
    page = Page({}, [("far", arrays)])
    first, none, second = page.lines("far")
    assert none == []
    for line in (first[0], second[0]):
        assert np.abs(np.diff(line, axis=0)).max() <= STEP_LIMIT
        assert (line * STEP_M + grid.origin)[[0, 5, 9, 10]].tolist() == [list(point) for point in far.coords]


def test_numbers_beyond_32_bits_stay_numbers():
    values = pack_numbers(pd.Series([1.25, np.nan, 9e9]), 1)
    assert values.dtype == np.float64
    assert np.isnan(values[1])
    assert pack_numbers(pd.Series([1.25, np.nan]), 1).tolist() == [12, -128]


def test_a_loop_finds_the_same_neighbours_as_a_tree():
    rng = np.random.default_rng(3)
    alone, same = rng.uniform(0, 900, (1, 2)), np.full((3, 2), 7.0)
    groups = [rng.uniform(0, 900, (40, 2)), same, alone, rng.integers(0, 9, (60, 2))]
    xy = np.concatenate([*groups, rng.normal(0, 5, (30, 2)), [(1e6, 1e6)]])
    start = np.array([0, 40, 43, 44, 104, 135])
    order = np.lexsort((xy[:, 1], np.repeat(np.arange(5), np.diff(start))))
    ways = [as_it_stands(_nearest, compiled=compiled) for compiled in (False, True)]
    tree, loop = (way(xy[order, 1], xy[order], start) for way in ways)
    assert loop.tolist() == tree.tolist()
    assert loop[40:44].tolist() == [0, 0, 0, 0]


def test_an_outline_leaves_out_a_site_far_from_all_others():
    xy = np.array([(x * 50.0, y * 50.0) for x in range(5) for y in range(4)] + [(3000.0, 0.0)])
    _, (outline,) = district_outlines(pd.Series(["North"] * len(xy)), xy)
    assert shapely.covers(outline, shapely.points(xy)).tolist() == [True] * 20 + [False]


def test_an_outline_holds_the_sites_of_its_district():
    xy = np.column_stack([shapely.get_x(TOWN.site_points), shapely.get_y(TOWN.site_points)])
    names, outlines = district_outlines(TOWN.sites["district"], xy)
    assert names == ["Ward 1", "Ward 2"]
    for name, outline in zip(names, outlines, strict=True):
        own = TOWN.site_points[(TOWN.sites["district"] == name).to_numpy()]
        assert shapely.covers(outline, own).mean() > 0.99
