"""The map page in a real browser."""

from __future__ import annotations

import csv
import io
import json
import math
import time
from dataclasses import replace
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from axe_selenium_python import Axe
from browser import console_errors, set_view
from builders import town_survey
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait
from small_survey import small_survey

from survey.report.map import render_map
from survey.report.map.content import map_content, site_consequence
from survey.report.map.payload import pack_payload
from survey.report.ramp import NO_HAZARD, ramp_hex, rank_size
from survey.report.tables import arrow_table, write_csv

pytestmark = pytest.mark.browser

SIZES = {"phone": (390, 844), "tablet": (1024, 768), "desktop": (1440, 900)}


@pytest.fixture(scope="module")
def town():
    return town_survey()


@pytest.fixture(scope="module")
def page(town, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(render_map(town), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def see(browser):
    """Opens a page and waits until it is drawn."""

    def opened(url, size="desktop", *, touch=False):
        set_view(browser, *SIZES[size], touch=touch)
        browser.get("about:blank")
        console_errors(browser)
        browser.get(url)
        WebDriverWait(browser, 10).until(
            lambda b: b.execute_script("return document.documentElement.dataset.ready") is not None
        )
        return browser

    return opened


def rows(browser):
    return [
        [cell.strip() for cell in line]
        for line in browser.execute_script(
            "return [...document.querySelectorAll('#table tbody tr')].map(r => [...r.children].map(c => c.textContent))"
        )
    ]


def rules(browser):
    return [button.text for button in browser.find_elements(By.CSS_SELECTOR, "#table tbody button.id")]


def card(browser):
    return browser.find_element(By.ID, "card").text


def three_figures(value, most_decimals):
    decimals = 2 - math.floor(math.log10(abs(value))) if value else 0
    return f"{value:,.{min(max(decimals, 0), most_decimals)}f}"


def choose_select(browser, name, text):
    Select(browser.find_element(By.ID, f"narrow-{name}")).select_by_visible_text(text)


def click(browser, selector):
    browser.find_element(By.CSS_SELECTOR, selector).click()


def place_on_map(browser, table, row):
    """Where a row is drawn, CSS pixels of the view; the map shows all sites."""
    return browser.execute_script(
        """const [table, row] = arguments, d = survey.data.blocks, a = survey.about, m = window.map_survey;
        const at = L.CRS.EPSG3857.unproject(L.point(a.origin[0] + d[table + '.x'][row] * a.step_m,
          a.origin[1] + d[table + '.y'][row] * a.step_m));
        const p = m.latLngToContainerPoint(at), box = m.getContainer().getBoundingClientRect();
        return [p.x + box.left, p.y + box.top];""",
        table,
        row,
    )


def tap(browser, x, y):
    for kind in ("mousePressed", "mouseReleased"):
        event = {"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1}
        browser.execute_cdp_cmd("Input.dispatchMouseEvent", event)


def address(browser):
    time.sleep(0.25)
    return {key: values[0] for key, values in parse_qs(urlsplit(browser.current_url).fragment).items()}


def reached(browser, key, value=None):
    """Wait until the address has it."""

    def there(_browser):
        has = address(browser).get(key)
        return has is not None and value in {None, has}

    WebDriverWait(browser, 10).until(there)


def test_opens_without_a_network_and_without_complaint(see, page):
    browser = see(page)
    browser.get_log("performance")
    browser = see(page)
    asked = [
        json.loads(entry["message"])["message"]["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if '"Network.requestWillBeSent"' in entry["message"]
    ]
    assert asked
    assert {urlsplit(url).scheme for url in asked} <= {"file", "data", "blob", "about"}
    assert console_errors(browser) == []
    assert browser.execute_script("return performance.getEntriesByType('resource').map(e => e.name)") == []


def test_sites_are_drawn_in_their_colours(see, page, town):
    browser = see(page)
    row = int((town.sites["band"] == "severe").to_numpy().argmax())
    x, y = place_on_map(browser, "sites", row)
    pixel = browser.execute_script(
        """const [x, y] = arguments, c = document.querySelector('#mapframe canvas'), box = c.getBoundingClientRect();
        const k = c.width / box.width;
        return [...c.getContext('2d').getImageData((x - box.left) * k, (y - box.top) * k, 1, 1).data];""",
        x,
        y,
    )
    expected = browser.execute_script("return survey.marks.colourOf(arguments[0])", row)
    assert "#" + "".join(f"{value:02x}" for value in pixel[:3]) == expected


def test_a_site_chosen_in_the_list_shows_its_numbers_path_and_section(see, page, town):
    browser = see(page)
    click(browser, "#table tbody tr:nth-child(3) button.id")
    site = town.sites.iloc[2]
    text = card(browser)
    assert site["site_id"] in text
    assert site["action"] in text
    for value in (
        f"{three_figures(site['priority'], 1)} of 100",
        f"{three_figures(site['peak_pu'], 3)} pu",
        f"{three_figures(site['exposed_cable_m'], 1)} m",
    ):
        assert value in text
    assert address(browser)["site"] == site["site_id"]
    length = browser.execute_script("return survey.network.pathLines(2).lines.length")
    assert length == 1


def test_every_number_of_the_card_equals_the_table(see, page, town, tmp_path):
    browser = see(page)
    path = tmp_path / "sites.csv"
    write_csv(arrow_table(town.sites, table="sites"), path, table="sites")
    with path.open(encoding="utf-8-sig", newline="") as handle:
        written = list(csv.DictReader(handle))
    for row in (0, 40, 179):
        browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", row)
        shown = browser.execute_script(
            "return [...document.querySelectorAll('#card details [data-column]')]"
            ".map(d => [d.dataset.column, d.querySelector('td').textContent])"
        )
        assert len(shown) > 30
        rings = town.sites["hazard"].fillna(0)[row] > 0
        assert ("Longer cable may score lower in a window of lengths" in card(browser)) == rings
        for column, text in shown:
            number = text.split(" ")[0].replace(",", "") if text != "–" else ""
            assert number == written[row][column].split(" ")[0].lstrip("'")


def test_a_site_and_a_point_chosen_on_the_map(see, page):
    browser = see(f"{page}#bands=severe")
    x, y = place_on_map(browser, "sites", 0)
    tap(browser, x, y)
    assert "T-" in card(browser)
    assert "Severe" in card(browser)
    click(browser, "#card .links button")
    assert browser.execute_script("return survey.choice.state.kind") == "point"
    assert "Operated one pole at a time" in card(browser)
    tap(browser, *place_on_map(browser, "sites", 0))
    assert browser.execute_script("return survey.choice.state.kind") == "site"
    click(browser, "#card .close")
    assert not browser.find_element(By.ID, "card").is_displayed()


def test_a_point_that_exposes_sites_in_a_state_says_in_which(see, town, tmp_path):
    points = town.switching_points.assign(tie_switch_id="", tie_open_id="")
    points.loc[points.index[:2], "tie_open_id"] = "S-Y"
    points.loc[points.index[:1], "tie_switch_id"] = "S-X"
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(town, switching_points=points)), encoding="utf-8")
    browser = see(path.as_uri())
    assert "2 more on rings or in loops fed from the other end" in browser.find_element(By.ID, "totals").text
    for row, said in enumerate(("With S-X closed and S-Y open, operated", "With S-Y open, operated", "Operated")):
        browser.execute_script(f"survey.choice.change({{kind: 'point', row: {row}}})")
        assert f"{said} one pole at a time it leaves" in card(browser)


def test_a_switching_point_lists_every_site_it_exposes(see, page, town):
    browser = see(page)
    click(browser, "#tab-points")
    most = max(range(len(town.exposed_by)), key=lambda p: len(town.exposed_by[p]))
    browser.execute_script("survey.choice.change({kind: 'point', row: arguments[0]})", most)
    shown = {e.text for e in browser.find_elements(By.CSS_SELECTOR, "#card table.exposed button")}
    assert shown == set(town.sites["site_id"].to_numpy()[town.exposed_by[most]])


def test_narrowing_changes_counts_list_and_address(see, page, town):
    browser = see(page)
    choose_select(browser, "district", "Ward 2")
    click(browser, "#narrow-band input[value=severe]")
    chosen = town.sites[(town.sites["district"] == "Ward 2") & (town.sites["band"] == "severe")]
    assert f"{len(chosen)} of {len(town.sites)} sites" in browser.find_element(By.ID, "count").text
    assert [row[1] for row in rows(browser)] == chosen["site_id"].tolist()[:50]
    assert address(browser)["district"] == "Ward 2"
    assert address(browser)["bands"] == "severe"
    browser = see(browser.current_url)
    assert [row[1] for row in rows(browser)] == chosen["site_id"].tolist()[:50]
    click(browser, "#clear")
    assert "All 180 sites" in browser.find_element(By.ID, "count").text


@pytest.mark.parametrize("name", ["feeder", "status"])
def test_narrowing_by_one_value(see, page, town, name):
    browser = see(page)
    value = town.sites[name].iloc[-1]
    select = Select(browser.find_element(By.ID, f"narrow-{name}"))
    select.select_by_value(value)
    assert f"{(town.sites[name] == value).sum()} of 180" in browser.find_element(By.ID, "count").text


def test_the_list_sorts_both_ways_with_missing_last(see, page, town):
    browser = see(page)
    click(browser, "#table thead th:nth-child(5) button")
    down = [row[1] for row in rows(browser)]
    expected = town.sites["worst_cable_m"].round(1).sort_values(ascending=False, kind="stable").index
    assert down == town.sites["site_id"][expected].tolist()[:50]
    assert address(browser)["sort"] == "worst_cable_m-"
    click(browser, "#table thead th:nth-child(4) button")
    click(browser, "#table thead th:nth-child(4) button")
    assert rows(browser)[0][3] == f"{town.sites['worst_peak_pu'].min():.2f}"
    browser.execute_script("for (let i = 0; i < 9; i += 1) survey.table.turn(1)")
    assert rows(browser)[-1][3] == "–"


def test_search_finds_an_id_by_a_part_of_it(see, page):
    browser = see(page)
    field = browser.find_element(By.ID, "find-id")
    field.send_keys("0042")
    assert browser.find_element(By.CSS_SELECTOR, "#find-hits li").text.startswith("T-0042")
    field.send_keys(Keys.ENTER)
    assert "T-0042" in card(browser)
    field.clear()
    field.send_keys("s-01")
    field.send_keys(Keys.ARROW_DOWN, Keys.ENTER)
    assert "S-011" in card(browser)
    field.clear()
    field.send_keys("zzz", Keys.ENTER)
    assert browser.find_element(By.ID, "find-hits").text == "No site or switching point has this name"
    assert "S-011" in card(browser)
    field.clear()
    field.send_keys(" ")
    assert not browser.find_element(By.ID, "find-hits").is_displayed()


def test_first_three_points_are_named_with_a_reason(see, page, town):
    browser = see(page)
    sites = town.sites[town.sites["band"].isin(["high", "severe"])]
    sums = sites["priority"].round(1).groupby(sites["worst_switch_id"]).sum()
    expected = sums.sort_values(ascending=False).index[:3].tolist()
    shown = browser.find_elements(By.CSS_SELECTOR, "#first-list li")
    assert [item.find_element(By.TAG_NAME, "button").text for item in shown] == expected
    for item, point in zip(shown, expected, strict=True):
        counts = sites.loc[sites["worst_switch_id"] == point, "band"].value_counts()
        listed = " and ".join(f"{counts[band]} {band}" for band in ("severe", "high") if band in counts)
        assert f"{listed} site{'s' if counts.sum() > 1 else ''}, " in item.text
        reason = item.find_element(By.TAG_NAME, "p")
        assert reason.get_property("scrollHeight") <= reason.get_property("clientHeight") + 1
    assert any(" and " in item.text for item in shown)
    assert "times normal voltage" in shown[0].text


def test_units_switch_on_the_page_and_in_the_settings(see, page, town, tmp_path):
    browser = see(f"{page}#site={town.sites['site_id'].iloc[0]}")
    assert f"{three_figures(town.sites['worst_cable_m'].iloc[0], 1)} m" in card(browser)
    click(browser, "[data-units=us]")
    feet = town.sites["worst_cable_m"].iloc[0].round(1) * 3.280839895
    assert f"{feet:,.0f} ft" in card(browser)
    assert " ft" in browser.find_element(By.CLASS_NAME, "leaflet-control-scale-line").text + " mi"
    us = tmp_path / "us.html"
    us.write_text(render_map(town_survey(settings={"report": {"units": "us"}})), encoding="utf-8")
    browser = see(us.as_uri())
    assert browser.find_element(By.CSS_SELECTOR, "[data-units=us]").get_attribute("aria-pressed") == "true"
    assert "ft of cable" in browser.find_element(By.ID, "first-list").text


def test_copied_rows_are_those_of_the_table_file(see, page, town, tmp_path):
    browser = see(f"{page}#bands=high")
    text = browser.execute_script("return survey.table.csv()")
    path = tmp_path / "sites.csv"
    high = town.sites[town.sites["band"] == "high"]
    write_csv(arrow_table(high, table="sites"), path, table="sites")
    written = path.read_text(encoding="utf-8-sig")
    assert list(csv.reader(io.StringIO(text))) == list(csv.reader(io.StringIO(written)))
    browser.execute_script(
        "document.execCommand = (what) => { window.copiedBy = what; return true; };"
        "navigator.clipboard && (navigator.clipboard.writeText = () => Promise.reject(new Error('no')));"
    )
    click(browser, "#copy")
    WebDriverWait(browser, 3).until(lambda b: "Copied" in b.find_element(By.ID, "copied").text)
    assert f"{len(high)} rows" in browser.find_element(By.ID, "copied").text


def test_a_large_survey_is_read_in_parts_and_what_is_left_out_is_said(see, town, tmp_path, monkeypatch):
    monkeypatch.setattr("survey.report.map.payload.PLAIN_LIMIT", 0)
    monkeypatch.setattr("survey.report.map.content.CABLES_A_BLOB", 40)
    monkeypatch.setattr("survey.report.map.content.PATHS_A_BLOB", 30)
    path = tmp_path / "parts.html"
    path.write_text(render_map(town), encoding="utf-8")
    browser = see(path.as_uri())
    assert not browser.find_element(By.ID, "leftout").is_displayed()
    assert browser.execute_script("return survey.network.cables.owners") == len(town.cables)
    assert browser.execute_script("return survey.network.paths.owners") == len(town.sites)
    whole = sum(map(len, pack_payload(map_content(town).blobs).scripts))
    path.write_text(render_map(town, limit=whole * 2 // 3), encoding="utf-8")
    browser = see(path.as_uri())
    left = len(town.cables) - browser.execute_script("return survey.network.cables.owners")
    assert left > 0
    assert f"leaves out {left} of {len(town.cables)} cables" in browser.find_element(By.ID, "leftout").text
    browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", len(town.sites) - 1)
    assert "in survey.gpkg" in card(browser)
    assert console_errors(browser) == []


HOSTILE = [
    '<img src=x onerror="window.ran=1">',
    "</script><script>window.ran=1</script>",
    "=HYPERLINK(1)",
    "\u2028'\"`${window.ran=1}",
    "&lt;b&gt; %00 \t",
]


def test_hostile_names_run_nothing_and_are_shown_as_they_are(see, tmp_path):
    result = small_survey()
    columns = ("site_id", "district", "feeder", "action", "notes", "switch_device", "connection")
    texts = dict.fromkeys(columns, HOSTILE)
    points = result.switching_points.assign(switch_id=HOSTILE[:2], switch_device=HOSTILE[1:3], feeder=HOSTILE[2:4])
    sites = result.sites.assign(**texts, switch_id=[HOSTILE[0], HOSTILE[0], HOSTILE[1], "", ""])
    findings = result.findings.assign(message=HOSTILE[:2], rule=HOSTILE[1:3], ids=HOSTILE[2:4])
    settings = town_survey(settings={"report": {"title": HOSTILE[1], "data_date": HOSTILE[0]}}).settings
    hostile = replace(result, sites=sites, switching_points=points, findings=findings, settings=settings)
    path = tmp_path / "hostile.html"
    path.write_text(render_map(hostile), encoding="utf-8")
    browser = see(path.as_uri())
    assert browser.find_element(By.TAG_NAME, "h1").text == HOSTILE[1]
    for kind, count in (("site", 5), ("point", 2), ("finding", 2)):
        for row in range(count):
            browser.execute_script("survey.choice.change({kind: arguments[0], row: arguments[1]})", kind, row)
    for tab in ("points", "findings", "sites"):
        click(browser, f"#tab-{tab}")
    browser.find_element(By.ID, "find-id").send_keys("<")
    assert HOSTILE[0] in browser.find_element(By.ID, "find-hits").text
    assert browser.execute_script("return window.ran === undefined && !document.querySelector('img')")
    assert "'=HYPERLINK(1)" in browser.execute_script("return survey.table.csv()")
    assert console_errors(browser) == []
    browser.execute_script("survey.choice.change({kind: 'site', row: 1})")
    browser = see(f"{browser.current_url}")
    assert browser.execute_script("return window.ran === undefined")


def test_a_strange_address_is_no_trouble(see, page):
    browser = see(f"{page}#site=nobody&bands=loud&district=%3Cimg%3E&sort=x&view=1,2&finding=99&units=furlong")
    assert "All 180 sites" in browser.find_element(By.ID, "count").text
    assert console_errors(browser) == []


def test_keyboard_alone_is_enough(see, page, town):
    browser = see(page)
    seen = []
    for _ in range(60):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        focused = browser.switch_to.active_element
        seen.append(focused.get_attribute("id") or focused.get_attribute("class") or focused.tag_name)
        if focused.get_attribute("data-kind") == "site":
            break
    assert {"print", "find-id", "narrow-district", "narrow-feeder", "narrow-status", "tab-sites"} <= set(seen)
    focused.send_keys(Keys.ARROW_DOWN)
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    assert town.sites["site_id"].iloc[1] in card(browser)
    assert browser.switch_to.active_element.text == town.sites["site_id"].iloc[1]
    browser.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert not browser.find_element(By.ID, "card").is_displayed()
    tab = browser.find_element(By.ID, "tab-sites")
    tab.send_keys(Keys.ARROW_RIGHT)
    assert browser.switch_to.active_element.get_attribute("id") == "tab-points"
    assert rows(browser)[0][0].startswith("S-")


def test_a_small_screen_shows_map_list_and_card(see, page):
    browser = see(page, "phone", touch=True)
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    assert browser.find_element(By.ID, "caution").is_displayed()
    assert browser.execute_script("return document.getElementById('mapframe').getBoundingClientRect().height") > 200
    click(browser, "#first-list li button")
    assert "Operated one pole" in card(browser)
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    assert not browser.find_element(By.ID, "panel").is_displayed()
    click(browser, "#card .close")
    assert browser.find_element(By.ID, "panel").is_displayed()


@pytest.mark.parametrize(("width", "height"), [(900, 700), (1400, 900)])
def test_the_list_begins_where_it_is_seen(browser, page, width, height):
    set_view(browser, width, height)
    browser.get(page)
    WebDriverWait(browser, 20).until(lambda b: b.find_elements(By.CSS_SELECTOR, "#table tbody tr"))
    bottom = browser.execute_script("return document.querySelector('#panel').getBoundingClientRect().bottom")
    tops = browser.execute_script(
        "return [...document.querySelectorAll('#table tbody tr')].map((row) => row.getBoundingClientRect().bottom)"
    )
    assert sum(top <= bottom for top in tops) >= 4


def legend(browser):
    return browser.execute_script("return document.getElementById('legend-items').innerText")


def test_the_legend_shows_only_what_is_drawn(see, page):
    browser = see(page)
    assert len(browser.find_elements(By.CSS_SELECTOR, "#legend .ramp")) == 1
    assert browser.execute_script("return [...document.querySelectorAll('.ramp i')].map(t => t.style.left)") == [
        "33.3%",
        "66.7%",
    ]
    shown = legend(browser)
    assert "Severe" in shown
    assert "No way to a supply" in shown
    assert "Exposed cable" not in shown
    browser.execute_script("survey.choice.change({kind: 'site', row: 0, bands: new Set(['severe'])})")
    shown = legend(browser)
    assert "Severe" in shown
    assert "Moderate" not in shown
    assert "No way to a supply" not in shown
    assert "Exposed cable" in shown
    assert "Way from the site to the point" in shown


def test_colour_is_the_hazard_shape_the_band_or_status_size_the_rank(see, page, town):
    browser = see(page)
    looks = browser.execute_script(
        "return [...Array(survey.data.rows('sites')).keys()].map(r => "
        "[survey.marks.markOf(r).key, survey.marks.colourOf(r), survey.marks.sizeOf(r) / survey.marks.markOf(r).size])"
    )
    for (key, colour, size), site in zip(looks, town.sites.to_dict("records"), strict=True):
        if site["status"] == "assessed":
            assert (key, size) == (site["band"], rank_size(site["rank"]))
            # the page has hazards to one decimal
            assert abs(ramp_hex().index(colour) - site["hazard"]) <= 0.6
        else:
            assert (key, colour) == (site["status"], NO_HAZARD)


def test_figures_of_the_card_are_those_of_the_point_that_sets_the_score(see, page, town):
    browser = see(page)
    apart = (town.sites["worst_switch_id"] != town.sites["switch_id"]) & (town.sites["worst_switch_id"] != "")
    same = (town.sites["worst_switch_id"] == town.sites["switch_id"]) & (town.sites["switch_id"] != "")
    for row, shown, left_out in (
        (int(apart.to_numpy().argmax()), "worst_peak_pu", "peak_pu"),
        (int(same.to_numpy().argmax()), "peak_pu", "worst_peak_pu"),
    ):
        browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", row)
        told = [r.get_attribute("data-column") for r in browser.find_elements(By.CSS_SELECTOR, "table.numbers tr")]
        assert shown in told
        assert left_out not in told


def test_the_point_shown_is_the_one_that_sets_the_score(see, page, town):
    browser = see(page)
    sites = town.sites
    row = int(((sites["switch_id"] != sites["worst_switch_id"]) & (sites["band"] != "")).to_numpy().argmax())
    browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", row)
    links = [e.text for e in browser.find_elements(By.CSS_SELECTOR, "#card .links button")]
    assert links == [sites["worst_switch_id"][row], sites["switch_id"][row]]


def test_what_stands_in_one_place_is_fanned_out_and_listed(see, tmp_path):
    survey = small_survey()
    for name, row in (("site_points", 1), ("site_points", 2), ("switch_points", 0)):
        getattr(survey, name)[row] = survey.site_points[0]
    sites = survey.sites.assign(lon=-99.0, lat=36.1)
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(survey, sites=sites)), encoding="utf-8")
    browser = see(f"{path.as_uri()}")
    browser.execute_script("map_survey.setZoom(13, {animate: false})")
    tap(browser, *place_on_map(browser, "sites", 0))
    here = browser.find_element(By.ID, "here")
    assert here.is_displayed()
    assert "T-1" in here.text
    assert "=SUM(A1)" in here.text
    here.find_elements(By.TAG_NAME, "button")[1].click()
    assert not here.is_displayed()
    assert browser.execute_script("return survey.choice.state.kind") in {"site", "point"}
    browser.execute_script("map_survey.setZoom(18, {animate: false})")
    places = browser.execute_script(
        "return [0, 1, 2].map(r => survey.fan.shift({zoom: map_survey.getZoom()}, 'sites', r).join())"
    )
    assert len(set(places)) == 3


def test_findings_are_a_layer(see, page):
    browser = see(page)
    assert not browser.find_element(By.ID, "show-findings").is_selected()
    click(browser, "#tab-findings")
    assert browser.find_element(By.ID, "show-findings").is_selected()
    assert rules(browser) == ["bad kva", "length mismatch", "default core"]
    assert "recorded 210 m, drawn 95 m" in rows(browser)[1][1]
    click(browser, "#table tbody tr:nth-child(2) button.id")
    assert "recorded 210 m, drawn 95 m" in card(browser)
    assert (
        browser.execute_script("return survey.layer.hit(map_survey, map_survey.getSize().divideBy(2), 40).kind")
        == "finding"
    )


@pytest.mark.parametrize(
    ("size", "state"),
    [
        ("desktop", ""),
        ("desktop", "site=T-0003"),
        ("tablet", "point=S-011&units=us"),
        ("tablet", "list=findings"),
        ("phone", ""),
    ],
)
def test_no_serious_accessibility_violation(see, page, size, state):
    browser = see(f"{page}#{state}", size)
    axe = Axe(browser)
    axe.inject()
    violations = axe.run()["violations"]
    assert [(v["id"], v["nodes"][0]["html"]) for v in violations if v["impact"] in ("serious", "critical")] == []


def test_print_hides_the_controls_and_keeps_the_caution(see, page):
    browser = see(page)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert not browser.find_element(By.ID, "narrow").is_displayed()
        assert browser.find_element(By.ID, "caution").is_displayed()
        assert browser.find_element(By.ID, "legend-body").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_paper_has_the_whole_filtered_map_at_its_scale_and_every_row(see, page, town):
    browser = see(page)
    browser.execute_script("survey.choice.change({district: 'Ward 2'})")
    view = browser.execute_script("const c = map_survey.getCenter(); return [c.lat, c.lng, map_survey.getZoom()]")
    browser.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    assert browser.execute_script("return document.getElementById('paper-title').textContent") == "District Ward 2"
    said = browser.execute_script("return document.getElementById('paper-scale').textContent")
    scale = int("".join(said.split("1:")[1].split(" on")[0].split()))
    ground, shown = browser.execute_script(
        """const m = map_survey, size = m.getSize(), y = size.y / 2;
        const at = (r) => ["lat", "lon"].map(name => survey.data.number("sites", name, r));
        const inside = [...survey.choice.kept.sites].every(r => m.getBounds().contains(at(r)));
        return [m.distance(m.containerPointToLatLng([0, y]), m.containerPointToLatLng([100, y])), inside];"""
    )
    assert ground / (100 / 96 * 0.0254) == pytest.approx(scale, rel=0.01)
    assert shown
    listed = browser.execute_script(
        "return [...document.querySelectorAll('#paper-list tbody tr')].map(r => r.children[1].textContent)"
    )
    assert listed == town.sites["site_id"][town.sites["district"] == "Ward 2"].tolist()
    browser.execute_script("window.dispatchEvent(new Event('afterprint'))")
    again = browser.execute_script("const c = map_survey.getCenter(); return [c.lat, c.lng, map_survey.getZoom()]")
    assert again == pytest.approx(view, abs=1e-4)
    assert browser.execute_script("return document.getElementById('paper-list').childElementCount") == 0


def test_the_strip_of_a_section_and_its_load_stand_in_the_card(see, town, tmp_path):
    strip = (
        "/S-001 | 28 m cable | @T-0007 | 600 m overhead | +2 sites, 40 m cable | =G-1"
        " | +@Mill, bank 2, 40 m cable, 6 m overhead | @<b>x</b>"
    )
    points = town.switching_points.assign(strip=strip)
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(town, switching_points=points)), encoding="utf-8")
    browser = see(f"{path.as_uri()}#units=us")
    row = int((town.sites["status"] == "assessed").to_numpy().argmax())
    browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", row)
    items = [e.text.replace("\n", " ") for e in browser.find_elements(By.CSS_SELECTOR, "#card .strip li")]
    assert items[0] == f"S-001 hold {town.sites['hold_kw'][row]:,.0f} kW"
    assert items[1] == "92 ft of cable"
    assert items[2].startswith("T-0007 ")
    assert items[3] == "1,969 ft of overhead line"
    assert "branch: 2 sites, 131 ft of cable" in items[4]
    assert items[5] == "G-1 three-pole device"
    assert items[6].endswith("branch: Mill, bank 2, 131 ft of cable, 20 ft of overhead line")
    assert items[7] == "<b>x</b>"


