"""Result tables as Arrow tables and as CSV: columns in a fixed order, fixed decimals, the same bytes every run."""

import codecs
import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from survey.arrays import Bools, Ints

Kind = Literal["text", "integer", "number"]
TableName = Literal["sites", "switching_points", "findings"]

EXTRA_DECIMALS = 6
"""Decimals of a number column that ``columns.csv`` does not list."""

BYTE_ORDER_MARK = codecs.BOM_UTF8
_LARGEST_SCALED = 2.0**53
_FORMULA = r"'*[=+\-@\t\r\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"  # the last four: full-width, which some take for the same
_FORMULA_BYTES = np.isin(np.arange(256), list(b"'=+-@\t\r\xef"))
"""Bytes with which ``_FORMULA`` begins."""
_GUARDED = rf"\A{_FORMULA}"
_UNGUARDED = rf"\A'({_FORMULA})"


@dataclass(frozen=True)
class Column:
    """One column of a result table, as ``survey/data/columns.csv`` describes it.

    Parameters
    ----------
    name
        Column name in every output.
    kind
        What its cells hold.
    decimals
        Digits after the point of a number.
    unit
        Unit of a number; empty for text and for ratios.
    alias
        Short heading for people.
    description
        One sentence.
    """

    name: str
    kind: Kind
    decimals: int = 0
    unit: str = ""
    alias: str = ""
    description: str = ""


@cache
def described_columns(table: TableName) -> tuple[Column, ...]:
    """Columns that ``survey/data/columns.csv`` lists for a table, in its order."""
    text = resources.files("survey").joinpath("data/columns.csv").read_text(encoding="utf-8")
    rows = (row for row in csv.DictReader(text.splitlines()) if row["table"] == table)
    return tuple(_column(row) for row in rows)


def _column(row: dict[str, str]) -> Column:
    kind: Kind = "text" if row["kind"] == "text" else "integer" if row["kind"] == "integer" else "number"
    return Column(row["column"], kind, int(row["decimals"] or 0), row["unit"], row["alias"], row["description"])


def columns_of(frame: pd.DataFrame, *, table: TableName) -> tuple[Column, ...]:
    """Columns of a frame in output order: those described first, then its own others in their order.

    Raises ``KeyError``: a described column is missing from the frame: a defect of the survey, not of its input.
    """
    described = described_columns(table)
    missing = [column.name for column in described if column.name not in frame.columns]
    if missing:
        msg = f"table {table} lacks {', '.join(missing)}"
        raise KeyError(msg)
    known = {column.name for column in described}
    extra = tuple(_extra_column(frame[name], str(name)) for name in frame.columns if name not in known)
    return described + extra


def _extra_column(values: pd.Series, name: str) -> Column:
    if pd.api.types.is_bool_dtype(values.dtype) or pd.api.types.is_integer_dtype(values.dtype):
        return Column(name, "integer", alias=name)
    if pd.api.types.is_float_dtype(values.dtype):
        return Column(name, "number", EXTRA_DECIMALS, alias=name)
    return Column(name, "text", alias=name)


def arrow_table(frame: pd.DataFrame, *, table: TableName) -> pa.Table:
    """Turn a result table into Arrow, numbers rounded to their decimals; empty text, NaN and infinity become null."""
    columns = columns_of(frame, table=table)
    return pa.table({column.name: _arrow_values(frame[column.name], column) for column in columns})


def _arrow_values(values: pd.Series, column: Column) -> pa.Array:
    if column.kind == "text":
        return _text(values)
    scaled, missing = _scaled(values, decimals=column.decimals)
    if column.kind == "integer":
        return pa.array(scaled, mask=missing)
    return pa.array(scaled / 10.0**column.decimals, mask=missing)


def _text(values: pd.Series) -> pa.Array:
    try:
        text = pa.array(values, type=pa.string(), from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        text = pa.array([None if pd.isna(v) else str(v) for v in values], type=pa.string())
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)


def _scaled(values: pd.Series, *, decimals: int) -> tuple[Ints, Bools]:
    """Round to whole multiples of the last decimal; also says which are missing or beyond what a double can hold."""
    numbers = values.to_numpy(dtype=np.float64, na_value=np.nan) * 10.0**decimals
    with np.errstate(invalid="ignore"):
        missing = ~(np.abs(numbers) <= _LARGEST_SCALED)
    return np.rint(np.where(missing, 0.0, numbers)).astype(np.int64), missing


