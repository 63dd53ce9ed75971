"""``survey.gpkg``: the results as layers of one GeoPackage (OGC 12-128r18), with headings and default looks.

Written through Arrow; the same results give the same bytes, because the date of last change in the file is a fixed
one and not the clock's.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely
from pyproj import CRS

from survey.arrays import Bools, Floats, Ints, Objects, heads
from survey.fingerprint import COLUMN, NOT_BUILT, what_if_words
from survey.linesets import DrawnLater, LineSet, PointSet, SharedLines
from survey.projections import projection
from survey.report.background import by_kind
from survey.report.ramp import drawn_as
from survey.report.styles import layer_looks, qml_text, sld_text
from survey.report.tables import Column, TableName, columns_of
from survey.report.wkb import well_known_binary
from survey.result import SurveyResult
from survey.streams import undisturbed

FIXED_DATE = "2000-01-01T00:00:00.000Z"
GEOMETRY = "geom"
PATH_COLUMNS = ("site_id", "switch_id", "path_length_m", "path_cable_m", "band", "priority")
SECTIONS_AT_ONCE = 5000
PIECE_COLUMNS = ("switch_id", "band", "priority")
SECTION_COLUMNS = (
    "switch_id", "feeder", "switch_device", "exposed_cable_m", "exposed_sites", "exposed_kva", "peak_pu",
    "top_priority", "hazard", "band",
)  # fmt: skip
FIRST_PIECE = Column(
    "path_piece", "integer", alias="Path piece", description="First piece of the path (path_pieces.fid)"
)
NEXT_PIECE = Column("next_piece", "integer", alias="Next piece", description="Piece that the paths go on with (fid)")
WALKERS = Column("sites", "integer", alias="Sites", description="Number of sites whose path runs here")
BACKGROUND_COLUMNS = (
    Column("look", "text", alias="Drawn as", description="street, water, land, parcel, border or place"),
    Column("label", "text", alias="Name", description="Name in the user's own layer"),
)
OPEN_ID = Column("switch_id", "text", alias="Device", description="Id of the normally open device")
MARK = Column("mark", "text", alias="Drawn as", description="Band where one was decided, else the status")

_OPTIONS = {
    "OGR_CURRENT_DATE": FIXED_DATE,
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
    # what is written once and in order needs no cache; large pages need fewer calls (a seventh of the time, measured)
    "OGR_SQLITE_CACHE": "8",
    "OGR_SQLITE_PRAGMA": "page_size=16384",
}

_SCHEMA_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME);
"""
_PATHS_VIEW = """
CREATE VIEW paths AS
WITH RECURSIVE way(site, piece) AS (
  SELECT fid, path_piece FROM sites WHERE path_piece IS NOT NULL
  UNION ALL
  SELECT site, next_piece FROM way JOIN path_pieces ON fid = piece WHERE next_piece IS NOT NULL)
SELECT row_number() OVER () AS OGC_FID, {columns}, path_pieces.geom AS geom
FROM way JOIN sites ON sites.fid = site JOIN path_pieces ON path_pieces.fid = piece;
INSERT INTO gpkg_contents
  SELECT 'paths', data_type, 'paths', '{description}', last_change, min_x, min_y, max_x, max_y, srs_id
  FROM gpkg_contents WHERE table_name = 'path_pieces';
INSERT INTO gpkg_geometry_columns
  SELECT 'paths', column_name, geometry_type_name, srs_id, z, m
  FROM gpkg_geometry_columns WHERE table_name = 'path_pieces';
"""
_SCHEMA_DEFINITION = "http://www.geopackage.org/spec131/#extension_schema"


@dataclass(frozen=True)
class ResultTables:
    """The three result tables in Arrow (see :func:`survey.report.tables.arrow_table`)."""

    sites: pa.Table
    switching_points: pa.Table
    findings: pa.Table


@dataclass(frozen=True)
class _Layer:
    name: str
    content: pa.Table | pa.RecordBatchReader
    geometry_type: str
    columns: Sequence[Column]
    description: str


def write_gpkg(result: SurveyResult, path: Path, *, tables: ResultTables) -> None:
    """Write the layers, those that lie lowest on a map first: programs that open all of them keep that order.

    Of the walked paths there are the pieces, and the view ``paths`` on them. Raises ``OSError``, ``sqlite3.Error``,
    ``pyogrio.errors.DataSourceError``, ``pyogrio.errors.DataLayerError``: the file cannot be written, for example
    because the disk is full.
    """
    layers = _said([
        *_background(result), _sections(result, tables), _path_pieces(result, tables), _open_points(result),
        _switching_points(result, tables), _sites(result, tables), _findings(result, tables),
    ], result)  # fmt: skip
    with _library_options(_OPTIONS):
        for layer in layers:
            with undisturbed():  # the library would tell of Ctrl-C as of a fault in the batches that it asks for
                pyogrio.write_arrow(
                    layer.content, path, layer=layer.name, driver="GPKG", geometry_name=GEOMETRY,
                    geometry_type=layer.geometry_type, crs=_crs_text(result.crs),
                    layer_options={"DESCRIPTION": layer.description},
                )  # fmt: skip
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("PRAGMA synchronous = OFF")
        database.executescript(_SCHEMA_TABLES)
        sites = next(layer for layer in layers if layer.name == "sites")
        layers.append(_write_paths(database, result, sites))
        _write_headings(database, layers)
        _write_looks(database, layers)