def chosen(browser):
    return browser.execute_script("return [survey.choice.state.kind, survey.choice.state.row]")


def map_view(browser):
    return browser.execute_script("const c = map_survey.getCenter(); return [c.lat, c.lng, map_survey.getZoom()]")


def test_back_and_forward_step_through_what_was_chosen(see, page):
    browser = see(page)
    reached(browser, "view")
    for row in (1, 2):
        button = f"#table tbody tr:nth-child({row + 1}) button.id"
        site = browser.find_element(By.CSS_SELECTOR, button).text
        click(browser, button)
        reached(browser, "site", site)
    browser.back()
    assert chosen(browser) == ["site", 1]
    browser.back()
    assert chosen(browser) == ["", -1]
    browser.forward()
    assert chosen(browser) == ["site", 1]


def test_closing_a_card_goes_back_to_the_view_before_and_a_button_shows_all(see, page):
    browser = see(page)
    whole = map_view(browser)
    browser.execute_script("map_survey.setZoom(15.5, {animate: false})")
    before = map_view(browser)
    browser.execute_script("survey.choice.change({kind: 'site', row: 4}, {fit: true})")
    assert map_view(browser) != pytest.approx(before)
    click(browser, "#card .close")
    assert map_view(browser) == pytest.approx(before, abs=1e-4)
    click(browser, ".leaflet-bar a.whole")
    assert map_view(browser) == pytest.approx(whole, abs=1e-3)