def write_csv(content: pa.Table, path: Path, *, table: TableName) -> None:
    r"""Write an Arrow result table as CSV: UTF-8, ``\n``, header first, text quoted, fixed decimals, null empty.

    It begins with a byte order mark, by which spreadsheets know how to read accents. Text that a
    spreadsheet would run as a formula gets a leading apostrophe (:func:`guard`).
    """
    decimals = {column.name: column.decimals for column in described_columns(table)}
    cells = [_cells(content[name], decimals.get(name, EXTRA_DECIMALS)) for name in content.column_names]
    options = arrow_csv.WriteOptions(include_header=False, quoting_style="needed", batch_size=1 << 14)
    with path.open("wb") as file:
        file.write(BYTE_ORDER_MARK + _header(content.column_names))
        arrow_csv.write_csv(pa.table(cells, names=content.column_names), file, options)


def _header(names: Sequence[str]) -> bytes:
    """The first line, quoted and guarded like any text: columns keep the names they have in the export."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(map(guarded, names))
    return line.getvalue().encode()


def _cells(values: pa.ChunkedArray, decimals: int) -> pa.Array:
    array = values.combine_chunks()
    if pa.types.is_string(array.type):
        return guard(array)
    return fixed_decimals(array, decimals=decimals) if pa.types.is_floating(array.type) else array


def fixed_decimals(values: pa.Array, *, decimals: int) -> pa.Array:
    """Turn floats into decimal numbers of so many digits after the point, without going through text."""
    numbers = values.fill_null(0.0).to_numpy(zero_copy_only=False)
    words = np.empty((len(numbers), 2), dtype="<i8")
    words[:, 0] = np.rint(numbers * 10.0**decimals)
    words[:, 1] = words[:, 0] >> 63
    valid = None if values.null_count == 0 else pa.array(values.is_valid()).buffers()[1]
    return pa.Array.from_buffers(pa.decimal128(18, decimals), len(numbers), [valid, pa.py_buffer(words)])


def guard(text: pa.Array) -> pa.Array:
    """Put an apostrophe before text that begins like a spreadsheet formula: ``= + - @``, full-width ones, tab, return.

    Text that already begins with apostrophes and then like a formula gets one more, so that :func:`unguard` gives
    back exactly what was there.
    """
    if not _may_be_formula(text):
        return text
    risky = pc.match_substring_regex(text, _GUARDED)
    return pc.if_else(risky, pc.binary_join_element_wise("'", text, ""), text)


def _may_be_formula(text: pa.Array) -> bool:
    """Whether some text begins with a byte with which a formula may, which is quickly told."""
    _, ends, letters = text.buffers()
    if not letters:
        return False
    end = np.frombuffer(ends, np.int32)[text.offset : text.offset + len(text) + 1]
    first = np.frombuffer(letters, np.uint8)[end[:-1][end[1:] > end[:-1]]]
    return bool(_FORMULA_BYTES[first].any())


def guarded(text: str) -> str:
    """One text with an apostrophe as :func:`guard` puts it."""
    return str(guard(pa.array([text]))[0].as_py())


def unguard(text: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """Take off the apostrophe that :func:`guard` put on."""
    if not pc.any(pc.match_substring_regex(text, _UNGUARDED)).as_py():
        return text
    return pc.replace_substring_regex(text, pattern=_UNGUARDED, replacement=r"\1", max_replacements=1)


def read_csv(path: Path, *, table: TableName) -> pd.DataFrame:
    """Read a result table back: text as ``str`` (missing ``""``), numbers as float, integers as int where none lacks.

    Raises ``OSError``, ``pyarrow.ArrowInvalid``, ``KeyError``: the file is missing, is no such table, or lacks a
    described column.
    """
    described = described_columns(table)
    arrow_types = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    options = arrow_csv.ConvertOptions(
        column_types={column.name: arrow_types[column.kind] for column in described},
        strings_can_be_null=False,
        null_values=[""],
    )
    # a finding can name so many ids that its row is longer than any block but the whole file
    block = min(max(1 << 20, path.stat().st_size + 1), 2**31 - 1)
    content = arrow_csv.read_csv(
        path,
        read_options=arrow_csv.ReadOptions(block_size=block),
        parse_options=arrow_csv.ParseOptions(newlines_in_values=True),
        convert_options=options,
    )
    names = unguard(pa.array(content.column_names)).to_pylist()
    frame = pd.DataFrame({name: _column_back(content[at]) for at, name in enumerate(names)})
    columns_of(frame, table=table)
    return frame


def _column_back(values: pa.ChunkedArray) -> pd.Series:
    if pa.types.is_null(values.type):
        return pd.Series([""] * len(values), dtype=object)
    series: pd.Series = (unguard(values) if pa.types.is_string(values.type) else values).to_pandas()
    return series
