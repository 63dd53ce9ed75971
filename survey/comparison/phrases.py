"""Causes of a change in a few words each, to be taken in at a glance."""

import re
from collections.abc import Sequence
from numbers import Number
from typing import Any, NamedTuple

import numpy as np

MOST_PHRASES = 2
MOST_NAMES = 2
NOTE_CUTS = re.compile(r" (?:from the default|assumed|studied as)\b.*|[:,(].*")
NOT_A_CAUSE = "what was assumed could move it"
"""A note that says what follows from the others."""


def shortened(phrases: Sequence[str]) -> str:
    """The first phrases, and how many more there are."""
    more = len(phrases) - MOST_PHRASES
    return "; ".join(phrases[:MOST_PHRASES]) + (f"; {more} more" if more > 0 else "")


class Part(NamedTuple):
    """A column that shows a cause; ``label`` in full, ``brief`` at a glance; a ``code`` has no underscores."""

    column: str
    label: str
    brief: str = ""
    unit: str = ""
    decimals: int = 0
    code: bool = False

    def differs(self, old: object, new: object) -> bool:
        """Whether the values of two rows differ; two missing numbers are the same."""
        a, b = getattr(old, self.column), getattr(new, self.column)
        return bool(a != b and not (a != a and b != b))  # noqa: PLR0124 - missing numbers

    def words(self, old: object, new: object) -> str:
        """The old and the new value in full."""
        a, b = (_shown(getattr(row, self.column), self.decimals) for row in (old, new))
        return f"{self.label} {a} -> {b}{self.unit}"

    def phrase(self, old: object, new: object) -> str:
        """``cable 120 to 340 m``, ``point now K3``, or that there is none any more; nothing where both read alike."""
        a, b = getattr(old, self.column), getattr(new, self.column)
        name = self.brief or self.label
        if isinstance(a, Number):
            short = _three_figures(a), _three_figures(b)
            return "" if short[0] == short[1] else f"{name} {short[0]} to {short[1]}{self.unit}"
        now = str(b).replace("_", " ") if self.code else str(b)
        return "" if a == b else f"{name} now {now}" if now else f"no {name} any more"


class Cause(NamedTuple):
    """A cause: its name, the columns that show it, and what is ``said`` at a glance whatever the values are."""

    name: str
    parts: tuple[Part, ...]
    said: str = ""

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that show it."""
        return tuple(part.column for part in self.parts)

    def words(self, old: object, new: object) -> str:
        """It in full, of one site with its old and its new row."""
        return ", ".join(part.words(old, new) for part in self.parts if part.differs(old, new))

    def phrase(self, old: object, new: object) -> str:
        """It in a few words."""
        phrases = (part.phrase(old, new) for part in self.parts)
        return self.said or next((phrase for phrase in phrases if phrase), "figures differ a little")


def _shown(value: object, decimals: int) -> str:
    if isinstance(value, float | np.floating | int | np.integer):
        return "none" if np.isnan(value) else f"{float(value):.{decimals}f}"
    return str(value) or "none"


def assumed(before: str, after: str) -> str:
    """What is assumed now and was not before, or the other way round, from the notes of both.

    Examples
    --------
    >>> assumed("", "no-load loss from the default table; exciting current from the default")
    'now assumed: no-load loss, exciting current'
    """
    was, now = _topics(before), _topics(after)
    parts = [("now assumed", [t for t in now if t not in was]), ("no longer assumed", [t for t in was if t not in now])]
    return "; ".join(f"{words}: {_names(topics)}" for words, topics in parts if topics) or "assumptions changed"


def _topics(notes: str) -> list[str]:
    kept = [note for note in notes.split("; ") if note and not note.startswith(NOT_A_CAUSE)]
    return list(dict.fromkeys(NOTE_CUTS.sub("", note).strip() for note in kept))


def _names(topics: Sequence[str]) -> str:
    more = len(topics) - MOST_NAMES
    return ", ".join(topics[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _three_figures(value: Any) -> str:  # noqa: ANN401 - any number
    number = float(value)
    return "none" if np.isnan(number) else f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}"
