"""Two states on one drawing: what is counted, drawn, ringed and escaped; names on a picture lie on no other."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
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


def test_the_page_runs_nothing_and_escapes_what_a_record_says():
    page = drawing(network(), sites=sites(), devices=devices())
    text = fill_page(
        "changes.html.j2", counts={"better": 1}, causes={}, meanings={}, names=("a", "b"), rows=[], caution="c",
        matrix=matrix(sites()), drawing=page,
        tags={"add": 0, "remove": 0, "change": 0, "keep_unknown": 0, "give_back": 0},
    )  # fmt: skip
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
