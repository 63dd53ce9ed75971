"""No text on the map of the sample lies on another, in four sizes of window and on paper."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from browser import set_view
from selenium.webdriver.support.ui import WebDriverWait

from survey.pipeline import run_survey
from survey.report.map import render_map
from survey.settings import build_settings, load_settings

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_data"
SIZES = {"large": (1400, 900), "tablet": (1024, 768), "phone": (420, 800)}
SPY = """
const drawing = CanvasRenderingContext2D.prototype, plain = drawing.fillText, clear = drawing.clearRect;
survey.texts = [];
drawing.clearRect = function (...box) { survey.texts = []; return clear.apply(this, box); };
drawing.fillText = function (text, x, y) {
  const made = this.measureText(text), t = this.getTransform();
  const left = x - made.actualBoundingBoxLeft, right = x + made.actualBoundingBoxRight;
  const top = y - made.actualBoundingBoxAscent, low = y + made.actualBoundingBoxDescent;
  const at = (a, b) => [t.a * a + t.c * b + t.e, t.b * a + t.d * b + t.f];
  survey.texts.push([text, [at(left, top), at(right, top), at(right, low), at(left, low)]]);
  return plain.call(this, text, x, y);
};
"""
"""Keeps what was written at the last drawing, and where its corners came to lie."""
REDRAWN = "survey.choice.change(arguments[0], {fit: true}); return survey.texts"
ZOOMED = "map_survey.setView(arguments[0], arguments[1], {animate: false}); return survey.texts"
PRINTED = """
window.dispatchEvent(new Event('beforeprint'));
const {texts} = survey;
window.dispatchEvent(new Event('afterprint'));
return texts;
"""
MIDDLE_OF = """
const n = survey.network.background, d = survey.data.blocks, {origin, step_m: step} = survey.about;
const i = n.firstPoint[n.firstLine[d['background.label.texts'].indexOf(arguments[0])]] + 3;
const at = L.CRS.EPSG3857.unproject(L.point(origin[0] + n.x[i] * step, origin[1] + n.y[i] * step));
return [at.lat, at.lng];
"""


LENGTHENED = """
for (const name of ['sites.site_id', 'switching_points.switch_id']) {
  const texts = survey.data.blocks[`${name}.texts`];
  texts.forEach((text, i) => { texts[i] = `A long name that all of them begin with ${text}`; });
}
survey.about.districts = survey.about.districts.map(name => `${name}, a district with quite a long name`);
"""


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    raw = load_settings(SAMPLE / "network.toml").model_dump() | {"study": {"run": False}}
    result = run_survey(SAMPLE / "network.gpkg", settings=build_settings(raw))
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(render_map(result), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def see(browser, page):
    def opened(size):
        set_view(browser, *SIZES[size])
        browser.get("about:blank")
        browser.get(page)
        WebDriverWait(browser, 10).until(
            lambda b: b.execute_script("return document.documentElement.dataset.ready") is not None
        )
        browser.execute_script(SPY)
        return browser

    return opened


def overlaps(texts):
    """Pairs of texts of which one covers a part of the other."""
    boxes = np.array([shapely.Polygon(corners) for _, corners in texts], object)
    one, other = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    pairs = [(a, b) for a, b in zip(one.tolist(), other.tolist(), strict=True) if a < b]
    return [(texts[a][0], texts[b][0]) for a, b in pairs if boxes[a].intersection(boxes[b]).area > 1]


@pytest.mark.parametrize("size", SIZES)
def test_no_text_lies_on_another(see, size):
    browser = see(size)
    whole = browser.execute_script(REDRAWN, {"kind": ""})
    assert {"Old Ferry", "1"} <= {text for text, _ in whole}
    near = browser.execute_script(ZOOMED, browser.execute_script(MIDDLE_OF, "Market Street"), 15.5)
    site = browser.execute_script(REDRAWN, {"kind": "site", "row": 0})
    for texts in (whole, near, site):
        assert overlaps(texts) == []


def test_no_text_lies_on_another_on_paper(see):
    texts = see("large").execute_script(PRINTED)
    assert len(texts) > 8
    assert overlaps(texts) == []


def test_names_of_streets_are_written_once_and_from_near(see):
    browser = see("large")
    streets = {"Mill Lane", "Market Street", "Church Street", "Rope Walk", "Kiln Road", "Ferry Street"}
    middle = browser.execute_script(MIDDLE_OF, "Market Street")
    assert streets & {text for text, _ in browser.execute_script(ZOOMED, middle, 13)} == set()
    near = [text for text, _ in browser.execute_script(ZOOMED, middle, 16)]
    assert len(streets & set(near)) >= 3
    assert len(near) == len(set(near))


@pytest.mark.parametrize("size", ["large", "phone"])
def test_long_names_are_cut_in_the_middle_lie_on_no_other_and_in_the_map(see, size):
    browser = see(size)
    browser.execute_script(LENGTHENED)
    whole = browser.execute_script(REDRAWN, {"kind": ""})
    site = browser.execute_script(REDRAWN, {"kind": "site", "row": 0})
    width, room = browser.execute_script("return [map_survey.getSize().x, document.querySelector('canvas').width / 6]")
    for texts in (whole, site):
        assert overlaps(texts) == []
    ids = [(text, corners) for text, corners in site if text.startswith("A long nam…")]
    assert {text[-9:-7] for text, _ in ids} >= ({"S-", "B-"} if size == "large" else set())
    for _, corners in ids:
        middle = np.mean([x for x, _ in corners]) - room
        assert all(0 <= x - room <= width for x, _ in corners) or not 0 <= middle <= width
