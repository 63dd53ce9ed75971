"""Pictures: words lie beside what is drawn, never on it."""

from __future__ import annotations

import geopandas as gpd
import pytest
from matplotlib.figure import Figure
from shapely.geometry import LineString

from survey.report.pictures import MARGIN_IN, draw_network, legend_below, map_size, picture


def lines(width, height, crs="EPSG:32618"):
    drawn = [LineString([(0, 0), (width, height)]), LineString([(0, height), (width, 0)])]
    return gpd.GeoSeries(drawn, crs=crs)


@pytest.mark.parametrize(("width", "height"), [(4000, 2000), (2000, 9000), (5000, 1)])
def test_legend_lies_below_the_network(width, height, tmp_path):
    network = lines(width, height)
    seen: list[Figure] = []
    with picture([tmp_path / "a.png"], size=map_size(network)) as (figure, axes):
        draw_network(axes, network)
        axes.plot([width / 2], [height / 2], "s", label="made three-pole")
        legend_below(axes)
        seen.append(figure)
    (axes,) = seen[0].axes
    legend = axes.get_legend().get_window_extent()
    assert legend.y1 <= axes.get_window_extent().y0
    assert legend.y0 > 0
    assert legend.x1 <= seen[0].bbox.x1


def test_nothing_marked_has_no_legend(tmp_path):
    with picture([tmp_path / "a.png"], size=(4, 4)) as (_, axes):
        legend_below(axes)
        assert axes.get_legend() is None


def test_map_is_as_high_as_its_network():
    assert map_size(lines(4000, 2000)) == pytest.approx((9.0, 4.5 + MARGIN_IN))
    assert map_size(lines(1, 9000))[1] == pytest.approx(11.7 + MARGIN_IN)
    assert map_size(lines(9000, 1))[1] == pytest.approx(2.7 + MARGIN_IN)
    degree = lines(0.02, 0.01, crs="EPSG:4326").translate(0, 59.995)
    assert map_size(degree)[1] == pytest.approx(9.0 + MARGIN_IN, rel=1e-3)
