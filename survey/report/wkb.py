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
from survey.loops import njit

_POINT_HEADER = b"\x01\x01\x00\x00\x00"
_LINE, _MULTI_LINE = 2, 5
_HEADER_BYTES, _VERTEX_BYTES = 9, 16
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
    if len(geometries) and (filled & (kinds == shapely.GeometryType.POINT)).all():
        return _points_binary(shapely.get_coordinates(geometries), filled)
    plain = filled & (kinds == shapely.GeometryType.LINESTRING)
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
    little_endian = np.ascontiguousarray(lines.xy, dtype="<f8").view(np.float64)
    start, data = _laid_out(lines.parts, lines.points, little_endian, 0 if multi else 1)
    return _binary_array(start, data, missing=~lines.drawn)


@njit(cache=True)
def _laid_out(parts: Ints, points: Ints, xy: Floats, bare: int) -> tuple[Ints, NDArray[np.uint8]]:
    """First byte of every owner, and the bytes; owners of more than ``bare`` lines get a header of their own."""
    start = _starts(parts, points, bare)
    data, vertices = np.empty(start[-1], np.uint8), xy.reshape(-1).view(np.uint8)
    at = line = done = 0
    for count in parts:
        if count > bare:
            at = _headed(data, at, _MULTI_LINE, count)
        for _ in range(count):
            at = _headed(data, at, _LINE, points[line])
            size = _VERTEX_BYTES * points[line]
            data[at : at + size] = vertices[done : done + size]
            at, done, line = at + size, done + size, line + 1
    return start, data


@njit(cache=True)
def _starts(parts: Ints, points: Ints, bare: int) -> Ints:
    start = np.zeros(len(parts) + 1, np.int64)
    line = 0
    for owner in range(len(parts)):
        size = _HEADER_BYTES * (parts[owner] + (parts[owner] > bare))
        for _ in range(parts[owner]):
            size += _VERTEX_BYTES * points[line]
            line += 1
        start[owner + 1] = start[owner] + size
    return start


@njit(cache=True)
def _headed(data: NDArray[np.uint8], at: int, kind: int, count: int) -> int:
    """Write byte order, type and count, and tell where they end."""
    data[at], data[at + 1] = 1, kind
    data[at + 2 : at + 5] = 0
    for byte in range(4):
        data[at + 5 + byte] = (count >> 8 * byte) & 255
    return at + _HEADER_BYTES


def _binary_array(start: Ints, data: NDArray[np.uint8], *, missing: Bools | None = None) -> pa.Array:
    valid = None
    if missing is not None and missing.any():
        valid = pa.py_buffer(np.packbits(~missing, bitorder="little"))
    kind, offset_type = (pa.binary(), np.int32) if start[-1] < _SMALL_OFFSETS else (pa.large_binary(), np.int64)
    buffers = [valid, pa.py_buffer(start.astype(offset_type)), pa.py_buffer(data)]
    return pa.Array.from_buffers(kind, len(start) - 1, buffers)


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
