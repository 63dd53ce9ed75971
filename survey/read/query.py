"""Layers and tables of an export as tables of an embedded SQL engine, which can reach nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import shapely

from survey.arrays import Ints
from survey.errors import SettingsError
from survey.projections import projection
from survey.read.columns import as_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import duckdb
    from pyproj import CRS

    from survey.read.formats import Export, LayerInfo

GEOMETRY = "geometry"
ROW = "row in layer"
NO_REACH: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "python_enable_replacements": False,
    "autoload_known_extensions": False,
    "temp_directory": "",
    "threads": 1,  # so that rows come in one order
    "arrow_large_buffer_size": True,
}
"""A settings file may come from anywhere: what it asks for reads the export and writes nothing."""


class Tables:
    """Layers of one export that a role is made of.

    ``export`` the export; ``crs`` coordinate system into which all geometries are brought; ``None`` leaves them.
    """

    def __init__(self, export: Export, *, crs: CRS | None) -> None:
        import duckdb

        self._engine = duckdb.connect(":memory:", config=NO_REACH)
        self._engine.execute("set lock_configuration = true")
        self._failure = duckdb.Error
        self._export = export
        self._crs = crs
        self.mended: dict[str, dict[str, Ints]] = {}
        self.rows: dict[str, int] = {}

    def close(self) -> None:
        """Let go of the tables."""
        self._engine.close()

    def add(self, info: LayerInfo, columns: Iterable[str], *, texts: Iterable[str] = ()) -> None:
        """Read a layer as the table of its name: the columns, its geometry, and the place of every row.

        ``columns``: those that are needed. ``texts``: columns that come as text, too, so that an id as number and as
        text are the same: ``"NAME as text"``.
        """
        texts = sorted(set(texts))
        raw = self._export.read(info, sorted({*columns, *texts}))
        self.mended[info.name], self.rows[info.name] = raw.mended, raw.rows
        arrays = {name: column for name, column in raw.columns.items() if name.casefold() != GEOMETRY}
        arrays |= {as_text_name(name): as_text(raw.columns[name]) for name in texts}
        if raw.wkb is not None:
            arrays[GEOMETRY] = self._moved(raw.wkb, info)
        arrays[ROW] = pa.array(np.arange(raw.rows))
        self._engine.register(info.name, pa.table(arrays))

    def _moved(self, wkb: pa.LargeBinaryArray, info: LayerInfo) -> pa.Array:
        if info.crs is None or self._crs is None or info.crs == self._crs:
            return wkb
        way = projection(info.crs, self._crs)
        shapes = shapely.from_wkb(wkb.to_numpy(zero_copy_only=False), on_invalid="ignore")
        moved = shapely.transform(shapes, lambda xy: np.column_stack(way.transform(xy[:, 0], xy[:, 1])))
        return pa.array(shapely.to_wkb(moved), pa.large_binary())

    def run(self, sql: str, *, key: str, there: Mapping[str, Sequence[str]]) -> pa.Table:
        """Rows of a query.

        ``sql``: one statement that selects. ``key``: the settings key it stems from, for messages. ``there``: columns
        of every table that exists, for messages. Raises ``SettingsError``: the query is not one that selects, or fails.
        """
        try:
            statements = self._engine.extract_statements(sql)
            if len(statements) != 1 or statements[0].type.name != "SELECT":
                msg = f"settings key {key}: expected one query that selects, found {sql[:80]!r}"
                raise SettingsError(msg)
            table: pa.Table = self._engine.sql(sql).to_arrow_table()
        except self._failure as error:
            raise _refusal(error, key=key, there=there) from error
        return table


def _refusal(error: duckdb.Error, *, key: str, there: Mapping[str, Sequence[str]]) -> SettingsError:
    """Say in one line what the engine found, with the tables and columns that exist where one was not found."""
    reason = str(error).split("\n")[0].strip()
    if "file system operations are disabled" in reason:
        return SettingsError(f"settings key {key}: reads or writes a file ({reason}); only the export can be read")
    tables = "; ".join(f"{table} ({', '.join(columns)})" for table, columns in there.items())
    return SettingsError(f"settings key {key}: {reason}; columns there: {tables}")


def as_text_name(column: str) -> str:
    """Name of the text of a column."""
    return f"{column} as text"


def quoted_name(name: str) -> str:
    """Name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def mentioned(names: Iterable[str], texts: Iterable[str]) -> list[str]:
    """Names that occur in one of the SQL texts, without regard to case; all where one has a star for columns."""
    words = " ".join(texts).casefold()
    return [name for name in names if "*" in words or name.casefold() in words]


def column_sql(name: str) -> str:
    """Column of a layer, or ``join.column``, as SQL; plain names stay as they are."""
    return ".".join(part if part.isidentifier() else quoted_name(part) for part in name.split(".", 1))


def text_sql(text: str) -> str:
    """Text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"
