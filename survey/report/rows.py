"""Small tables as CSV: so many decimals per column, and no cell that a spreadsheet would run as a formula."""

import csv
import math
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import pyarrow as pa

from survey.report.tables import guard, guarded


def write_rows(path: Path, frame: pd.DataFrame, *, columns: dict[str, int | None]) -> None:
    """Write a table as CSV with so many decimals per column (``None``: text); missing numbers are empty."""
    cells = [_cells(frame[name].tolist(), decimals) for name, decimals in columns.items()]
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(map(guarded, columns))
        writer.writerows(zip(*cells, strict=True))


def _cells(values: Sequence[object], decimals: int | None) -> list[str]:
    """A column as text; what a spreadsheet would run as a formula gets a leading apostrophe."""
    if decimals is not None:
        return [number_text(value, decimals) for value in values]
    plain = ["" if value is None or value != value else str(value) for value in values]  # noqa: PLR0124 - not a number
    return list(guard(pa.array(plain, pa.string())).to_pylist())


def number_text(value: object, decimals: int) -> str:
    """A number with so many decimals, ``""`` for none, never minus nothing."""
    number = float(value)  # type: ignore[arg-type]
    if not math.isfinite(number):
        return ""
    text = f"{number:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text