def test_findings_obey_the_filters_and_lead_to_what_they_name(see, page, town):
    browser = see(f"{page}#list=findings")
    assert rules(browser) == ["bad kva", "length mismatch", "default core"]
    ward = town.sites.set_index("site_id")["district"]["T-0007"]
    other = next(name for name in sorted(set(town.sites["district"])) if name != ward)
    browser.execute_script("survey.choice.change({district: arguments[0]})", other)
    assert "bad kva" not in rules(browser)
    browser.execute_script("survey.choice.change({district: '', kind: 'finding', row: 0})")
    click(browser, "#card .ids button")
    assert browser.find_element(By.CSS_SELECTOR, "#card h2").text == "T-0007"


def test_bars_tell_why_a_site_ranks_where_it_does(see, town, tmp_path):
    sites = town.sites.assign(critical=1.0)
    points = town.switching_points.assign(ops_year=0.5, likelihood=0.4)
    points.loc[0, "ops_year"] = 4.0
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(town, sites=sites, switching_points=points)), encoding="utf-8")
    browser = see(path.as_uri())
    row = int((town.sites["band"] == "severe").to_numpy().argmax())
    browser.execute_script("survey.choice.change({kind: 'site', row: arguments[0]})", row)
    bars = dict(
        browser.execute_script(
            "return [...document.querySelectorAll('#card .bars li')].map(b => [b.children[0].textContent,"
            " [parseFloat(b.querySelector('i').style.width), b.children[2].textContent]])"
        )
    )
    assert bars["Share that rings"] == [40, "40 %"]
    assert bars["Severity"][0] == pytest.approx(town.sites["hazard"][row], abs=0.06)
    weight = site_consequence(replace(town, sites=sites))[row]
    assert bars["Consequence"][1].startswith(f"{weight:.2f} of ")
    assert bars["Operations a year"][1].endswith("of at most 4")


