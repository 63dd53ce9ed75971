"""Files → raw columns: GeoPackage, folder of shapefiles, folder of GeoParquet.

Errors of the libraries below are translated here, once, with their cause kept. Nothing is ever written beside an input.
"""

import json
import logging
import sqlite3
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from survey.arrays import Ints
from survey.errors import CrsError, FormatError, permitted
from survey.own_files import GPKG_FILE, NETWORK_FILE, RECORD_FILE
from survey.projections import crs_of
from survey.read.geometry import has_curves
from survey.read.live import View, copy_if_live, read_views, side_files

SQLITE_MAGIC = b"SQLite format 3\x00"
LEAST_BATCH, MOST_BATCH = 65_536, 4_000_000
PARQUET_SUFFIXES = (".parquet", ".geoparquet")
USUAL_CODE_PAGE = "CP1252"
PACKED = (".zip", ".shz", ".gpkz", ".gz", ".7z", ".tar", ".rar")
GEOPARQUET_DEFAULT_CRS = "OGC:CRS84"
KINDS = "one .gpkg file, a folder of shapefiles or a folder of GeoParquet files"


@dataclass(frozen=True)
class LayerInfo:
    """What a layer is, without its rows.

    ``name`` layer name as the export has it; ``fields`` names of its fields, geometry left out; ``has_geometry`` false
    for a plain table; ``crs`` coordinate system, or ``None`` when the file names none; ``file`` the file that holds it;
    ``rows`` number of rows where the file tells it at once, else -1; ``drawn`` ``lines``, ``points`` or ``areas`` where
    the file tells it, else ``""``; ``code_page`` what it is read in, where the file states another one than its field
    names are in.
    """

    name: str
    fields: tuple[str, ...]
    has_geometry: bool
    crs: CRS | None
    file: Path
    rows: int = -1
    drawn: str = ""
    code_page: str | None = None


@dataclass(frozen=True)
class RawLayer:
    """Rows of a layer as they stand in the file.

    ``info`` what the layer is; ``rows`` number of rows; ``columns`` the wanted columns, by the export's names; ``wkb``
    geometries as well-known binary, null where there is none; ``None`` for a plain table; ``mended`` rows of text that
    was not in the encoding the file states, by the export's column name.
    """

    info: LayerInfo
    rows: int
    columns: dict[str, pa.Array]
    wkb: pa.Array | None
    mended: dict[str, Ints] = field(default_factory=dict)


class Export(Protocol):
    """An opened network export."""

    path: Path

    def layers(self) -> tuple[LayerInfo, ...]:
        """All layers, in file order."""

    def read(self, layer: LayerInfo, columns: Sequence[str]) -> RawLayer:
        """Rows of a layer with the named columns and the geometry."""

    def input_files(self, layers: Sequence[LayerInfo]) -> list[Path]:
        """Files the given layers are read from, side files included."""


@permitted()
def open_export(path: Path) -> Export:
    """Open a network export, whichever of the three kinds it is.

    Raises ``FormatError``: the path is missing, is none of the three kinds, or a folder holds two kinds at once.
    """
    if not path.exists():
        msg = f"{path}: no such file or folder; give {KINDS}"
        raise FormatError(msg)
    if path.is_dir():
        return _open_folder(path)
    if path.suffix.lower() == ".gpkg" and path.is_file():
        return GeoPackage(path)
    if path.suffix.lower() in (".shp", *PARQUET_SUFFIXES):
        msg = f"{path}: one layer only; give the folder that holds all layers ({path.parent})"
        raise FormatError(msg)
    packed = "packed; unpack it, then give" if path.suffix.lower() in PACKED else "not a network export; expected"
    msg = f"{path}: {packed} {KINDS}"
    raise FormatError(msg)


