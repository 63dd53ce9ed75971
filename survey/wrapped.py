"""Text for a terminal: wrapped to its width, labels in a column of their own."""

import shutil
import textwrap

LABEL, UNDER = 12, 4
NARROWEST, WIDEST, NOT_A_TERMINAL = 40, 120, 100
TABLE = 80
"""What tables need, and take no more of."""


def terminal_width() -> int:
    """Columns to fill."""
    columns = shutil.get_terminal_size((NOT_A_TERMINAL, 24)).columns
    return min(max(columns, NARROWEST), WIDEST)


def labelled(label: str, text: str, *, indent: int = LABEL) -> str:
    """The text beside its label; further lines under the first, or all of it under its label where there is no room."""
    width = terminal_width()
    if indent > width // 2:
        return f"{label.rstrip()}\n{labelled('', text, indent=UNDER)}"
    return textwrap.fill(
        text,
        width,
        initial_indent=f"{label:<{indent}}",
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def fitted(line: str) -> str:
    """A line that is too long for a narrow terminal, in several; any other as it is."""
    width = terminal_width()
    if len(line) <= width or width >= TABLE:
        return line
    start = min(len(line) - len(line.lstrip()), UNDER)
    words = " ".join(line.split())
    return textwrap.fill(
        words,
        width,
        initial_indent=" " * start,
        subsequent_indent=" " * (start + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )
