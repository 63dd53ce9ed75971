"""A guess: which layer or field of an export is one of ours, how sure that is, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from survey.read.guess_values import ValueGuess

SURE, LIKELY = 0.75, 0.5
"""Confidence from which a guess stands without a person looking at it, and from which it is worth showing."""


@dataclass(frozen=True)
class FieldGuess:
    """A field of the export for one of ours.

    Parameters
    ----------
    ours, theirs
        Names.
    confidence
        0 to 1; sure from 0.75.
    evidence
        Why, in words.
    values
        What the values tell: unit and codes.
    """

    ours: str
    theirs: str
    confidence: float
    evidence: str
    values: ValueGuess

    @property
    def sure(self) -> bool:
        """Whether the guess stands without a person looking at it."""
        return self.confidence >= SURE


@dataclass(frozen=True)
class LayerGuess:
    """A layer of the export for one of ours; ``theirs`` is ``""`` when none fits. ``defaults`` are never guessed."""

    ours: str
    theirs: str
    confidence: float
    evidence: str
    fields: dict[str, FieldGuess] = field(default_factory=dict)
    defaults: Mapping[str, str | float] = field(default_factory=dict)

    @property
    def sure(self) -> bool:
        """Whether the guess stands without a person looking at it."""
        return self.confidence >= SURE
