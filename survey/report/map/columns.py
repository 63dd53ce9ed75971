"""Table columns as arrays of small whole numbers and lists of distinct texts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from survey.report.tables import Column, TableName, columns_of

Blocks = dict[str, "NDArray[Any] | list[str]"]

CODE_TYPES = (np.uint8, np.uint16, np.int32)
NUMBER_TYPES = (np.int8, np.int16, np.int32)
LARGEST_WHOLE = 2.0**53


def pack_table(frame: pd.DataFrame, *, table: TableName) -> tuple[list[dict[str, Any]], Blocks]:
    """Describe and pack every column that the table's file has."""
    columns = columns_of(frame, table=table)
    blocks: Blocks = {}
    for column in columns:
        name = f"{table}.{column.name}"
        if column.kind == "text":
            blocks.update(pack_texts(name, frame[column.name]))
        else:
            blocks[name] = pack_numbers(frame[column.name], column.decimals)
    return [_description(column, table) for column in columns], blocks


def _description(column: Column, table: TableName) -> dict[str, Any]:
    described = asdict(column)
    return {"table": table, "column": described.pop("name"), **described}


def pack_texts(name: str, values: pd.Series[Any]) -> Blocks:
    """Distinct texts and, where any repeat, the code of each row. Missing is the empty text."""
    texts = _text_array(values).dictionary_encode()
    words = texts.dictionary.to_pylist()
    if len(words) == len(texts):
        return {f"{name}.texts": words}
    codes = texts.indices.to_numpy(zero_copy_only=False)
    return {f"{name}.texts": words, name: codes.astype(_smallest(len(words), CODE_TYPES))}


def _text_array(values: pd.Series[Any]) -> pa.StringArray:
    try:
        texts = pa.array(values, type=pa.string(), from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        texts = pa.array([None if pd.isna(value) else str(value) for value in values], type=pa.string())
    whole = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    return pc.fill_null(whole, "")


def pack_numbers(values: pd.Series[Any], decimals: int) -> NDArray[Any]:
    """Whole multiples of the last decimal; the type's least value, or NaN, stands for a missing one."""
    floats = pd.to_numeric(values, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(floats * 10.0**decimals)
        known = np.abs(scaled) <= LARGEST_WHOLE
    largest = float(np.abs(scaled[known]).max(initial=0.0))
    if largest > np.iinfo(np.int32).max:
        return np.where(known, scaled / 10.0**decimals, np.nan)
    kind = _smallest(largest, NUMBER_TYPES)
    return np.where(known, scaled, np.iinfo(kind).min).astype(kind)


def _smallest(largest: float, types: tuple[type[np.integer[Any]], ...]) -> type[np.integer[Any]]:
    return next(kind for kind in types if largest <= np.iinfo(kind).max)
