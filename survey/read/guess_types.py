"""A guess: which layer or field of an export is one of ours, how sure that is, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from survey.read.guess_values import ValueGuess

SURE, LIKELY = 0.75, 0.5
"""Confidence from which a guess stands without a person looking at it, and from which it is worth showing."""


@dataclass(frozen=True)
class FieldGuess:
    """A field of the export for one of ours.

    ``ours``, ``theirs`` names; ``confidence`` 0 to 1; sure from 0.75; ``evidence`` why, in words; ``values`` what the
    values tell: unit and codes.
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
class RowGuess:
    """A condition on the rows of a layer: as SQL, why, whether that is beyond doubt, and in force even if not.

    ``column`` and ``gone`` name the values that it leaves out, where it is by those of one column (none: any value).
    """

    sql: str
    evidence: str
    sure: bool
    in_force: bool = False
    column: str = ""
    gone: tuple[str, ...] = ()


@dataclass(frozen=True)
class JoinGuess:
    """A table joined to a layer.

    ``name``, ``table`` its name in the draft, and the table; ``mine``, ``theirs`` columns that hold the same ids, of
    the layer (or ``join.column``) and of the table; ``where`` SQL condition on the table's rows, ``""`` where all are
    meant; ``evidence``, ``sure`` why, and whether that is beyond doubt.
    """

    name: str
    table: str
    mine: str
    theirs: str
    where: str
    evidence: str
    sure: bool


@dataclass(frozen=True)
class StandIn:
    """A default by what a layer is: our value, why, and whether that is beyond doubt."""

    value: str
    evidence: str
    sure: bool


@dataclass(frozen=True)
class LayerGuess:
    """A layer of the export for one of ours; ``theirs`` is ``""`` when none fits.

    ``ours``, ``theirs`` names; theirs is the title of the view of the layer (see
    :class:`~survey.read.profile.LayerProfile`); ``confidence``, ``evidence`` how sure, and why; ``fields`` its fields
    by ours; ``defaults`` those that the settings say; ``stand_ins`` those that the layer's name tells; ``rows``
    conditions on its rows; ``more`` further layers that are of the same role.
    """

    ours: str
    theirs: str
    confidence: float
    evidence: str
    fields: dict[str, FieldGuess] = field(default_factory=dict)
    defaults: Mapping[str, str | float] = field(default_factory=dict)
    stand_ins: Mapping[str, StandIn] = field(default_factory=dict)
    rows: tuple[RowGuess, ...] = ()
    more: tuple[LayerGuess, ...] = ()

    @property
    def parts(self) -> tuple[LayerGuess, ...]:
        """The layer itself and the further ones."""
        return (self, *self.more)

    @property
    def sure(self) -> bool:
        """Whether the guess stands without a person looking at it."""
        return self.confidence >= SURE
