"""What layers of an export tell about one another: values of one that are ids or feeders of the other."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import pyarrow as pa
import pyarrow.compute as pc

from survey.read.guess_types import LIKELY, SURE, FieldGuess, LayerGuess
from survey.read.guess_values import ValueGuess
from survey.read.profile import FieldProfile, LayerProfile

LINKED = 0.9  # share of the values that are ids of the other layer
SAID = 1.0  # confidence of what a person has answered or written into the settings
ENOUGH_NUMBERS = 3  # numbers, below which that may be chance
MOSTLY_CLOSED = 0.75
MOST_HEADS = 2  # points of a feeder in a layer of feeder heads


def with_guards(chosen: Mapping[str, LayerGuess], views: Mapping[str, LayerProfile]) -> dict[str, LayerGuess]:
    """Guesses with the field that names a device's cable told by its values, or doubted where they are no cables.

    Where the values are of another column of the cables than the one taken for their id, that is their id. What a
    person has said is not doubted.
    """
    cables, switches = chosen.get("cables"), chosen.get("switches")
    if cables is None or switches is None or not cables.theirs or not switches.theirs:
        return dict(chosen)
    cables = _referred_ids(cables, switches, views)
    ids = _cable_ids(cables, views)
    if ids is None:
        return {**chosen, "cables": cables}
    first, *more = (_with_guard(part, views[part.theirs], ids) for part in switches.parts)
    return {**chosen, "cables": cables, "switches": replace(first, more=tuple(more))}


def _with_guard(switches: LayerGuess, view: LayerProfile, ids: pa.Array) -> LayerGuess:
    fields = dict(switches.fields)
    known = fields.get("guards")
    if known is not None and known.confidence < SAID and (number := len(view.field(known.theirs).values)):
        linked = _linked(view.field(known.theirs), ids)
        words = f"{linked} of {number} values are ids of the cables"
        sure = linked >= LINKED * number
        fields["guards"] = replace(known, confidence=max(known.confidence, SURE) if sure else LIKELY, evidence=words)
    if known is None and (found := _guards_by_ids(view, {field.theirs for field in fields.values()}, ids)):
        fields["guards"] = found
    return replace(switches, fields=fields)


def _referred_ids(cables: LayerGuess, switches: LayerGuess, views: Mapping[str, LayerProfile]) -> LayerGuess:
    """Cables with the ids that devices refer to, be it in one part of the cables or in several."""
    own = [[f for f in views[part.theirs].fields if f.unique and f.kind == "text"] for part in cables.parts]
    every = pa.concat_arrays([pa.array([], pa.large_string()), *(f.values for fields in own for f in fields)])
    fields = (field for part in switches.parts for field in views[part.theirs].fields)
    by = [f for f in fields if f.kind == "text" and len(f.values) and _linked(f, every) >= LINKED * len(f.values)]
    parts = [_referred_id(part, ids, by) for part, ids in zip(cables.parts, own, strict=True)]
    return replace(parts[0], more=tuple(parts[1:]))


def _referred_id(cables: LayerGuess, own: list[FieldProfile], by: list[FieldProfile]) -> LayerGuess:
    known = cables.fields.get("cable_id")
    if known is None or known.confidence >= SAID:
        return cables
    links = [(_linked(other, field.values), field.name == known.theirs, field, other) for field in own for other in by]
    linked, _, field, other = max(links, key=lambda link: link[:2], default=(0, False, None, None))
    if not linked or field is None or other is None:
        return cables
    words = f"every value is different; {other.name} of the devices refers to it"
    found = FieldGuess("cable_id", field.name, SURE, words, known.values)
    return replace(cables, fields={**cables.fields, "cable_id": found})


def _cable_ids(cables: LayerGuess, views: Mapping[str, LayerProfile]) -> pa.Array | None:
    known = [(views[part.theirs], part.fields["cable_id"]) for part in cables.parts if "cable_id" in part.fields]
    found = [view.field(guess.theirs).values for view, guess in known]
    return pa.concat_arrays([values.cast(pa.large_string()) for values in found]) if found else None


def _linked(field: FieldProfile, ids: pa.Array) -> int:
    return int(pc.sum(pc.is_in(field.values, value_set=ids)).as_py() or 0)


def _guards_by_ids(view: LayerProfile, used: set[str], ids: pa.Array) -> FieldGuess | None:
    """First free field whose values are ids of the cables; numbers are, by chance, too often."""
    for field in view.fields:
        number, is_number = len(field.values), field.numeric > 0
        if field.name in used or not number or (is_number and number < ENOUGH_NUMBERS):
            continue
        linked = _linked(field, ids)
        if linked >= LINKED * number:
            words = f"told by its values; {linked} of {number} are ids of the cables"
            return FieldGuess("guards", field.name, LIKELY if is_number else SURE, words, ValueGuess(1.0, words))
    return None


def heads_evidence(feeders: FieldProfile, rows: int, *, known: FieldProfile) -> str:
    """Why points are where feeders begin: a few, each of a feeder that the cables have; ``""`` when they are not."""
    number = len(feeders.values)
    if not number or _linked(feeders, known.values) < number or rows > MOST_HEADS * number:
        return ""
    return f"{rows} points, of {number} of the {len(known.values)} feeders of the cables"


def with_states(switches: LayerGuess, views: Mapping[str, LayerProfile]) -> LayerGuess:
    """Switches with the two codes of their states told apart by all of their layers and poles together.

    Nearly all devices are closed. Where one code is that of most, it is taken so, and marked as unsure.
    """
    unsure = [
        views[part.theirs].field(found.theirs)
        for part in switches.parts
        for ours, found in part.fields.items()
        if ours.startswith("state") and found.values.codes and not any(code.sure for code in found.values.codes)
    ]
    counts = Counter({value: 0 for field in unsure for value in field.codes})
    for field in unsure:
        counts.update(dict(field.counts))
    if len(counts) != len(("open", "closed")):
        return switches
    (common, most), (rare, least) = counts.most_common()
    if most < MOSTLY_CLOSED * (most + least):
        return switches
    words = f"{most:,} of {most + least:,} are {common!r}, and most devices are closed"
    meaning = {common: "closed", rare: "open"}
    first, *more = (_with_meaning(part, meaning, words) for part in switches.parts)
    return replace(first, more=tuple(more))


def _with_meaning(part: LayerGuess, meaning: Mapping[str, str], words: str) -> LayerGuess:
    fields = dict(part.fields)
    for ours, found in part.fields.items():
        if ours.startswith("state") and found.values.codes and not any(code.sure for code in found.values.codes):
            codes = [replace(code, ours=meaning[code.theirs], in_force=words) for code in found.values.codes]
            fields[ours] = replace(found, values=replace(found.values, codes=tuple(codes)))
    return replace(part, fields=fields)