def test_normally_open_points_are_drawn_and_named(see, page, town, tmp_path):
    assert "Normally open" not in legend(see(page))
    places = [[float(town.sites["lon"][0]), float(town.sites["lat"][0])]]
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(town, record={"open_places": places})), encoding="utf-8")
    browser = see(path.as_uri())
    assert "Normally open" in legend(browser)
    steps = browser.execute_script(
        "const d = survey.data.blocks; return [d['open.x'][0] - d['sites.x'][0], d['open.y'][0] - d['sites.y'][0]]"
    )
    assert max(map(abs, steps)) <= 1


def test_the_worst_sequence_in_time_is_in_the_card_of_a_leading_site(see, town, tmp_path):
    turn = np.linspace(0, 12 * np.pi, 385)
    phases = [np.cos(turn), np.cos(turn - 2), 4.2 * np.sin(turn / 3)]
    plain = [(100 * v).round().astype(int).tolist() for v in phases]
    wave = {"sites": [1], "words": "poles a and b closed", "closed": [True, True, False], "cycles": 6}
    waves = [{**wave, "plain": plain, "held": [*plain[:2], (np.array(plain[2]) // 2).tolist()]}]
    path = tmp_path / "map.html"
    path.write_text(render_map(replace(town, waveforms=waves)), encoding="utf-8")
    browser = see(path.as_uri())
    browser.execute_script("survey.choice.change({kind: 'site', row: 1})")
    said = [e.get_attribute("aria-label") for e in browser.find_elements(By.CSS_SELECTOR, "#card svg.wave")]
    assert said == [
        "Without arresters: up to 4.2 times normal crest",
        "With an arrester on every open phase: up to 2.1 times normal crest",
    ]
    points = browser.execute_script("return document.querySelector('#card svg.wave .first').getAttribute('points')")
    heights = [float(point.split(",")[1]) for point in points.split()]
    assert (min(heights), max(heights)) == pytest.approx((6, 90), abs=0.2)
    browser.execute_script("survey.choice.change({kind: 'site', row: 2})")
    assert not browser.find_elements(By.CSS_SELECTOR, "#card svg.wave")


def test_one_site_is_one_site(see, tmp_path):
    full = small_survey()
    one = replace(
        full, sites=full.sites.iloc[:1], site_points=full.site_points[:1], site_paths=full.site_paths[:1],
        exposed_by=tuple(rows[rows < 1] for rows in full.exposed_by),
    )  # fmt: skip
    path = tmp_path / "map.html"
    path.write_text(render_map(one), encoding="utf-8")
    browser = see(path.as_uri())
    assert " 1 site, " in browser.find_element(By.ID, "totals").text
    assert browser.find_element(By.ID, "count").text == "The only site is shown"


def test_a_survey_without_sites_shows_its_network(see, tmp_path):
    full = small_survey()
    none = replace(
        full, sites=full.sites.iloc[:0], site_points=full.site_points[:0], site_paths=full.site_paths[:0],
        exposed_by=tuple(rows[:0] for rows in full.exposed_by),
    )  # fmt: skip
    path = tmp_path / "map.html"
    path.write_text(render_map(none), encoding="utf-8")
    browser = see(path.as_uri())
    assert browser.find_element(By.ID, "count").text == "This survey has no sites"
    assert browser.execute_script("return map_survey.getZoom()") > 12
    assert console_errors(browser) == []