def _open_folder(path: Path) -> Export:
    with translated(path):
        names = sorted(entry.name for entry in path.iterdir() if not _is_output(entry))
    shapes = [name for name in names if name.lower().endswith(".shp")]
    parquets = [name for name in names if name.lower().endswith(PARQUET_SUFFIXES)]
    if shapes and parquets:
        msg = f"{path}: holds shapefiles ({shapes[0]} ...) and GeoParquet ({parquets[0]} ...); leave one kind in it"
        raise FormatError(msg)
    for name in (*shapes, *parquets):
        if not (path / name).is_file():
            msg = f"{path / name}: not a plain file; expected a layer; move it away or export it again"
            raise FormatError(msg)
    if shapes:
        drawn = {path.joinpath(name).stem.casefold() for name in shapes}
        lone = [n for n in names if n.lower().endswith(".dbf") and path.joinpath(n).stem.casefold() not in drawn]
        return ShapefileFolder(path, tuple(path / name for name in sorted([*shapes, *lone])))
    if parquets:
        return ParquetFolder(path, tuple(path / name for name in parquets))
    packages = [name for name in names if name.lower().endswith(".gpkg")]
    if packages:
        msg = f"{path}: a folder; give the GeoPackage in it ({path / packages[0]})"
        raise FormatError(msg)
    found = ", ".join(names[:8]) + (" ..." if len(names) > 8 else "") if names else "nothing"
    msg = f"{path}: holds neither shapefiles nor GeoParquet files, but {found}; give {KINDS}"
    raise FormatError(msg)


def _is_output(file: Path) -> bool:
    """Whether a file is what an earlier survey wrote: by its name, and by the record beside it or the fields in it."""
    if file.name not in {GPKG_FILE, NETWORK_FILE}:
        return False
    if file.with_name(RECORD_FILE).is_file() or file.suffix != ".parquet":
        return file.with_name(RECORD_FILE).is_file()
    return {"shielded", "cable_id"} <= set(pq.read_schema(file).names)


@contextmanager
def translated(path: Path, layer: str | None = None) -> Iterator[None]:
    """Turn errors of the reading libraries into one :class:`FormatError`; keep their warnings off the terminal."""
    where = f"{path}" + (f", layer '{layer}'" if layer else "")
    logger = logging.getLogger("pyogrio")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    # UnboundLocalError: pyogrio 0.13 on a .prj file that is no coordinate system
    except (pa.ArrowException, sqlite3.Error, OSError, RuntimeError, ValueError, UnboundLocalError) as error:
        reason = " ".join(str(getattr(error, "strerror", None) or error).split("; It might help")[0].split())
        msg = f"{where}: cannot be read ({reason}); check that the file is whole, or export it again"
        raise FormatError(msg) from error
    finally:
        logger.setLevel(level)


class GeoPackage:
    """A GeoPackage, opened for reading only; one that was not closed is read from a copy, see :mod:`.live`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with translated(path), path.open("rb") as stream:
            head = stream.read(100)
            size = path.stat().st_size
        if not head.startswith(SQLITE_MAGIC):
            msg = f"{path}: named .gpkg but is not a GeoPackage; export it again as GeoPackage"
            raise FormatError(msg)
        self._copy = copy_if_live(path, head)
        if self._copy is None:
            self._check_whole(head, size)

    def _check_whole(self, head: bytes, size: int) -> None:
        """Compare the size with the one in the file's own head (SQLite file format, section 1.3)."""
        page = int.from_bytes(head[16:18], "big")
        page = 65536 if page == 1 else page
        pages = int.from_bytes(head[28:32], "big") if head[24:28] == head[92:96] else 0
        if len(head) < 100 or size < page * pages:
            msg = f"{self.path}: truncated, {size} bytes of {max(page * pages, 100)}; copy or export it again"
            raise FormatError(msg)

    def layers(self) -> tuple[LayerInfo, ...]:
        """All layers, in file order."""
        with translated(self.path):
            names = [str(row[0]) for row in pyogrio.list_layers(self._source)]
            views = read_views(self._source)
            return tuple(self._view(name, views[name]) if name in views else self._table(name) for name in names)

    def _table(self, name: str) -> LayerInfo:
        return replace(_gdal_layer(self._source, name), file=self.path)

    def _view(self, name: str, view: View) -> LayerInfo:
        crs = parse_crs(view.crs, where=f"{self.path}, layer '{name}'")
        return LayerInfo(name, view.fields, has_geometry=view.has_geometry, crs=crs, file=self.path)

    @property
    def _source(self) -> Path:
        return self.path if self._copy is None else self._copy.file

    def read(self, layer: LayerInfo, columns: Sequence[str]) -> RawLayer:
        """Rows of a layer with the named columns and the geometry."""
        return _gdal_read(layer, columns, source=self._source)

    def input_files(self, layers: Sequence[LayerInfo]) -> list[Path]:
        """The one file, and what SQLite keeps beside it."""
        del layers
        return [self.path, *side_files(self.path)]


