"""Geometries as well-known binary, and GeoParquet."""

from __future__ import annotations

import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from small_survey import CRS_14N, small_survey

from survey.linesets import LineSet
from survey.report import wkb
from survey.report.wkb import well_known_binary, write_geoparquet

LINES = st.lists(st.tuples(st.floats(-1e7, 1e7), st.floats(-1e7, 1e7)), min_size=2, max_size=5).map(shapely.LineString)
OTHERS = st.sampled_from(
    [None, shapely.Point(1, 2), shapely.LineString(), shapely.MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3)]])]
)


def objects(values: list[shapely.Geometry | None]) -> np.ndarray:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


@given(st.lists(LINES | OTHERS))
def test_equals_the_library_one_by_one(geometries: list[shapely.Geometry | None]) -> None:
    binary = well_known_binary(objects(geometries)).to_pylist()
    assert binary == [None if g is None else shapely.to_wkb(g, byte_order=1) for g in geometries]


@given(st.lists(LINES, min_size=1))
def test_lines_as_multi_lines(lines: list[shapely.LineString]) -> None:
    binary = well_known_binary(objects(lines), multi=True).to_pylist()
    assert binary == [shapely.to_wkb(shapely.MultiLineString([line]), byte_order=1) for line in lines]


PARTS = st.lists(LINES, min_size=1, max_size=3).map(shapely.MultiLineString)


@given(st.lists(LINES | PARTS | st.none()))
def test_lines_and_multi_lines_together(geometries: list[shapely.Geometry | None]) -> None:
    as_multi = [shapely.MultiLineString([g]) if isinstance(g, shapely.LineString) else g for g in geometries]
    binary = well_known_binary(objects(geometries), multi=True).to_pylist()
    assert binary == [None if g is None else shapely.to_wkb(g, byte_order=1) for g in as_multi]


SEVERAL = st.lists(LINES, min_size=2, max_size=3).map(shapely.MultiLineString)


@given(st.lists(LINES | SEVERAL | st.none()), st.booleans())
def test_flat_lines_give_the_same(geometries: list[shapely.Geometry | None], multi: bool) -> None:
    flat = LineSet.of(objects(geometries))
    assert well_known_binary(flat, multi=multi) == well_known_binary(objects(geometries), multi=multi)


@given(st.lists(st.tuples(st.floats(-1e7, 1e7), st.floats(-1e7, 1e7)).map(shapely.Point)))
def test_points(points: list[shapely.Point]) -> None:
    assert well_known_binary(objects(points)).to_pylist() == [shapely.to_wkb(p, byte_order=1) for p in points]


def test_height_is_left_out() -> None:
    binary = well_known_binary(objects([shapely.LineString([(0, 0, 5), (1, 1, 6)])]))
    assert shapely.from_wkb(binary[0].as_py()).wkt == "LINESTRING (0 0, 1 1)"
    assert shapely.from_wkb(well_known_binary(objects([shapely.Point(1, 2, 3)]))[0].as_py()).wkt == "POINT (1 2)"


def test_more_than_two_gigabytes_get_long_offsets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wkb, "_SMALL_OFFSETS", 10)
    binary = well_known_binary(objects([shapely.LineString([(0, 0), (1, 1)])]))
    assert binary.type == pa.large_binary()
    assert shapely.from_wkb(binary[0].as_py()).wkt == "LINESTRING (0 0, 1 1)"


def test_geoparquet_is_read_by_another_library(tmp_path: Path) -> None:
    result = small_survey()
    content = pa.Table.from_pandas(result.cables, preserve_index=False)
    write_geoparquet(content, tmp_path / "n.parquet", geometries=result.cable_lines, crs=result.crs)
    back = gpd.read_parquet(tmp_path / "n.parquet")
    assert back.crs == CRS_14N
    assert back["cable_id"].tolist() == result.cables["cable_id"].tolist()
    assert back["shielded"].dtype == bool
    assert shapely.equals(back.geometry.to_numpy()[:3], result.cable_lines[:3]).all()
    assert back.geometry.isna().tolist() == [False, False, False, True]


def test_geoparquet_without_cables(tmp_path: Path) -> None:
    content = pa.Table.from_pandas(small_survey().cables.iloc[:0], preserve_index=False)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        write_geoparquet(content, tmp_path / "n.parquet", geometries=objects([]), crs=CRS_14N)
    assert len(gpd.read_parquet(tmp_path / "n.parquet")) == 0
