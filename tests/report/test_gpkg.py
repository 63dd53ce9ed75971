"""``survey.gpkg``: layers, headings, looks, bytes."""

from __future__ import annotations

import signal
import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS
from small_survey import small_survey

from survey.linesets import LineSet, SharedLines
from survey.report.gpkg import FIXED_DATE, PATH_COLUMNS, ResultTables, places, write_gpkg
from survey.report.tables import arrow_table
from survey.result import SurveyResult


def write(result: SurveyResult, path: Path) -> Path:
    names = ("sites", "switching_points", "findings")
    write_gpkg(result, path, tables=ResultTables(*(arrow_table(getattr(result, n), table=n) for n in names)))
    return path


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(small_survey(), tmp_path_factory.mktemp("gpkg") / "survey.gpkg")


def rows(file: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(file)) as database:
        return database.execute(query).fetchall()


def test_layers_and_geometry_types(file: Path) -> None:
    assert pyogrio.list_layers(file).tolist() == [
        ["sections", "MultiLineString"],
        ["path_pieces", "MultiLineString"],
        ["open_points", "Point"],
        ["switching_points", "Point"],
        ["sites", "Point"],
        ["findings", "Point"],
        ["paths", "MultiLineString"],
        ["layer_styles", None],
    ]


def test_no_site_is_left_out(file: Path) -> None:
    sites = pyogrio.read_dataframe(file, layer="sites")
    assert sites["site_id"].tolist() == small_survey().sites["site_id"].tolist()
    assert sites.geometry.isna().tolist() == [False] * 4 + [True]
    assert sites.crs.to_epsg() == 32614
    assert sites["peak_pu"].tolist()[0] == 4.123
    assert sites["kva"].isna().tolist() == [False, False, False, True, True]


def test_paths_and_sections_are_those_drawn(file: Path) -> None:
    paths = pyogrio.read_dataframe(file, layer="paths")
    assert paths["site_id"].tolist() == small_survey().sites["site_id"].tolist()[:3]
    assert set(paths.columns) == {*PATH_COLUMNS, "geometry"}
    assert (paths.geom_type == "MultiLineString").all()
    assert shapely.equals(paths.geometry.to_numpy(), small_survey().site_paths[:3]).all()
    sections = pyogrio.read_dataframe(file, layer="sections")
    assert sections["switch_id"].tolist() == ["S-1", "S-2"]
    assert shapely.equals(sections.geometry.to_numpy(), small_survey().section_lines).all()


def test_a_line_that_several_sites_walk_is_drawn_once_and_still_each_path_is_a_layer_row(tmp_path: Path) -> None:
    x = np.array([0.0, 10.0, 20.0, 30.0])
    lines = [shapely.LineString([(a, 0), (b, 0)]) for a, b in pairwise(x)]
    shared = SharedLines(LineSet.of(np.array(lines)), np.array([0, 1, -1, 1, -1]), np.array([1, 2, -1]))
    file = write(small_survey(site_paths=shared), tmp_path / "survey.gpkg")
    pieces = pyogrio.read_dataframe(file, layer="path_pieces", fid_as_index=True)
    assert pieces.length.tolist() == [10, 10, 10]
    assert pieces["sites"].tolist() == [1, 3, 3]
    assert pieces["next_piece"].fillna(0).tolist() == [2, 3, 0]
    paths = pyogrio.read_dataframe(file, layer="paths")
    ids = small_survey().sites["site_id"]
    assert paths.dissolve("site_id").length.to_dict() == {ids[0]: 30, ids[1]: 20, ids[3]: 20}
    assert np.nan_to_num(shapely.length(shared.whole().to_shapely())).tolist() == [30, 20, 0, 20, 0]


def test_findings_are_placed_from_degrees(file: Path) -> None:
    found = pyogrio.read_dataframe(file, layer="findings")
    assert found.geometry.isna().tolist() == [True, False]
    degrees = found.to_crs(4326).geometry.iloc[1]
    assert (round(degrees.x, 6), round(degrees.y, 6)) == (-99.5, 36.123457)


def test_every_field_has_a_heading_and_a_description(file: Path) -> None:
    for layer in ("sites", "paths", "path_pieces", "sections", "switching_points", "findings"):
        fields = set(pyogrio.read_info(file, layer=layer)["fields"])
        query = (
            f"SELECT column_name FROM gpkg_data_columns WHERE table_name = '{layer}' AND name > '' AND description > ''"
        )
        assert {row[0] for row in rows(file, query)} == fields
    query = "SELECT name FROM gpkg_data_columns WHERE table_name = 'sites' AND column_name = 'path_length_m'"
    assert rows(file, query) == [("Walked length (m)",)]
    assert ("gpkg_data_columns",) in rows(file, "SELECT table_name FROM gpkg_extensions")