@contextmanager
def _library_options(options: dict[str, str]) -> Iterator[None]:
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _crs_text(crs: CRS) -> str:
    authority = crs.to_authority()
    return ":".join(authority) if authority else crs.to_wkt()


def _with_shapes(content: pa.Table, geometries: Objects | PointSet | LineSet, *, multi: bool = False) -> pa.Table:
    return content.append_column(GEOMETRY, well_known_binary(geometries, multi=multi))


def _sites(result: SurveyResult, tables: ResultTables) -> _Layer:
    (band, bands), (status, statuses) = (pd.factorize(result.sites[name].astype(str)) for name in ("band", "status"))
    marks = np.array([[drawn_as(one, other) for other in statuses] for one in bands], object).reshape(
        len(bands), len(statuses)
    )
    content = tables.sites.append_column(MARK.name, pa.array(marks[band, status] if len(band) else [], pa.string()))
    content = content.append_column(FIRST_PIECE.name, _numbers(SharedLines.of(result.site_paths).first))
    layer = _layer(
        "sites",
        _with_shapes(content, result.site_points),
        geometry_type="Point",
        frame=result.sites,
        described="sites",
    )
    return replace(layer, columns=[*layer.columns, MARK, FIRST_PIECE])


def _numbers(row: Ints) -> pa.Array:
    """Number that a row gets in its layer, where it is counted from 1; null for -1."""
    return pa.array(row + 1, mask=row < 0)


def _switching_points(result: SurveyResult, tables: ResultTables) -> _Layer:
    content = _with_shapes(tables.switching_points, result.switch_points)
    frame = result.switching_points
    return _layer("switching_points", content, geometry_type="Point", frame=frame, described="switching_points")


def _path_pieces(result: SurveyResult, tables: ResultTables) -> _Layer:
    """Every piece of the walked paths once, with the worst of the sites that walk it."""
    paths = SharedLines.of(result.site_paths)
    site, piece = paths.used()
    order = np.lexsort((site, piece))
    worst = site[order[heads(piece[order])]]  # sites are ranked
    content = _chosen(tables.sites, PIECE_COLUMNS).take(pa.array(worst))
    content = content.append_column(WALKERS.name, pa.array(np.bincount(piece, minlength=len(worst))))
    content = content.append_column(NEXT_PIECE.name, _numbers(paths.following))
    content = _with_shapes(content, paths.pieces, multi=True)
    layer = _layer("path_pieces", content, geometry_type="MultiLineString", frame=result.sites, described="sites")
    return replace(layer, columns=[*layer.columns, WALKERS, NEXT_PIECE])


def _write_paths(database: sqlite3.Connection, result: SurveyResult, sites: _Layer) -> _Layer:
    """The walked path of every site, from the pieces that they share: a view."""
    described = [c for c in sites.columns if c.name in {*PATH_COLUMNS, COLUMN}]
    layer = _said([_Layer("paths", sites.content, "MultiLineString", described, _DESCRIPTIONS["paths"])], result)[0]
    columns = ", ".join(f"sites.{c.name}" for c in described)
    database.executescript(_PATHS_VIEW.format(columns=columns, description=layer.description.replace("'", "''")))
    return layer


def _sections(result: SurveyResult, tables: ResultTables) -> _Layer:
    """Exposed sections; of their lines, most of the file, only some are there at a time."""
    rows = _chosen(tables.switching_points, SECTION_COLUMNS)
    schema = rows.schema.append(pa.field(GEOMETRY, pa.binary()))
    content = pa.RecordBatchReader.from_batches(schema, _section_batches(rows, result.section_lines, schema))
    frame = result.switching_points
    layer = _layer("sections", rows, geometry_type="MultiLineString", frame=frame, described="switching_points")
    return replace(layer, content=content)


def _section_batches(
    rows: pa.Table, lines: Objects | LineSet | DrawnLater, schema: pa.Schema
) -> Iterator[pa.RecordBatch]:
    for first in range(0, rows.num_rows, SECTIONS_AT_ONCE):
        some = np.arange(first, min(first + SECTIONS_AT_ONCE, rows.num_rows))
        drawn = LineSet.of(lines[some]) if isinstance(lines, np.ndarray) else lines.taken(some)
        content = _with_shapes(_rows(rows.slice(first, len(some)), drawn.drawn), _drawn(drawn), multi=True)
        yield from content.cast(schema).combine_chunks().to_batches()


def _chosen(content: pa.Table, columns: Sequence[str]) -> pa.Table:
    """Some columns, and that it is a what-if where it is one."""
    return content.select([name for name in (*columns, COLUMN) if name in content.column_names])


