"""Write one file whole or not at all; small tables as CSV."""

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pyarrow as pa

from survey.errors import OutputError
from survey.report.folder import hold_file, refusal
from survey.report.tables import guard, guarded


def check_suffix(path: Path, accepted: tuple[str, ...], *, option: str) -> None:
    """Refuse a file name whose ending says nothing that can be written.

    Raises ``OutputError``: the ending is not one of ``accepted``, or the path is a folder.
    """
    if path.suffix.lower() not in accepted:
        msg = f"{option} {path}: found the ending {path.suffix!r}, expected one of {', '.join(accepted)}"
        raise OutputError(msg)
    if path.is_dir():
        msg = f"{option} {path}: is a folder; give a file"
        raise OutputError(msg)


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Let ``write`` fill a file beside ``path``, then move it into place.

    ``path``: where the file goes; its folder is made if missing. A pipe or a terminal is written to as it is.
    ``write``: called with the place to write to, which has the same ending. Raises ``OutputError``: the disk does not
    take it, or another process is writing it; what was at ``path`` is still there.
    """
    if path.is_fifo() or path.is_char_device():
        with _refusals(path):
            write(path)
        return
    target = path.resolve()
    with hold_file(target) as staging, _refusals(path):
        write(staging / path.name)
        (staging / path.name).replace(target)


@contextmanager
def _refusals(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise refusal(path, error) from error


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
