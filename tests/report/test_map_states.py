"""The map of sites and switching points that matter in another state of the network than the normal one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from browser import console_errors, set_view
from builders import town_survey
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait

from survey.report.map import render_map

pytestmark = pytest.mark.browser

RING, DEAD = 0, 1
"""Row of a severe site on a ring, and of one on a dead stretch."""
SHAPES = """
const made = [], plain = survey.marks.path2d;
const drawing = CanvasRenderingContext2D.prototype, stroke = drawing.stroke;
const of = new Map();
survey.marks.path2d = (shape, radius) => { const path = plain(shape, radius); of.set(path, shape); return path; };
drawing.stroke = function (path) {
  if (path && /open|other|point/.test(of.get(path) || '') && this.strokeStyle === survey.marks.INK) {
    const { a, e, f } = this.getTransform();
    made.push([of.get(path), e / a, f / a, this.globalAlpha]);
  }
  return path ? stroke.call(this, path) : stroke.call(this);
};
map_survey.setZoom(16, {animate: false});
map_survey.panTo(map_survey.getCenter(), {animate: false});
made.length = 0;
survey.choice.change(arguments[0]);
drawing.stroke = stroke;
survey.marks.path2d = plain;
return made;
"""
"""Shape and opacity of every switching point that a drawing of the map shows."""


def with_states(town):
    """A town of which two sites and their points count in another state only, and one point is normally open."""
    sites, points = town.sites.copy(), town.switching_points.copy()
    worst = [sites.loc[row, "worst_switch_id"] for row in (RING, DEAD)]
    rows = [int(points.index[points["switch_id"] == one][0]) for one in worst]
    free = [row for row in points.index if row not in rows]
    told = {"worst_peak_pu": "tie_peak_pu", "worst_cable_m": "tie_cable_m", "worst_switch_id": "tie_worst_id"}
    for column, then in told.items():
        sites.loc[[RING, DEAD], then] = sites.loc[[RING, DEAD], column]
    sites.loc[[RING, DEAD], ["switch_id", "worst_switch_id"]] = ""
    sites.loc[[RING, DEAD], ["worst_peak_pu", "worst_cable_m", "peak_pu", "exposed_cable_m"]] = np.nan
    sites.loc[RING, ["status", "band", "tie_open_id", "tie_hold_kw"]] = ["looped", "severe", "S-Y", 77.0]
    sites.loc[DEAD, ["status", "band", "tie_switch_id"]] = ["unreached", "", "S-X"]
    points.loc[rows[RING], "tie_open_id"] = "S-Y"
    points["state"] = "closed"
    points.loc[free[0], ["state", "tie_open_id"]] = ["open", "S-Y"]
    points.loc[free[1], ["tie_switch_id", "tie_open_id"]] = ["S-X", "S-Y"]
    points.loc[free[2], "tie_switch_id"] = "S-X"
    return replace(town, sites=sites, switching_points=points), worst, rows, free


@pytest.fixture(scope="module")
def made():
    return with_states(town_survey())


@pytest.fixture
def see(browser, tmp_path):
    def opened(result, size=(1400, 900), hash_=""):
        path = tmp_path / "map.html"
        path.write_text(render_map(result), encoding="utf-8")
        set_view(browser, *size)
        browser.get("about:blank")
        console_errors(browser)
        browser.get(path.as_uri() + hash_)
        WebDriverWait(browser, 10).until(
            lambda b: b.execute_script("return document.documentElement.dataset.ready") is not None
        )
        return browser

    return opened


def choose(browser, kind, row):
    browser.execute_script(f"survey.choice.change({{kind: '{kind}', row: {row}}}, {{fit: true}})")


def card(browser):
    return browser.find_element(By.ID, "card").text


def test_a_normally_open_point_is_drawn_open_whatever_is_chosen(see, made):
    result, _, _, free = made
    browser = see(result)
    choose(browser, "point", free[0])
    near = [shape for shape, *_ in browser.execute_script(SHAPES, {"kind": "point", "row": free[0]})]
    assert near.count("open") == 2, "as one of all and as the chosen one"
    other = browser.execute_script(SHAPES, {"kind": "point", "row": free[3]})
    assert {alpha for shape, _, _, alpha in other if shape == "open"} == {1}
    assert 0.3 < min(alpha for shape, _, _, alpha in other if shape == "point") < 0.4
    shapes = browser.execute_script("return [...arguments[0]].map(survey.marks.pointShape)", [*free[:4]])
    assert shapes == ["open", "other", "other", "point"]
    legend = browser.find_element(By.ID, "legend").text
    assert all(words in legend for words in ("Normally open", "On a ring or in a loop fed from the other end"))


@pytest.mark.parametrize("width", [1400, 420])
def test_the_list_of_points_says_in_which_state_a_point_counts(see, made, width):
    result, worst, _, free = made
    browser = see(result, (width, 900), "#list=points&sort=switch_id%2B")
    told = browser.execute_script(
        "return [...document.querySelectorAll('#table tbody th')].map(c => [...c.children].map(e => e.textContent))"
    )
    said = {cells[0]: cells[1] for cells in told if len(cells) > 1}
    ids = result.switching_points["switch_id"]
    kinds = ("normally open", "fed from the other end", "dead stretch fed")
    expected = {worst[RING]: "ring open", **{ids[row]: kind for row, kind in zip(free, kinds, strict=False)}}
    assert said == {one: kind for one, kind in expected.items() if one in {cells[0] for cells in told}}
    assert len(said) >= 3
    panel = browser.find_element(By.ID, "panel")
    assert panel.get_property("scrollWidth") <= panel.get_property("clientWidth")


def test_a_site_of_a_ring_shows_its_figures_and_in_which_state_they_are(see, made):
    result, worst, rows, _ = made
    browser = see(result)
    site = result.sites.loc[RING]
    cells = [cell.text for cell in browser.find_elements(By.CSS_SELECTOR, "#table tbody tr:first-child td")]
    assert cells[2:] == [f"{site['tie_peak_pu']:.2f}", f"{site['tie_cable_m']:,.0f}", f"{worst[RING]}\nS-Y open"]
    choose(browser, "site", RING)
    text = card(browser)
    assert "No single-pole switching point exposes it in the normal state." in text
    assert f"With S-Y open, worst point {worst[RING]}" in text
    assert "Load to hold then\n77" in text or "Load to hold then 77" in text
    assert "not draw" not in text
    chosen = "const c = survey.layer.chosenParts(); return [c.point, c.cable.length, c.ways.length]"
    point, cables, ways = browser.execute_script(chosen)
    assert (point, ways) == (rows[RING], 0)
    assert cables == len(result.section_cables[point])
    browser.find_element(By.CSS_SELECTOR, "#card .links button").click()
    assert browser.execute_script("return survey.choice.state.row") == rows[RING]


def test_a_section_of_another_state_is_not_drawn_as_that_of_the_site(see, made):
    result, _, rows, _ = made
    browser = see(result)
    choose(browser, "site", DEAD)
    assert "the map does not draw the section of this state" in card(browser)
    chosen = "const c = survey.layer.chosenParts(); return [c.point, c.cable.length]"
    assert browser.execute_script(chosen) == [rows[DEAD], 0]


def test_lists_are_in_the_order_of_the_figures_they_show(see, made):
    result, *_ = made
    browser = see(result, hash_="#sort=worst_cable_m-")
    shown = result.sites["worst_cable_m"].fillna(result.sites["tie_cable_m"]).round(1)
    expected = result.sites["site_id"][shown.sort_values(ascending=False, kind="stable").index].tolist()[:50]
    assert [button.text for button in browser.find_elements(By.CSS_SELECTOR, "#table tbody button.id")] == expected


def test_a_ring_with_a_band_is_decided(see, made):
    result, *_ = made
    browser = see(result)
    select = Select(browser.find_element(By.ID, "narrow-status"))
    labels = [option.text for option in select.options]
    assert "On a ring, decided" in labels
    assert "On a ring, undecided" not in labels
    select.select_by_visible_text("On a ring, decided")
    assert browser.find_element(By.ID, "count").text.startswith("1 of ")
    assert "status=looped_decided" in browser.execute_script(
        "return new Promise(r => setTimeout(() => r(location.hash), 300))"
    )
    sites = result.sites.assign(band=result.sites["band"].where(result.sites.index != RING, ""))
    browser = see(replace(result, sites=sites), hash_="#status=looped")
    assert browser.find_element(By.ID, "count").text.startswith("1 of ")


FRAMED = """
const d = survey.data.blocks, a = survey.about, m = window.map_survey, size = m.getSize();
const inside = (table, row) => {
  const [x, y] = ['x', 'y'].map((axis, i) => a.origin[i] + d[`${table}.${axis}`][row] * a.step_m);
  const p = m.latLngToContainerPoint(L.CRS.EPSG3857.unproject(L.point(x, y)));
  return p.x >= 0 && p.y >= 0 && p.x <= size.x && p.y <= size.y;
};
return ['sites', 'switching_points'].map(t => Array.from({length: survey.data.rows(t)}, (_, row) => inside(t, row)));
"""


@pytest.mark.parametrize("width", [1400, 420])
def test_the_first_view_holds_the_switching_points_too(see, width):
    town = town_survey(districts=1, streets=1, length=3)
    away = shapely.affinity.translate(town.switch_points[0], -400, 0)
    degrees = town.switching_points["lon"].to_numpy().copy()
    degrees[0] -= 400 / 83_400
    town.switch_points[0] = away
    browser = see(replace(town, switching_points=town.switching_points.assign(lon=degrees)), (width, 800))
    assert all(map(all, browser.execute_script(FRAMED)))
    browser.find_element(By.CSS_SELECTOR, "a.whole").click()
    assert all(map(all, browser.execute_script(FRAMED)))
    browser.execute_script("survey.choice.change({feeder: arguments[0]}, {fit: true})", town.sites["feeder"][0])
    assert browser.execute_script("return survey.choice.narrowed()")
    assert all(map(all, browser.execute_script(FRAMED)))


def test_one_site_far_away_does_not_shrink_the_rest(see):
    town = town_survey()
    zoom = see(town).execute_script("return map_survey.getZoom()")
    lon = town.sites["lon"].to_numpy().copy()
    lon[5] += 20.0
    points = town.site_points.copy()
    points[5] = shapely.affinity.translate(points[5], 1_600_000, 0)
    browser = see(replace(town, sites=town.sites.assign(lon=lon), site_points=points))
    assert browser.execute_script("return map_survey.getZoom()") == zoom
    sites, _ = browser.execute_script(FRAMED)
    assert [row for row, there in enumerate(sites) if not there] == [5]


def test_very_long_ids_stay_in_the_panel_and_are_whole_on_a_pointer(see):
    town = town_survey(districts=1, streets=2, length=4)
    long = {one: one + "x" * 300 for one in town.switching_points["switch_id"]}
    sites = town.sites.assign(
        site_id=town.sites["site_id"] + "Ω" * 300,
        **{name: town.sites[name].map(long) for name in ("switch_id", "worst_switch_id")},
    )
    points = town.switching_points.assign(switch_id=town.switching_points["switch_id"].map(long))
    browser = see(replace(town, sites=sites, switching_points=points), (420, 900))
    panel = browser.find_element(By.ID, "panel")
    assert panel.get_property("scrollWidth") <= panel.get_property("clientWidth")
    first = browser.find_element(By.CSS_SELECTOR, "#first-list button")
    assert len(first.text) == 40
    assert first.get_attribute("title") in set(long.values())