def _drawn(lines: LineSet) -> LineSet:
    """Only those that have a line."""
    return LineSet(lines.parts[lines.drawn], lines.points, lines.xy)


def _rows(content: pa.Table, keep: Bools) -> pa.Table:
    return content if keep.all() else content.filter(pa.array(keep))


def _findings(result: SurveyResult, tables: ResultTables) -> _Layer:
    lon = result.findings["lon"].to_numpy(dtype=np.float64, na_value=np.nan)
    lat = result.findings["lat"].to_numpy(dtype=np.float64, na_value=np.nan)
    content = _with_shapes(tables.findings, places(lon, lat, crs=result.crs))
    return _layer("findings", content, geometry_type="Point", frame=result.findings, described="findings")


def _background(result: SurveyResult) -> Iterator[_Layer]:
    """The user's own layers as they are drawn, by what their shapes are."""
    types = {"points": "Point", "lines": "LineString", "areas": "Polygon"}
    for kind, drawn in by_kind(result.background).items():
        content = pa.Table.from_pandas(pd.DataFrame(drawn[["look", "label"]]), preserve_index=False, nthreads=1)
        content = _with_shapes(content, drawn.geometry.to_numpy())
        name = f"background_{kind}"
        yield _Layer(name, content, types[kind], BACKGROUND_COLUMNS, _DESCRIPTIONS["background"])


def _open_points(result: SurveyResult) -> _Layer:
    """Devices that are open in the normal state and have a place."""
    ids = [str(name) for name in result.record.get("open_devices", ())]
    degrees = np.array(result.record.get("open_places", ()), dtype=np.float64).reshape(-1, 2)
    content = pa.table({"switch_id": pa.array(ids[: len(degrees)], pa.string())})
    content = _with_shapes(content, places(degrees[:, 0], degrees[:, 1], crs=result.crs))
    return _Layer("open_points", content, "Point", (OPEN_ID,), _DESCRIPTIONS["open_points"])


def places(lon: Floats, lat: Floats, *, crs: CRS) -> Objects:
    """Points in ``crs`` of places in degrees (WGS 84), shape (n,); ``None`` where a degree is missing."""
    x, y = projection("EPSG:4326", crs).transform(lon, lat)
    known = np.isfinite(x) & np.isfinite(y) & np.isfinite(lon) & np.isfinite(lat)
    points = np.full(len(lon), None, dtype=object)
    points[known] = shapely.points(x[known], y[known])
    return points


_DESCRIPTIONS = {
    "sites": "Three-phase sites, ranked",
    "path_pieces": "Pieces of the walked paths, each drawn once",
    "paths": "Walked path of each site to its switching point, piece by piece",
    "sections": "Exposed section of each single-pole switching point",
    "switching_points": "Single-pole switching points that expose a site",
    "findings": "Findings about the records, where they have a place",
    "open_points": "Devices that are open in the normal state",
    "background": "Drawn beneath the network, of the user's own",
}


def _layer(name: str, content: pa.Table, *, geometry_type: str, frame: pd.DataFrame, described: TableName) -> _Layer:
    columns = [column for column in columns_of(frame, table=described) if column.name in content.column_names]
    return _Layer(name, content, geometry_type, columns, _DESCRIPTIONS[name])


def _said(layers: Sequence[_Layer], result: SurveyResult) -> list[_Layer]:
    """Layers of a what-if say so in their descriptions, which layer lists show."""
    words = what_if_words(result.record)
    return [
        replace(layer, description=f"{words}, {NOT_BUILT}. {layer.description}") if words else layer for layer in layers
    ]


def _write_headings(database: sqlite3.Connection, layers: Sequence[_Layer]) -> None:
    """Fill the schema extension of the GeoPackage standard: heading and description of every field."""
    database.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [(name, _SCHEMA_DEFINITION) for name in ("gpkg_data_columns", "gpkg_data_column_constraints")],
    )
    rows = [(layer.name, c.name, _heading(c), _heading(c), c.description) for layer in layers for c in layer.columns]
    database.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description) VALUES (?, ?, ?, ?, ?)", rows
    )


def _heading(column: Column) -> str:
    alias = column.alias or column.name
    return f"{alias} ({column.unit})" if column.unit else alias


def _write_looks(database: sqlite3.Connection, layers: Sequence[_Layer]) -> None:
    looks = layer_looks()
    rows = [
        (
            layer.name,
            GEOMETRY,
            layer.name,
            qml_text(looks[layer.name], headings={column.name: _heading(column) for column in layer.columns}),
            sld_text(looks[layer.name], layer=layer.name),
            layer.description,
            FIXED_DATE,
        )
        for layer in layers
    ]
    database.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
        " styleQML, styleSLD, useAsDefault, description, owner, update_time)"
        " VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', ?)",
        rows,
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
        " VALUES ('layer_styles', 'attributes', 'layer_styles', 'Default looks of the layers', ?)",
        (FIXED_DATE,),
    )