class ShapefileFolder:
    """A folder of shapefiles and of tables without a drawing (.dbf alone); each is a layer named like its file."""

    SIDE_FILES = (".shp", ".shx", ".dbf", ".prj", ".cpg")

    def __init__(self, path: Path, shapes: tuple[Path, ...]) -> None:
        self.path = path
        self._shapes = shapes

    def layers(self) -> tuple[LayerInfo, ...]:
        """All layers, in order of name."""
        return tuple(self._layer(shape) for shape in self._shapes)

    def _layer(self, shape: Path) -> LayerInfo:
        there = {file.suffix.lower() for file in self._siblings(shape)}
        for suffix in (".shx", ".dbf"):
            if suffix not in there and shape.suffix.lower() == ".shp":
                msg = f"{shape}: its {suffix} file is missing; copy all files of the shapefile together"
                raise FormatError(msg)
        with translated(shape):
            return _gdal_layer(shape, shape.stem)

    def _siblings(self, shape: Path) -> list[Path]:
        return sorted(file for file in self.path.glob("*") if file.stem == shape.stem)

    def read(self, layer: LayerInfo, columns: Sequence[str]) -> RawLayer:
        """Rows of a layer with the named columns and the geometry."""
        return _gdal_read(layer, columns, source=layer.file)

    def input_files(self, layers: Sequence[LayerInfo]) -> list[Path]:
        """The parts of the shapefiles of the given layers."""
        found = [file for layer in layers for file in self._siblings(layer.file)]
        return [file for file in found if file.suffix.lower() in self.SIDE_FILES]


def _code_page(file: Path, name: str) -> str | None:
    """Code page to read a layer in, where its field names are not in the one that the file states (or states none)."""
    try:
        info = pyogrio.read_info(file, layer=name)
    except UnicodeDecodeError:
        return USUAL_CODE_PAGE
    return None if info["encoding"] == "UTF-8" or "".join(info["fields"]).isascii() else USUAL_CODE_PAGE


def _gdal_layer(file: Path, name: str) -> LayerInfo:
    code_page = _code_page(file, name)
    info = pyogrio.read_info(file, layer=name, encoding=code_page)
    return LayerInfo(
        name=name,
        fields=tuple(str(field) for field in info["fields"]),
        has_geometry=info["geometry_type"] is not None,
        crs=parse_crs(info["crs"], where=f"{file}, layer '{name}'"),
        file=file,
        rows=int(info["features"]),
        drawn=_drawn_as([str(info["geometry_type"])]),
        code_page=code_page,
    )


def _drawn_as(types: Sequence[str]) -> str:
    """What geometries of these types are, ``""`` where they are of several kinds or not told."""
    words = {"LineString": "lines", "Point": "points", "Polygon": "areas"}
    found = {word for text in types for part, word in words.items() if part in text}
    return found.pop() if len(found) == 1 else ""


def _gdal_read(layer: LayerInfo, columns: Sequence[str], *, source: Path) -> RawLayer:
    with translated(layer.file, layer.name):
        # One batch, so that nothing has to be joined afterwards; never one for more rows than there are.
        batch = min(max(layer.rows, LEAST_BATCH), MOST_BATCH)
        meta, table = pyogrio.read_arrow(
            source, layer=layer.name, encoding=layer.code_page, columns=list(columns), batch_size=batch
        )
        geometry = meta["geometry_name"] or "wkb_geometry"
        raw = _raw(layer, table, wkb=table[geometry] if layer.has_geometry else None, columns=columns)
        if raw.wkb is not None and has_curves(raw.wkb):
            # Arcs come as they are in Arrow, but as short straight steps (GDAL: 4 degrees each) otherwise.
            lines = pyogrio.raw.read(source, layer=layer.name, columns=[])[2]
            raw = replace(raw, wkb=pa.array(lines, pa.large_binary()))
        return raw


def _raw(layer: LayerInfo, table: pa.Table, *, wkb: pa.ChunkedArray | None, columns: Sequence[str]) -> RawLayer:
    mended: dict[str, Ints] = {}
    found = {}
    for name in columns:
        found[name], rows = mend_text(one_chunk(table[name]))
        if layer.code_page and pa.types.is_large_string(found[name].type):
            rows = np.flatnonzero(pc.invert(pc.string_is_ascii(pc.fill_null(found[name], ""))))
        if len(rows):
            mended[name] = rows
    bytes_ = None if wkb is None else one_chunk(wkb.cast(pa.large_binary()))
    return RawLayer(layer, table.num_rows, found, bytes_, mended)


