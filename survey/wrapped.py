"""Text for a terminal: wrapped to its width, labels in a column of their own."""

from __future__ import annotations

import shutil
import textwrap

LABEL = 12
NARROWEST, WIDEST, NOT_A_TERMINAL = 80, 120, 100


def terminal_width() -> int:
    """Columns to fill."""
    columns = shutil.get_terminal_size((NOT_A_TERMINAL, 24)).columns
    return min(max(columns, NARROWEST), WIDEST)


def labelled(label: str, text: str, *, indent: int = LABEL) -> str:
    """The text beside its label; further lines under the first."""
    return textwrap.fill(
        text,
        terminal_width(),
        initial_indent=f"{label:<{indent}}",
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