def test_every_layer_has_a_default_look(file: Path) -> None:
    looks = rows(file, "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD FROM layer_styles")
    assert {row[0] for row in looks} == {
        "sites", "paths", "path_pieces", "sections", "open_points", "switching_points", "findings",
    }  # fmt: skip
    assert all(geometry == "geom" and default == 1 and qml and sld for _, geometry, default, qml, sld in looks)


def test_fields_have_their_headings_in_the_look_too(file: Path) -> None:
    ((qml,),) = rows(file, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'sites'")
    aliases = {alias.get("field"): alias.get("name") for alias in ET.fromstring(qml).iter("alias")}
    assert aliases["path_length_m"] == "Walked length (m)"
    assert set(aliases) == set(pyogrio.read_info(file, layer="sites")["fields"])


def test_normally_open_devices_are_a_layer_by_id(tmp_path: Path) -> None:
    record = {"open_devices": ["S-7", "S-8"], "open_places": [[-99.5, 36.1], [None, None]]}
    points = pyogrio.read_dataframe(write(small_survey(record=record), tmp_path / "open.gpkg"), layer="open_points")
    assert points["switch_id"].tolist() == ["S-7", "S-8"]
    assert points.geometry.isna().tolist() == [False, True]
    assert points.to_crs(4326).geometry.iloc[0].coords[0] == pytest.approx((-99.5, 36.1), abs=1e-6)


def test_spatial_index_and_description(file: Path) -> None:
    assert (4,) in rows(file, "SELECT count(*) FROM rtree_sites_geom")
    info = pyogrio.read_info(file, layer="sites")
    assert info["layer_metadata"] == {"DESCRIPTION": "Three-phase sites, ranked"}


def test_no_clock_in_the_file(file: Path) -> None:
    assert {row[0] for row in rows(file, "SELECT last_change FROM gpkg_contents")} == {FIXED_DATE}


def test_same_bytes_and_options_put_back(tmp_path: Path) -> None:
    pyogrio.set_gdal_config_options({"OGR_SQLITE_CACHE": "64"})
    first, second = (write(small_survey(), tmp_path / name).read_bytes() for name in ("a.gpkg", "b.gpkg"))
    assert first == second
    assert pyogrio.get_gdal_config_option("OGR_SQLITE_CACHE") == 64
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None
    pyogrio.set_gdal_config_options({"OGR_SQLITE_CACHE": None})


def test_ctrl_c_waits_until_a_layer_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library, interrupted while it asks for the next rows, would tell of a fault in them instead."""
    write_layer, written = pyogrio.write_arrow, []

    def interrupted(*arguments: Any, layer: str, **options: Any) -> None:
        signal.raise_signal(signal.SIGINT)
        write_layer(*arguments, layer=layer, **options)
        written.append(layer)

    monkeypatch.setattr(pyogrio, "write_arrow", interrupted)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            write(small_survey(), tmp_path / "out.gpkg")
    finally:
        signal.signal(signal.SIGINT, before)
    assert len(written) == 1


def test_own_coordinate_system_without_a_code(tmp_path: Path) -> None:
    crs = CRS.from_proj4("+proj=tmerc +lat_0=36 +lon_0=-99 +k=1 +x_0=500000 +y_0=0 +datum=WGS84 +units=us-ft")
    file = write(small_survey(crs=crs), tmp_path / "own.gpkg")
    assert pyogrio.read_dataframe(file, layer="sites").crs.axis_info[0].unit_name == "US survey foot"


def test_survey_without_anything(tmp_path: Path) -> None:
    full, none = small_survey(), np.empty(0, dtype=object)
    empty = small_survey(
        sites=full.sites.iloc[:0], switching_points=full.switching_points.iloc[:0], findings=full.findings.iloc[:0],
        site_points=none, site_paths=none, switch_points=none, section_lines=none,
    )  # fmt: skip
    file = write(empty, tmp_path / "empty.gpkg")
    assert [pyogrio.read_info(file, layer=name)["features"] for name, _ in pyogrio.list_layers(file)[:6]] == [0] * 6


def test_places_out_of_this_world_are_none() -> None:
    points = places(np.array([-99.0, np.nan, 0.0]), np.array([36.0, 36.0, np.nan]), crs=CRS.from_epsg(32614))
    assert [point is None for point in points] == [False, True, True]
    assert shapely.distance(points[0], shapely.Point(500_000, 3_983_948.45)) < 0.01
