"""Two states on one drawing: what is counted, drawn, ringed and escaped; names on a picture lie on no other."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from axe_selenium_python import Axe
from browser import set_view
from matplotlib.transforms import Affine2D
from shapely.geometry import LineString

from survey.planning.pictures import draw_scale_bar, name_marks
from survey.report.before_after import drawing, fill_page, matrix
from survey.report.pictures import draw_network, picture

CRS = "EPSG:32633"
X, Y = 500_000.0, 5_300_000.0


def network(crs=CRS):
    lines = [LineString([(X, Y), (X + 1000, Y + 500)]), LineString([(X + 1000, Y + 500), (X + 1000, Y)])]
    return gpd.GeoSeries(lines, crs=CRS).to_crs(crs)


def sites():
    rows = [
        ("T1", "severe", "assessed", 90.0, "low", "no_single_pole", 0.0),
        ("T2", "high", "assessed", 50.0, "high", "assessed", 50.0),
        ("<b>T3", "", "absent", np.nan, "", "looped", np.nan),
    ]
    names = ["site_id", "band_old", "status_old", "hazard_old", "band_new", "status_new", "hazard_new"]
    table = pd.DataFrame(rows, columns=names)
    points = gpd.points_from_xy([X, X + 500, X + 1000], [Y, Y + 250, Y], crs=CRS).to_crs("EPSG:4326")
    return table.assign(lon=points.x, lat=points.y, words=["<i>better", "as before", "new"])


def devices(n=1):
    table = sites().iloc[[0] * n]
    return pd.DataFrame(
        {"text": [str(k + 1) for k in range(n)], "words": "K1", "lon": table["lon"], "lat": table["lat"]}
    )


def test_every_site_is_counted_once_by_what_it_was_and_is():
    table = matrix(sites())
    assert table["columns"] == ["High", "No single-pole point", "On a ring, undecided"]
    assert [name for name, _ in table["rows"]] == ["Severe", "High", "Not there"]
    assert [[n for n, _ in cells] for _, cells in table["rows"]] == [[0, 1, 0], [1, 0, 0], [0, 0, 1]]
    assert [[same for _, same in cells] for _, cells in table["rows"]][1] == [True, False, False]


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326"])
def test_the_drawing_is_true_to_scale_and_marks_what_changed(crs):
    page = drawing(network(crs), sites=sites(), devices=devices())
    places = {m["site_id"]: (m["x"], m["y"]) for m in page["marks"]}
    pixels = np.hypot(*np.subtract(places["T1"], places["<b>T3"]))
    bar, text = page["bar"]
    assert text == "200 m"
    assert pixels / 1000 == pytest.approx(bar / 200, rel=2e-3)
    assert {m["site_id"]: m["moved"] for m in page["marks"]} == {"T1": True, "T2": False, "<b>T3": True}
    assert {m["site_id"]: m["shape_old"] for m in page["marks"]}["<b>T3"] == ""
    assert {mark.key for mark, _ in page["legend"]} == {"severe", "high", "no_single_pole", "looped"}


def test_numbers_of_installs_in_one_place_are_all_readable():
    page = drawing(network(), sites=sites(), devices=devices(4))
    at = [(d["text_x"], d["text_y"]) for d in page["devices"]]
    for k, (x, y) in enumerate(at):
        assert all(abs(x - u) > 9 or abs(y - v) > 11 for u, v in at[:k])


def test_numbers_of_installs_keep_clear_of_the_rings_about_what_changed():
    page = drawing(network(), sites=sites(), devices=devices(4))
    for d in page["devices"]:
        for m in page["marks"]:
            if m["moved"]:
                assert abs(d["text_x"] - m["x"]) > 11 or abs(d["text_y"] - m["y"]) > 11


def page_text():
    return fill_page(
        "changes.html.j2", counts={"better": 1}, causes={}, meanings={}, names=("a", "b"), caution="c",
        rows=[{"site_id": "T1", "change": "better", "priority_old": 2.0, "priority_new": 1.0, "band_old": "high",
               "band_new": "low", "why": "w" * 90}],
        matrix=matrix(sites()), drawing=drawing(network(), sites=sites(), devices=devices()),
        tags={"add": 0, "remove": 0, "change": 0, "keep_unknown": 0, "give_back": 0},
    )  # fmt: skip


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1400, 900), (420, 800)])
def test_the_page_has_no_serious_accessibility_violation_and_fits(browser, tmp_path, size):
    path = tmp_path / "changes.html"
    path.write_text(page_text(), encoding="utf-8")
    set_view(browser, *size)
    browser.get(path.as_uri())
    axe = Axe(browser)
    axe.inject()
    found = axe.run()["violations"]
    assert [v["id"] for v in found if v["impact"] in {"serious", "critical"}] == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= size[0]
    shown = "return ['old', 'new'].map(w => getComputedStyle(document.querySelector('g.' + w)).display !== 'none')"
    assert browser.execute_script(shown) == [False, True]
    browser.find_element("id", "before").click()
    assert browser.execute_script(shown) == [True, False]


def test_the_page_runs_nothing_and_escapes_what_a_record_says():
    text = page_text()
    assert "&lt;b&gt;T3" in text
    assert "<b>" not in text
    assert "<i>" not in text
    assert "<script" not in text
    assert text.index('id="before"') < text.index('id="after"')


def test_nothing_drawn_draws_nothing():
    assert drawing(gpd.GeoSeries([None], crs=CRS), sites=sites(), devices=devices()) == {}


def test_names_on_the_plan_picture_lie_on_no_other(tmp_path):
    rng = np.random.default_rng(1)
    xy = np.array([X, Y]) + rng.uniform(0, 1000, (25, 2)) * (1.0, 0.5)
    lines = network()
    with picture([tmp_path / "a.png"], size=(9.0, 5.0)) as (figure, axes):
        draw_network(axes, lines)
        axes.plot(*xy.T, "s", markersize=7)
        figure.draw_without_rendering()
        axes.autoscale(enable=False)
        page = axes.transData + Affine2D().scale(72.0 / figure.dpi)
        name_marks(axes, xy, [f"{k}  S-{k:04d}" for k in range(25)], lines=lines, page=page)
        draw_scale_bar(axes, page=page, units="metric")
        boxes = [text.get_window_extent() for text in axes.texts]
    assert len(boxes) == 26
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
