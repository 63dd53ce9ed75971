"""Geometries as well-known binary in Arrow arrays, and Arrow tables as GeoParquet."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyarrow import parquet
from pyproj import CRS

from survey.arrays import Bools, Floats, Ints, Objects
from survey.linesets import LineSet, PointSet

_POINT, _LINE = 0, 1
_POINT_HEADER = b"\x01\x01\x00\x00\x00"
_LINE_HEADER = b"\x01\x02\x00\x00\x00"
_MULTI_LINE_HEADER = b"\x01\x05\x00\x00\x00"
_COUNT_BYTES = 4
_VERTEX_BYTES = 16
_SMALL_OFFSETS = 2**31


def well_known_binary(geometries: Objects | PointSet | LineSet, *, multi: bool = False) -> pa.Array:
    """Geometries, shape (n,), as well-known binary; ``None`` becomes null; ``multi`` turns lines into multi-lines.

    Points and plain lines are laid out by arrays, several times as fast as one by one; what else there is, lines of
    several parts too, goes through shapely. The layout is that of OGC 06-103r4, 8.2: byte order, type, count, vertices.
    """
    if isinstance(geometries, LineSet):
        return _lines_binary(geometries, multi=multi)
    if isinstance(geometries, PointSet):
        return _points_binary(geometries.xy, geometries.drawn)
    kinds, filled = shapely.get_type_id(geometries), ~shapely.is_empty(geometries)
    if len(geometries) and (filled & (kinds == _POINT)).all():
        return _points_binary(shapely.get_coordinates(geometries), filled)
    plain = filled & (kinds == _LINE)
    if plain.all():
        return _lines_binary(LineSet.of(geometries), multi=multi)
    others = pa.array(shapely.to_wkb(geometries[~plain], include_srid=False, output_dimension=2), type=pa.binary())
    if not plain.any():
        return others
    order = np.empty(len(geometries), dtype=np.int64)
    order[plain] = np.arange(plain.sum())
    order[~plain] = np.arange(plain.sum(), len(geometries))
    lines = _lines_binary(LineSet.of(geometries[plain]), multi=multi)
    return pa.concat_arrays([lines, others]).take(pa.array(order))


def _points_binary(xy: Floats, drawn: Bools) -> pa.Array:
    header = np.frombuffer(_POINT_HEADER, dtype=np.uint8)
    rows = np.empty((int(drawn.sum()), len(header) + _VERTEX_BYTES), dtype=np.uint8)
    rows[:, : len(header)] = header
    rows[:, len(header) :] = np.ascontiguousarray(xy[drawn], dtype="<f8").view(np.uint8)
    start = np.concatenate([[0], np.cumsum(drawn, dtype=np.int64)]) * rows.shape[1]
    return _binary_array(start, rows.ravel(), missing=~drawn)


def _lines_binary(lines: LineSet, *, multi: bool) -> pa.Array:
    """Each line is a header and its vertices; several lines of one owner, or all with ``multi``, follow one more."""
    vertices = np.ascontiguousarray(lines.xy, dtype="<f8")
    headers = _headers(lines.points, _LINE_HEADER)
    width = headers.shape[1]
    owner = np.repeat(np.arange(len(lines.parts)), lines.parts)
    outer = np.where((lines.parts > 1) | (multi & lines.drawn), width, 0)
    size = np.bincount(owner, weights=width + _VERTEX_BYTES * lines.points, minlength=len(lines.parts)).astype(np.int64)
    start = np.concatenate([[0], np.cumsum(outer + size)])
    data = np.empty(start[-1], dtype=np.uint8)
    held = outer > 0
    _scatter(data, _headers(lines.parts[held], _MULTI_LINE_HEADER), start[:-1][held])
    before = width * np.arange(len(lines.points)) + np.cumsum(outer)[owner]
    _scatter(data, headers, before + _VERTEX_BYTES * (np.cumsum(lines.points) - lines.points))
    places = np.repeat(before + width, lines.points) + _VERTEX_BYTES * np.arange(len(vertices))
    _scatter(data, vertices.view(np.uint8), places)
    return _binary_array(start, data, missing=~lines.drawn)


def _binary_array(start: Ints, data: NDArray[np.uint8], *, missing: Bools | None = None) -> pa.Array:
    valid = None
    if missing is not None and missing.any():
        valid = pa.py_buffer(np.packbits(~missing, bitorder="little"))
    kind, offset_type = (pa.binary(), np.int32) if start[-1] < _SMALL_OFFSETS else (pa.large_binary(), np.int64)
    buffers = [valid, pa.py_buffer(start.astype(offset_type)), pa.py_buffer(data)]
    return pa.Array.from_buffers(kind, len(start) - 1, buffers)


def _headers(counts: Ints, fixed: bytes) -> NDArray[np.uint8]:
    headers = np.empty((len(counts), len(fixed) + _COUNT_BYTES), dtype=np.uint8)
    headers[:, : len(fixed)] = np.frombuffer(fixed, dtype=np.uint8)
    headers[:, len(fixed) :] = counts.astype("<u4").view(np.uint8).reshape(-1, _COUNT_BYTES)
    return headers


def _scatter(data: NDArray[np.uint8], blocks: NDArray[np.uint8], places: Ints) -> None:
    """Copy each row of ``blocks`` to its byte position; the positions need no alignment."""
    if len(blocks) == 0:
        return
    width = blocks.shape[1]
    windows = np.lib.stride_tricks.sliding_window_view(data, width, writeable=True)
    windows[places] = blocks


def write_geoparquet(content: pa.Table, path: Path, *, geometries: Objects | LineSet, crs: CRS) -> None:
    """Write a table with one geometry column, ``geometry``, as GeoParquet 1.0 (OGC)."""
    geo = {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": _geo_column(geometries, crs)}}
    table = content.append_column("geometry", well_known_binary(geometries))
    table = table.replace_schema_metadata({"geo": json.dumps(geo, sort_keys=True)})
    parquet.write_table(
        table, path, compression="snappy", use_dictionary=[n for n in content.column_names if n != "cable_id"]
    )


def _geo_column(geometries: Objects | LineSet, crs: CRS) -> dict[str, Any]:
    lines = LineSet.of(geometries)
    names = {"LineString": (lines.parts == 1).any(), "MultiLineString": (lines.parts > 1).any()}
    column: dict[str, Any] = {"encoding": "WKB", "geometry_types": [name for name, used in names.items() if used]}
    column["crs"] = crs.to_json_dict()
    if len(lines.xy):
        column["bbox"] = lines.bounds().ravel().tolist()
    return column
