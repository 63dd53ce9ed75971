"""Layers of the user's own beneath the network: any coordinate system, and what cannot be drawn is told."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon

from survey.errors import SurveyError
from survey.findings import FindingList
from survey.fingerprint import survey_name
from survey.read import background, read_network
from survey.read.background import read_background
from survey.settings import Settings, build_settings

SAMPLE = Path(__file__).parents[2] / "sample_data"
MIDDLE = (512_000.0, 4_880_000.0)


@pytest.fixture(scope="module")
def tables():
    return read_network(SAMPLE / "network.gpkg", settings=Settings(), findings=FindingList())


@pytest.fixture
def drawn(tables, tmp_path):
    """Reads shapes, given in metres from the middle of the sample, as a background."""

    def read(shapes, *, names=None, crs="EPSG:32625", known=True, **settings):
        moved = shapely.transform(np.array(shapes, object), lambda xy: xy + MIDDLE)
        frame = gpd.GeoDataFrame({"NAME": names or [""] * len(shapes)}, geometry=moved, crs="EPSG:32625").to_crs(crs)
        frame = frame if known else frame.set_crs(None, allow_override=True)
        frame.to_file(tmp_path / "town.gpkg", layer="Streets", engine="pyogrio")
        raw = {"background": [{"file": "town.gpkg", "layer": "streets", "label": "name", **settings}]}
        findings = FindingList()
        layers = build_settings(raw).background
        return read_background(layers, tmp_path / "network.gpkg", tables=tables, findings=findings), findings

    return read


@pytest.mark.parametrize("crs", ["EPSG:32625", "EPSG:4326", "EPSG:3857", "EPSG:3035"])
def test_any_coordinate_system_comes_to_the_same_place(drawn, crs):
    shapes = [LineString([(0, 0), (400, 30)])]
    found, findings = drawn(shapes, names=["Mill Lane"], crs=crs)
    assert found.crs.to_epsg() == 32625
    assert np.allclose(shapely.get_coordinates(found.geometry), shapely.get_coordinates(shapes) + MIDDLE, atol=0.01)
    assert (list(found["look"]), list(found["label"]), len(findings)) == (["street"], ["Mill Lane"], 0)


def test_lines_areas_and_places_get_their_own_looks_and_settings_another(drawn):
    square = Polygon([(0, 0), (0, 90), (90, 90), (90, 0)], [[(30, 30), (60, 30), (60, 60)]])
    shapes = [LineString([(0, 0), (9, 9)]), square, Point(5, 5)]
    assert list(drawn(shapes)[0]["look"]) == ["street", "land", "place"]
    assert list(drawn(shapes, look="water")[0]["look"]) == ["water"] * 3


def test_what_lies_elsewhere_is_left_out_and_an_empty_layer_told(drawn):
    near, far = LineString([(0, 0), (100, 0)]), LineString([(9e5, 0), (9.1e5, 0)])
    assert len(drawn([near, far])[0]) == 1
    for shapes in ([far], []):
        found, findings = drawn(shapes)
        assert (len(found), [f.rule for f in findings]) == (0, ["background_empty"])


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_a_layer_without_a_coordinate_system_takes_the_networks_own_and_says_so(drawn):
    found, findings = drawn([LineString([(0, 0), (100, 0)])], known=False)
    assert (len(found), [f.rule for f in findings]) == (1, ["background_no_crs"])


def test_a_huge_layer_is_simplified_and_told(drawn, monkeypatch):
    monkeypatch.setattr(background, "MOST_VERTICES", 60)
    angle = np.linspace(0, 2 * np.pi, 5000)
    rings = [
        LineString(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])) for radius in (900, 300, 200)
    ]
    found, findings = drawn(rings)
    assert shapely.get_num_coordinates(found.geometry.to_numpy()).sum() <= 60
    assert [f.rule for f in findings] == ["background_simplified"]
    assert found.geometry.length.max() == pytest.approx(2 * np.pi * 900, rel=0.01)


def test_a_name_with_markup_or_odd_letters_stays_one_plain_line(drawn):
    names = ["</script><b>Mill</b>\n\x07 Lane", None, "Calle Ñandú"]
    lines = [LineString([(0, k), (100, k)]) for k in (0, 40, 80)]
    assert list(drawn(lines, names=names)[0]["label"]) == ["</script><b>Mill</b> Lane", "", "Calle Ñandú"]


def test_broken_and_missing_shapes_are_left_out(drawn):
    bow = Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    found, _ = drawn([bow, None, LineString([(0, 0), (10, 0)])])
    assert len(found) >= 2
    assert found.geometry.notna().all()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"file": "none.gpkg"}, "none.gpkg"), ({"layer": "roads"}, "no layer 'roads'"), ({"label": "x"}, "no field 'x'")],
)
def test_a_file_layer_or_field_that_is_not_there_is_refused_in_one_line(drawn, wrong, said):
    with pytest.raises(SurveyError, match=said) as refused:
        drawn([Point(0, 0)], **wrong)
    assert "\n" not in str(refused.value)


def test_a_background_is_no_setting_that_a_survey_is_told_apart_by():
    settings = build_settings({"background": [{"layer": "streets"}]}).model_dump(mode="json")
    assert survey_name({"network": "net.gpkg", "settings": settings}).endswith("default settings")
