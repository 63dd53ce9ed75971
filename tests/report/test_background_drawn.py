"""The user's own layers beneath the network: in the page, in the GeoPackage and back, on sheets."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from page_reader import read_page
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas
from selenium.webdriver.support.ui import WebDriverWait
from shapely import LineString, Point, Polygon
from sheet_survey import CORNER, GRID, town
from small_survey import small_survey

from survey.report import read_results, write_outputs
from survey.report.background import GROUNDS, NAME_COLOUR
from survey.report.map import render_map
from survey.report.ramp import PAPER
from survey.report.sheets import make_sheets
from survey.report.sheets.content import sheet_content
from survey.report.sheets.drawing import draw_names
from survey.report.sheets.paper import paper
from survey.report.sheets.points import point_blocks
from survey.report.sheets.windows import overview

MARKUP = "</script><b>Mill</b> & Lane"
POND = Polygon([(0, 250), (0, 650), (600, 650), (600, 250)], [[(40, 340), (60, 340), (60, 360)]])


def ground(crs=GRID):
    shapes = [LineString([(-500, 60), (2000, 60)]), POND, Point(30, -40)]
    shapes = shapely.transform(np.array(shapes, object), lambda xy: xy + CORNER)
    looks = ["street", "water", "place"]
    return gpd.GeoDataFrame({"look": looks, "label": [MARKUP, "Mill Pond", "Ferry"]}, geometry=shapes, crs=crs)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(parts, [0.2126, 0.7152, 0.0722]))


def test_it_is_in_the_page_bottom_first_and_its_names_are_no_markup():
    text = render_map(small_survey(background=ground()))
    assert MARKUP not in text
    page = read_page(text)
    arrays = dict(page.blobs)["background"]
    looks = [list(GROUNDS)[code] for code in arrays["background.look"].tolist()]
    assert looks == ["water", "street", "place"]
    assert arrays["background.label.texts"] == ["Mill Pond", MARKUP, "Ferry"]
    assert [[len(line) for line in owner] for owner in page.lines("background")] == [[5, 4], [2], [1]]


def test_a_survey_without_one_has_none_in_the_page():
    assert [name for name, _ in read_page(render_map(small_survey())).blobs if name == "background"] == []


def test_the_geopackage_keeps_it_and_gives_it_back(tmp_path):
    given = ground()
    write_outputs(small_survey(background=given), tmp_path / "out")
    back = read_results(tmp_path / "out").background.sort_values("look")
    expected = given.sort_values("look")
    assert list(back["look"]) == list(expected["look"])
    assert list(back["label"]) == list(expected["label"])
    assert shapely.equals_exact(back.geometry.to_numpy(), expected.geometry.to_numpy(), 1e-6).all()
    assert len(read_results(tmp_path / "out", drawn=False).background) == 0


def test_street_names_are_on_the_sheets(tmp_path):
    saved = replace(town(12), background=ground())
    (path,) = make_sheets(saved, out=tmp_path, district="Harbour")
    text = PdfReader(path).pages[0].extract_text()
    assert MARKUP in text
    assert "Mill Pond" in text
    legend = text[text.index("LINES AND POINTS") : text.index("LOOK AT FIRST")]
    assert [look for look in GROUNDS if GROUNDS[look].words in legend] == ["water", "street", "place"]


@pytest.mark.browser
def test_its_looks_are_in_the_legend_of_the_page(browser, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(render_map(small_survey(background=ground())), encoding="utf-8")
    browser.get(path.as_uri())
    WebDriverWait(browser, 10).until(lambda b: b.execute_script("return document.documentElement.dataset.ready"))
    legend = [item.get_attribute("textContent") for item in browser.find_elements("css selector", "#legend li")]
    assert [ground.words for ground in GROUNDS.values() if ground.words in legend] == ["Water", "Street", "Place"]


def test_points_near_a_street_say_which():
    saved = replace(town(12), background=ground())
    content = sheet_content(saved, district="Harbour", feeder=None)
    said = {block.switch_id: block.place for block in point_blocks(content, units="metric")}
    street = content.background.geometry.iloc[list(content.background["look"]).index("street")]
    near = {
        name: street.distance(Point(xy)) <= 60 for name, xy in zip(content.switch_ids, content.switches_m, strict=True)
    }
    assert True in near.values()
    assert {name: place[0] == MARKUP for name, place in said.items()} == {name: near[name] for name in said}


def test_names_keep_clear_of_marks_numbers_and_each_other():
    lines = [LineString([(-400, y), (1500, y)]) for y in range(-100, 500, 12)]
    shapes = shapely.transform(np.array(lines, object), lambda xy: xy + CORNER)
    names = [f"Street {k}" for k in range(len(lines))]
    crowd = gpd.GeoDataFrame({"look": "street", "label": names}, geometry=shapes, crs=GRID)
    content = sheet_content(replace(town(80), background=crowd), district="Harbour", feeder=None)
    page = overview(content, frame=paper("letter").frame, units="metric")
    before = len(page.field.boxes)
    written = draw_names(Canvas("unused.pdf"), page, content)
    assert 3 < len(written) == len(set(written))
    taken = shapely.box(*np.array(page.field.boxes).T)
    named, other = taken[before:], [*taken[:before], *shapely.box(*page.field.marks.T)]
    tree = shapely.STRtree(other)
    assert tree.query(named, predicate="overlaps").size == 0


@pytest.mark.parametrize("look", list(GROUNDS))
def test_it_is_paler_than_the_network_and_its_names_can_be_read(look):
    cable = luminance("#a9a294")
    assert all(luminance(colour) > cable for colour in (GROUNDS[look].line, GROUNDS[look].fill) if colour)
    paper_light = luminance(PAPER) + 0.05
    assert paper_light / (luminance(NAME_COLOUR) + 0.05) >= 4.0
