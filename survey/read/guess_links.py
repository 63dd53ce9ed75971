"""What layers of an export tell about one another: values of one that are ids or feeders of the other."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from survey.read.guess_types import LIKELY, SURE, FieldGuess, LayerGuess
from survey.read.guess_values import ValueGuess

if TYPE_CHECKING:
    from collections.abc import Mapping

    from survey.read.profile import FieldProfile, LayerProfile

LINKED = 0.9  # share of the values that are ids of the other layer
SAID = 1.0  # confidence of what a person has answered or written into the settings
ENOUGH_LINKS = 3  # values, below which that may be chance
MOST_HEADS = 2  # points of a feeder in a layer of feeder heads


def with_guards(chosen: Mapping[str, LayerGuess], profiles: Mapping[str, LayerProfile]) -> dict[str, LayerGuess]:
    """Guesses with the field that names a device's cable told by its values, or doubted where they are no cables.

    What a person has said of that field is not doubted.
    """
    ids, switches = _cable_ids(chosen, profiles), chosen.get("switches")
    if ids is None or switches is None:
        return dict(chosen)
    profile, fields = profiles[switches.theirs], dict(switches.fields)
    known = fields.get("guards")
    if known is not None and known.confidence < SAID and (number := len(profile.field(known.theirs).values)):
        linked = _linked(profile.field(known.theirs), ids)
        words = f"{linked} of {number} values are ids of the cables"
        sure = linked >= LINKED * number
        fields["guards"] = replace(known, confidence=known.confidence if sure else LIKELY, evidence=words)
    if known is None and (found := _guards_by_ids(profile, {field.theirs for field in fields.values()}, ids)):
        fields["guards"] = found
    return {**chosen, "switches": replace(switches, fields=fields)}


def _cable_ids(chosen: Mapping[str, LayerGuess], profiles: Mapping[str, LayerProfile]) -> pa.Array | None:
    cables = chosen.get("cables")
    if cables is None or "cable_id" not in cables.fields:
        return None
    return profiles[cables.theirs].field(cables.fields["cable_id"].theirs).values


def _linked(field: FieldProfile, ids: pa.Array) -> int:
    return int(pc.sum(pc.is_in(field.values, value_set=ids)).as_py() or 0)


def _guards_by_ids(profile: LayerProfile, used: set[str], ids: pa.Array) -> FieldGuess | None:
    """First free field whose values are ids of the cables; numbers are, by chance, too often."""
    for field in profile.fields:
        number = len(field.values)
        if field.name in used or number < ENOUGH_LINKS or (linked := _linked(field, ids)) < LINKED * number:
            continue
        words = f"told by its values; {linked} of {number} are ids of the cables"
        confidence = LIKELY if field.numeric > 0 else SURE
        return FieldGuess("guards", field.name, confidence, words, ValueGuess(1.0, words))
    return None


def heads_evidence(feeders: FieldProfile, rows: int, *, known: FieldProfile) -> str:
    """Why points are where feeders begin: a few, each of a feeder that the cables have; ``""`` when they are not."""
    number = len(feeders.values)
    if not number or _linked(feeders, known.values) < number or rows > MOST_HEADS * number:
        return ""
    return f"{rows} points, of {number} of the {len(known.values)} feeders of the cables"
