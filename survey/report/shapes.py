"""Geometries as well-known binary in Arrow arrays, fast for plain lines, and Arrow tables as GeoParquet."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyarrow import parquet

if TYPE_CHECKING:
    from pathlib import Path

    from pyproj import CRS

_SHAPELY_LINE = 1
_LINE_HEADER = b"\x01\x02\x00\x00\x00"
_MULTI_LINE_HEADER = b"\x01\x05\x00\x00\x00\x01\x00\x00\x00"
_COUNT_BYTES = 4
_VERTEX_BYTES = 16
_SMALL_OFFSETS = 2**31


def well_known_binary(geometries: NDArray[np.object_], *, multi: bool = False) -> pa.Array:
    """Geometries, shape (n,), as well-known binary; ``None`` becomes null; ``multi`` turns lines into multi-lines.

    Plain lines are laid out by arrays, three times as fast as one by one; everything else goes through shapely.
    """
    plain = (shapely.get_type_id(geometries) == _SHAPELY_LINE) & ~shapely.is_empty(geometries)
    if plain.all():
        return _lines_binary(geometries, multi=multi)
    others = pa.array(shapely.to_wkb(geometries[~plain], include_srid=False, output_dimension=2), type=pa.binary())
    if not plain.any():
        return others
    order = np.empty(len(geometries), dtype=np.int64)
    order[plain] = np.arange(plain.sum())
    order[~plain] = np.arange(plain.sum(), len(geometries))
    return pa.concat_arrays([_lines_binary(geometries[plain], multi=multi), others]).take(pa.array(order))


def _lines_binary(lines: NDArray[np.object_], *, multi: bool) -> pa.Array:
    """Byte order, type, vertex count, vertices: the layout of OGC 06-103r4, 8.2, one line after the other."""
    vertices = np.ascontiguousarray(shapely.get_coordinates(lines), dtype="<f8")
    counts = shapely.get_num_points(lines).astype(np.int64)
    headers = _headers(counts, _MULTI_LINE_HEADER + _LINE_HEADER if multi else _LINE_HEADER)
    width = headers.shape[1]
    start = np.zeros(len(lines) + 1, dtype=np.int64)
    np.cumsum(width + _VERTEX_BYTES * counts, out=start[1:])
    data = np.empty(start[-1], dtype=np.uint8)
    _scatter(data, headers, start[:-1])
    owner = np.repeat(np.arange(len(lines)), counts)
    _scatter(data, vertices.view(np.uint8), _VERTEX_BYTES * np.arange(len(vertices)) + width * (owner + 1))
    kind, offset_type = (pa.binary(), np.int32) if start[-1] < _SMALL_OFFSETS else (pa.large_binary(), np.int64)
    return pa.Array.from_buffers(kind, len(lines), [None, pa.py_buffer(start.astype(offset_type)), pa.py_buffer(data)])


def _headers(counts: NDArray[np.int64], fixed: bytes) -> NDArray[np.uint8]:
    headers = np.empty((len(counts), len(fixed) + _COUNT_BYTES), dtype=np.uint8)
    headers[:, : len(fixed)] = np.frombuffer(fixed, dtype=np.uint8)
    headers[:, len(fixed) :] = counts.astype("<u4").view(np.uint8).reshape(-1, _COUNT_BYTES)
    return headers


def _scatter(data: NDArray[np.uint8], blocks: NDArray[np.uint8], places: NDArray[np.int64]) -> None:
    """Copy each row of ``blocks`` to its byte position; the positions need no alignment."""
    if len(blocks) == 0:
        return
    width = blocks.shape[1]
    windows = np.lib.stride_tricks.sliding_window_view(data, width, writeable=True)
    windows[places] = blocks


def write_geoparquet(content: pa.Table, path: Path, *, geometries: NDArray[np.object_], crs: CRS) -> None:
    """Write a table with one geometry column, ``geometry``, as GeoParquet 1.0 (OGC)."""
    geo = {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": _geo_column(geometries, crs)}}
    table = content.append_column("geometry", well_known_binary(geometries))
    table = table.replace_schema_metadata({"geo": json.dumps(geo, sort_keys=True)})
    parquet.write_table(
        table, path, compression="snappy", use_dictionary=[n for n in content.column_names if n != "cable_id"]
    )


def _geo_column(geometries: NDArray[np.object_], crs: CRS) -> dict[str, Any]:
    names = {1: "LineString", 5: "MultiLineString"}
    kinds = np.unique(shapely.get_type_id(geometries))
    column: dict[str, Any] = {"encoding": "WKB", "geometry_types": sorted(names[k] for k in kinds if k in names)}
    column["crs"] = crs.to_json_dict()
    if kinds.size and kinds.max() >= 0:
        column["bbox"] = [float(value) for value in shapely.total_bounds(geometries)]
    return column
