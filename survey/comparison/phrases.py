"""Causes of a change in a few words each, to be taken in at a glance."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Phrase = Callable[[Any, Any], str]

MOST_PHRASES = 2
MOST_NAMES = 2
NOTE_CUTS = re.compile(r" (?:from the default|assumed|studied as)\b.*|[:,(].*")
NOT_A_CAUSE = "what was assumed could move it"
"""A note that says what follows from the others."""


def shortened(phrases: Sequence[str]) -> str:
    """The first phrases, and how many more there are."""
    more = len(phrases) - MOST_PHRASES
    return "; ".join(phrases[:MOST_PHRASES]) + (f"; {more} more" if more > 0 else "")


def always(text: str) -> Phrase:
    """The same words whatever the values."""
    return lambda _old, _new: text


def from_to(label: str, column: str, *, unit: str = "") -> Phrase:
    """``label 120 to 340 m``; nothing where the values are the same."""

    def phrase(old: Any, new: Any) -> str:  # noqa: ANN401 - rows of a table
        a, b = (_short(getattr(row, column)) for row in (old, new))
        return "" if a == b else f"{label} {a} to {b}{unit}"

    return phrase


def becomes(label: str, column: str, *, code: bool = False) -> Phrase:
    """``label now K3``, or that there is none any more; nothing where the values are the same.

    A code's underscores are written as blanks; an id stays as it is.
    """

    def phrase(old: Any, new: Any) -> str:  # noqa: ANN401 - rows of a table
        a, b = (str(getattr(row, column)) for row in (old, new))
        if a == b:
            return ""
        return f"{label} now {b.replace('_', ' ') if code else b}" if b else f"no {label} any more"

    return phrase


def first_of(*phrases: Phrase) -> Phrase:
    """The first phrase that says something."""

    def phrase(old: Any, new: Any) -> str:  # noqa: ANN401 - rows of a table
        return next((said for say in phrases if (said := say(old, new))), "figures differ a little")

    return phrase


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


def _short(value: float) -> str:
    """Three figures of a number."""
    number = float(value)
    return "none" if np.isnan(number) else f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}"
