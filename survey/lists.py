"""Lists that people keep in a spreadsheet and save as text: changes, sign-offs, costs and ids.

A list has a header line and one row a line. Columns are divided by commas, semicolons or tabs (whichever divides the
header), the text is UTF-8 or UTF-16 with or without a byte order mark. Names of columns may be in any case. Where
commas do not divide columns, a number may have a decimal comma.
"""

import codecs
import csv
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from survey.errors import SettingsError

DIVIDERS = ",;\t"
NUMBERS = frozenset({"cost", "value"})
GUARD = re.compile(r"^'(?='*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20])")
"""The apostrophe that the survey's own tables put before what a spreadsheet would run."""
DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


def read_list(
    path: Path, what: str, *, needed: Sequence[str], optional: Sequence[str] = (), others: bool = True
) -> Iterator[tuple[str, dict[str, str]]]:
    """Rows of a list that are not empty, each with where it stands, for refusals.

    Parameters
    ----------
    what
        What the list is, for refusals.
    needed, optional
        Names of columns, lower case; one that is not there is ``""`` in every row.
    others
        Further columns are passed over; else refused.

    Raises
    ------
    SettingsError
        The file cannot be read, is no text, lacks a column or has one too many.
    """
    known = (*needed, *optional)
    try:
        lines = _text(path.read_bytes()).splitlines(keepends=True)
        rows = list(csv.reader(lines, delimiter=(divider := _divider(lines)), strict=True))
    except OSError as error:
        msg = f"{what} {path}: cannot be read ({error.strerror}); give a CSV file"
        raise SettingsError(msg) from error
    except (UnicodeDecodeError, csv.Error) as error:
        msg = f"{what} {path}: not a CSV file in UTF-8 or UTF-16 ({error}); save it as one"
        raise SettingsError(msg) from error
    header = [name.strip().lower() for name in rows[0]] if rows else []
    _check_header(header, f"{what} {path}", needed=needed, known=None if others else known)
    for line, cells in enumerate(rows[1:], start=2):
        found = dict(zip(header, (GUARD.sub("", cell.strip()) for cell in cells), strict=False))
        row = {name: _number(found.get(name, ""), name, divider) for name in known}
        if any(row.values()):
            yield f"{what} {path}, line {line}", row


def _text(raw: bytes) -> str:
    """The text, by its byte order mark; without one UTF-16 is told by its zero bytes."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16")
    if 0 in raw[:2]:
        return raw.decode("utf-16-be" if raw[0] == 0 else "utf-16-le")
    return raw.decode("utf-8-sig")


def _divider(lines: Sequence[str]) -> str:
    """What divides the header most often; the first of equals."""
    return max(DIVIDERS, key=lambda divider: lines[0].count(divider) if lines else 0)


def _number(text: str, name: str, divider: str) -> str:
    comma = name in NUMBERS and divider != "," and DECIMAL_COMMA.fullmatch(text)
    return text.replace(",", ".") if comma else text


def _check_header(header: Sequence[str], where: str, *, needed: Sequence[str], known: Sequence[str] | None) -> None:
    missing = [name for name in needed if name not in header]
    unknown = [name for name in header if known is not None and name not in known and name]
    if missing or unknown:
        problem = f"lacks column {missing[0]!r}" if missing else f"column {unknown[0]!r} is not known"
        msg = f"{where}: {problem}; columns: {', '.join(known or needed)}"
        raise SettingsError(msg)
