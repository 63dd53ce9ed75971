"""Scales, views and places on sheets."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS, Geod

from survey.report.sheets.paper import Rect
from survey.report.sheets.view import (
    View,
    bar_length_m,
    customary_scale,
    fit,
    length_text,
    local_crs,
    moved,
    scale_text,
)

FRAME = Rect(30.0, 50.0, 580.0, 550.0)


@pytest.mark.parametrize(
    ("needed", "units", "scale"),
    [(500, "metric", 500), (501, "metric", 600), (1000, "metric", 1000), (9100, "metric", 10000),
     (12600, "metric", 15000), (1200, "us", 1200), (1201, "us", 1800), (11000, "us", 12000), (4700, "us", 4800)],
)  # fmt: skip
def test_customary_scales(needed: float, units: str, scale: float) -> None:
    assert customary_scale(needed, units=units) == pytest.approx(scale)


@given(st.floats(500, 1e7), st.sampled_from(["metric", "us"]))
def test_the_next_customary_scale_is_near(needed: float, units: str) -> None:
    assert needed * (1 - 1e-8) <= customary_scale(needed, units=units) <= needed * 1.51


def test_scales_in_words() -> None:
    assert scale_text(2500.0, units="metric") == "1:2 500"
    assert scale_text(1200.0, units="us") == "1 in = 100 ft"


def test_lengths_in_words() -> None:
    assert [length_text(v, units="metric") for v in (50.0, 2000.0)] == ["50 m", "2 km"]
    assert [length_text(v * 0.3048, units="us") for v in (200.0, 5280.0)] == ["200 ft", "1 mi"]


@given(st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=1), st.sampled_from(["metric", "us"]))
def test_fit_shows_everything_with_room(places: list[tuple[float, float]], units: str) -> None:
    xy = np.array(places)
    view = fit(xy, frame=FRAME, units=units)
    assert view.shows(xy).all()
    on_page = view.to_page(xy)
    assert (on_page >= (FRAME.x0 + 25, FRAME.y0 + 22)).all()
    assert (on_page <= (FRAME.x1 - 25, FRAME.y1 - 22)).all()


def test_a_metre_on_paper() -> None:
    view = View(FRAME, (100.0, 200.0), 1000.0)
    here, there = view.to_page(np.array([[100.0, 200.0], [135.277778, 200.0]]))
    assert here.tolist() == [305.0, 300.0]
    assert there[0] - here[0] == pytest.approx(100.0, abs=1e-4)  # 35.28 m at 1:1000 is 35.28 mm, or 100 points
    assert view.ground.width == pytest.approx(550 / 72 * 0.0254 * 1000)


@pytest.mark.parametrize(("units", "unit_m"), [("metric", 1.0), ("us", 0.3048)])
@given(scale=st.floats(500, 1e6))
def test_scale_bar_is_round_and_fits(units: str, unit_m: float, scale: float) -> None:
    view = View(FRAME, (0.0, 0.0), scale)
    length = bar_length_m(view, longest=120.0, units=units)
    assert 120 / 2.6 <= length * view.points_per_m <= 120 * (1 + 1e-9)
    shown = length / unit_m
    shown = shown / 5280 if units == "us" and shown >= 5279 else shown
    assert f"{shown:.6e}"[:8] in {"1.000000", "2.000000", "5.000000"}


def test_local_metres_are_true_in_a_geographic_export() -> None:
    lon, lat = np.array([-99.0, -98.95, np.nan]), np.array([60.0, 60.03, np.nan])
    local = local_crs(lon, lat)
    points = moved(shapely.points(lon[:2], lat[:2]), source=CRS.from_epsg(4326), target=local)
    _, _, ground = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    assert shapely.distance(*points) == pytest.approx(ground, rel=1e-4)
    north = moved(np.array([shapely.Point(-98.975, 60.02)]), source=CRS.from_epsg(4326), target=local)[0]
    assert north.y > shapely.get_y(points).mean()