def mend_text(column: pa.Array) -> tuple[pa.Array, Ints]:
    """Text that is no UTF-8 is read as Windows-1252, what most such exports are in; the rows it was done in."""
    if not pa.types.is_large_string(column.type):
        return column, np.zeros(0, np.int64)
    raw = column.cast(pa.large_binary())
    try:
        return raw.cast(pa.large_string()), np.zeros(0, np.int64)
    except pa.ArrowInvalid:
        values = raw.to_pylist()
    rows = [row for row, value in enumerate(values) if value is not None and not _is_utf8(value)]
    for row in rows:
        values[row] = values[row].decode(USUAL_CODE_PAGE, errors="replace").encode()
    return pa.array(values, pa.large_binary()).cast(pa.large_string()), np.array(rows, np.int64)


def _is_utf8(value: bytes) -> bool:
    try:
        value.decode()
    except UnicodeDecodeError:
        return False
    return True


def one_chunk(column: pa.ChunkedArray) -> pa.Array:
    """Join the chunks of a column; text and bytes get 64-bit offsets, so that no size is too large."""
    if pa.types.is_string(column.type):
        column = column.cast(pa.large_string())
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays([_empty(column.type), *column.chunks])


def _empty(kind: pa.DataType) -> pa.Array:
    return pa.array([], type=kind)


class ParquetFolder:
    """A folder of GeoParquet files; each is a layer named like its file."""

    def __init__(self, path: Path, parquets: tuple[Path, ...]) -> None:
        self.path = path
        self._parquets = parquets

    def layers(self) -> tuple[LayerInfo, ...]:
        """All layers, in order of name."""
        return tuple(self._layer(file) for file in self._parquets)

    def _layer(self, file: Path) -> LayerInfo:
        with translated(file):
            schema, rows = pq.read_schema(file), pq.read_metadata(file).num_rows
            geo = _geo_metadata(schema)
        geometry = geo.get("primary_column")
        fields = tuple(name for name in schema.names if name != geometry)
        if geometry is None:
            return LayerInfo(name=file.stem, fields=fields, has_geometry=False, crs=None, file=file, rows=rows)
        text = geo["columns"][geometry].get("crs", GEOPARQUET_DEFAULT_CRS)
        crs = parse_crs(json.dumps(text) if isinstance(text, dict) else text, where=str(file))
        drawn = _drawn_as(geo["columns"][geometry].get("geometry_types", []))
        return LayerInfo(name=file.stem, fields=fields, has_geometry=True, crs=crs, file=file, rows=rows, drawn=drawn)

    def read(self, layer: LayerInfo, columns: Sequence[str]) -> RawLayer:
        """Rows of a layer with the named columns and the geometry."""
        with translated(layer.file, layer.name):
            schema = pq.read_schema(layer.file)
            geometry = _geo_metadata(schema).get("primary_column")
            wanted = [*columns, *([geometry] if geometry else [])]
            with pq.ParquetFile(layer.file) as file:
                table = file.read(columns=wanted)
            wkb = _as_wkb(table[geometry], layer.file) if geometry else None
            return _raw(layer, table, wkb=wkb, columns=columns)

    def input_files(self, layers: Sequence[LayerInfo]) -> list[Path]:
        """Files of the given layers."""
        return [layer.file for layer in layers]


def _geo_metadata(schema: pa.Schema) -> dict[str, Any]:
    """Return the ``geo`` metadata of a GeoParquet file (OGC 24-013), empty for a plain table."""
    text = (schema.metadata or {}).get(b"geo")
    if text is None:
        return {}
    geo: dict[str, Any] = json.loads(text)
    if geo.get("primary_column") not in geo.get("columns", {}) or geo["primary_column"] not in schema.names:
        msg = "its geo metadata name a geometry column that is not there"
        raise ValueError(msg)
    return geo


def _as_wkb(column: pa.ChunkedArray, file: Path) -> pa.ChunkedArray:
    if pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type):
        return column
    import geopandas as gpd

    return pa.chunked_array([pa.array(gpd.read_parquet(file).geometry.to_wkb())])


def parse_crs(text: str | None, *, where: str) -> CRS | None:
    """Coordinate system from what a file says of it; ``None`` when it says nothing.

    Raises ``CrsError``: the text is not a coordinate system.
    """
    if not text:
        return None
    try:
        return crs_of(text)
    except CRSError as error:
        msg = f"{where}: its coordinate system cannot be understood ({text[:80]}); set input.crs to an EPSG code"
        raise CrsError(msg) from error
