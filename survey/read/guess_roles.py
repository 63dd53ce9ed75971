"""Which layers of an export are which role of ours: the best one, and further ones that are of the same kind."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import pyarrow as pa
import pyarrow.compute as pc

from survey.input_schema import field_specs, find_unit, phase_mask
from survey.input_settings import LAYERS
from survey.read.columns import as_text
from survey.read.guess import (
    ENOUGH_FIELDS,
    GEOMETRY,
    NAME_FITS,
    aliases,
    device_field,
    devices_as_lines,
    geometry_fits,
    guess_fields,
    name_likeness,
    name_words,
)
from survey.read.guess_rows import above_low_voltage, guess_rows
from survey.read.guess_types import LIKELY, SURE, FieldGuess, LayerGuess, RowGuess, StandIn
from survey.read.guess_values import ValueGuess
from survey.read.guess_words import row_number
from survey.read.profile import FieldProfile, LayerProfile
from survey.read.tables import THREE_PHASE

WHOLE_BANKS = 0.8
NAME_SHARE, FIELD_SHARE, GEOMETRY_SHARE = 0.4, 0.35, 0.25
OF_BRIDGES = ("feeder", "phases", "from_node", "to_node")
OWN_NAMES = ("site_id", "bank_id")
PRESUMED = "presumed"
WITHOUT_RATING = 0.2  # less likely: transformers none of whose fields is a rating
LINKED = 0.9  # share of the values that are ids of the other layer
SAID = 1.0  # confidence of what a person has answered or written into the settings
ENOUGH_NUMBERS = 3  # numbers, below which that may be chance
MOSTLY_CLOSED = 0.75
MOST_HEADS = 2  # points of a feeder in a layer of feeder heads


def guess_layers(
    profiles: Sequence[LayerProfile], *, told: Mapping[str, LayerGuess] | None = None
) -> dict[str, LayerGuess]:
    """Layers for each role of ours; none is used twice, and what is told stands as it is."""
    told = told or {}
    views = {profile.title: profile for profile in profiles}
    chosen = _best_layers(views, told)
    chosen = {
        ours: guess if ours in told or not guess.theirs else replace(guess, more=_further(guess, views, chosen))
        for ours, guess in chosen.items()
    }
    chosen = {ours: guess if ours in told else _completed(guess, views) for ours, guess in chosen.items()}
    chosen = with_guards(chosen, views)
    if "switches" in chosen:
        chosen["switches"] = with_states(chosen["switches"], views)
    if not {"cables", "switches"} & set(told):
        chosen = _with_bridges(chosen, views)
    return {ours: chosen.get(ours, LayerGuess(ours, "", 0.0, "no layer fits")) for ours in LAYERS}


def _best_layers(views: Mapping[str, LayerProfile], told: Mapping[str, LayerGuess]) -> dict[str, LayerGuess]:
    chosen = dict(told)
    scored = sorted(
        (score_layer(ours, view) for ours in LAYERS if ours not in chosen for view in views.values()),
        key=lambda guess: (-guess.confidence, LAYERS.index(guess.ours), guess.theirs),
    )
    for guess in scored:
        if (
            guess.confidence >= LIKELY
            and guess.ours not in chosen
            and guess.theirs not in _used(chosen.values(), views)
        ):
            chosen[guess.ours] = guess
    free = [v for v in views.values() if v.geometry == "points" and v.title not in _used(chosen.values(), views)]
    if "switches" not in chosen and (found := _told_by_devices(free)):
        chosen["switches"] = found
        free = [view for view in free if view.title != found.theirs]
    feeders = _cable_feeders(chosen, views)
    if "sources" in chosen:
        chosen["sources"] = _borne_out(chosen["sources"], views, feeders)
    elif found := _told_by_feeders(free, feeders):
        chosen["sources"] = found
    return chosen


def _with_bridges(chosen: Mapping[str, LayerGuess], views: Mapping[str, LayerProfile]) -> dict[str, LayerGuess]:
    """Guesses in which devices drawn as lines are pieces of conductor, too, each with the device where it begins."""
    cables, switches = chosen.get("cables"), chosen.get("switches")
    if cables is None or switches is None or not cables.theirs:
        return dict(chosen)
    bridges, parts = [], []
    for part in switches.parts:
        own = part.fields.get("switch_id")
        if own is not None and devices_as_lines(views[part.theirs]):
            words = "devices drawn as lines: each is a piece of conductor, too"
            fields = {o: f for o, f in guess_fields("cables", views[part.theirs]).items() if o in OF_BRIDGES}
            fields |= {"cable_id": replace(own, ours="cable_id")}
            build = {"build": StandIn("oh", words, sure=True)}
            bridges.append(LayerGuess("cables", part.theirs, SURE, words, fields, stand_ins=build, rows=part.rows))
            works = {
                "guards": replace(own, ours="guards", confidence=SURE, evidence="it works on the piece that it is")
            }
            if "from_node" in fields:
                works["node"] = replace(fields["from_node"], ours="node")
            part = replace(part, fields={ours: f for ours, f in part.fields.items() if ours != "node"} | works)  # noqa: PLW2901
        parts.append(part)
    cables = replace(cables, more=(*cables.more, *bridges))
    return {**chosen, "cables": cables, "switches": replace(parts[0], more=tuple(parts[1:]))}


def _used(guesses: Iterable[LayerGuess], views: Mapping[str, LayerProfile]) -> set[str]:
    """Titles of views that are taken: what is in a role, and what stands at the same rows."""
    taken = {part.theirs for guess in guesses for part in guess.parts if part.theirs}
    beside = {views[title].at for title in taken if title in views and views[title].at}
    beside |= {view.title for view in views.values() if view.at in taken}
    return taken | beside


def _further(
    guess: LayerGuess, views: Mapping[str, LayerProfile], chosen: Mapping[str, LayerGuess]
) -> tuple[LayerGuess, ...]:
    """Layers that are of the role by their names or rows; lines that look like it otherwise are proposed."""
    used = _used(chosen.values(), views)
    found = []
    for view in views.values():
        if view.title in used or view.geometry != GEOMETRY[guess.ours] or not view.rows:
            continue
        other = score_layer(guess.ours, view)
        if view.hint == guess.ours:
            found.append(replace(other, confidence=max(other.confidence, SURE)))
            used |= _used(found, views)
        elif not view.hint and guess.ours == "cables" and other.confidence >= LIKELY:
            found.append(replace(other, confidence=LIKELY))
        elif not view.hint and guess.ours == "switches" and (device := device_field(view)):
            words = f"values of {device} are kinds of devices"
            sure = any(field.sure for ours, field in other.fields.items() if ours.startswith("state"))
            found.append(replace(other, confidence=SURE if sure else LIKELY, evidence=words))
    return tuple(found)


def _completed(guess: LayerGuess, views: Mapping[str, LayerProfile]) -> LayerGuess:
    """Guess with the conditions on rows and the stand-ins of each of its layers."""
    if not guess.theirs:
        return guess
    more = tuple(_completed(part, views) for part in guess.more)
    view = views[guess.theirs]
    states = {field.theirs for ours, field in guess.fields.items() if ours.startswith("state")}
    found = {row.sql: row for row in (*guess_rows(view, but=states), *view.rows_guess, *_low_voltage(guess, view))}
    if guess.ours == "transformers":
        guess = _named_by_bank(guess, view, views[view.at]) if view.at else _named_by_place(guess, view)
    return replace(guess, rows=tuple(found.values()), stand_ins=_stand_ins(guess, view), more=more)


def _named_by_bank(guess: LayerGuess, view: LayerProfile, bank: LayerProfile) -> LayerGuess:
    """Units with the id of their bank, which makes one site of those that together are three-phase."""
    own = guess_fields("transformers", bank).get("site_id")
    by_key = own is None or own.theirs == view.at_key or not row_number(view.at_key)
    join = next((join.name for join in view.joins if join.mine == view.own_key), "")
    name = view.own_key if own is None or by_key else f"{join}.{own.theirs}"
    words = f"the id of {bank.name}, where the units are"
    both = {ours: FieldGuess(ours, name, SURE, words, ValueGuess(1.0, words)) for ours in OWN_NAMES}
    rest = {ours: field for ours, field in guess.fields.items() if ours not in both}
    return replace(guess, fields={**both, **rest})


def _named_by_place(guess: LayerGuess, view: LayerProfile) -> LayerGuess:
    """Units, a row each, with the id that those of a bank share, where only single-phase ones share it.

    Where every row has one, and no other column is named like a bank's, it is that of the place, and so of the site.
    """
    known, phases, bank = (guess.fields.get(ours) for ours in ("site_id", "phases", "bank_id"))
    if phases is None:
        return guess
    told = known is not None and known.confidence >= SAID
    used = {found.theirs for ours, found in guess.fields.items() if found.sure and ours not in OWN_NAMES}
    for field in view.fields:
        if field.unique or not len(field.values) or field.name in used:
            continue
        named = name_likeness(field.label, aliases("transformers", "site_id")) >= NAME_FITS
        own = bank is not None and bank.theirs == field.name
        place = field.filled == 1.0 and not own and not told
        whole = 0.0 if (named and place) or own else 1.1 if bank is not None and bank.sure else WHOLE_BANKS
        if _units_that_share(field, phases, view) >= whole:
            words = "shared by single-phase units only, most of which are A, B and C together"
            names = OWN_NAMES if place else OWN_NAMES[1:]
            found = {ours: FieldGuess(ours, field.name, SURE, words, ValueGuess(1.0, words)) for ours in names}
            return replace(guess, fields={**guess.fields, **found})
    return guess


def _units_that_share(field: FieldProfile, phases: FieldGuess, view: LayerProfile) -> float:
    """Share of the values that come several times whose rows are A, B and C together; -1 if one is three-phase."""
    codes = {code.theirs: code.ours for code in phases.values.codes}
    texts = as_text(view.columns[phases.theirs]).to_pandas()
    masks = texts.map({t: phase_mask(codes.get(t, t)) for t in texts.dropna().unique()}).fillna(THREE_PHASE)
    banks = masks.groupby(as_text(view.columns[field.name]).to_pandas()).agg(["size", "sum", "max"])
    banks = banks[banks["size"] > 1]
    if not len(banks) or banks["max"].max() >= THREE_PHASE:
        return -1.0
    whole = (banks["sum"] == THREE_PHASE) & (banks["size"] <= len("ABC"))
    return float(whole.mean())


def _low_voltage(guess: LayerGuess, view: LayerProfile) -> tuple[RowGuess, ...]:
    found = guess.fields.get("kv")
    if found is None or guess.ours != "cables" or found.values.codes or not found.sure:
        return ()
    spec = field_specs("cables")["kv"]
    theirs, ours = (find_unit(spec.quantity, unit) for unit in (found.values.unit or spec.unit, spec.unit))
    row = above_low_voltage(view.field(found.theirs), to_kv=(theirs or 1.0) / (ours or 1.0))
    return () if row is None else (row,)


def _stand_ins(guess: LayerGuess, view: LayerProfile) -> dict[str, StandIn]:
    """Defaults that the name of a layer tells where it has no field for them."""
    told, stand_ins = view.told, {}
    if told.role == guess.ours and told.field and told.field not in guess.fields:
        words = f"{told.word} in the name of the layer"
        stand_ins[told.field] = StandIn(told.value, words, sure=told.value != PRESUMED)
    if guess.ours == "switches" and "device" not in guess.fields and told.role == guess.ours:
        stand_ins["device"] = StandIn(told.word, "by the name of the layer", sure=True)
    return stand_ins


def score_layer(ours: str, view: LayerProfile) -> LayerGuess:
    """How well a layer is one of ours, with its fields."""
    name = name_likeness(view.name, aliases(ours, ""))
    if view.name.casefold() == ours or view.hint == ours:
        name = 1.0
    fields = guess_fields(ours, view)
    telling = [guess for guess in fields.values() if guess.sure and field_specs(ours)[guess.ours].kind != "id"]
    share = min(len(telling) / min(ENOUGH_FIELDS, len(field_specs(ours)) - 1), 1.0)
    fits = geometry_fits(ours, view, fields)
    score = NAME_SHARE * name + FIELD_SHARE * share + GEOMETRY_SHARE * fits
    if name >= NAME_FITS and fits == 1.0:
        score = max(score, SURE)
    if ours == "transformers" and "kva" not in fields:
        score -= WITHOUT_RATING
    if fits == 0.0 or view.hint not in ("", ours):
        score = min(score, LIKELY - 0.01)
    found = "1 field" if len(telling) == 1 else f"{len(telling)} fields"
    words = f"{name_words(name)}; {view.geometry}; {found} found for sure beside ids"
    return LayerGuess(ours, view.title, round(score, 3), words, fields)


def _borne_out(sources: LayerGuess, views: Mapping[str, LayerProfile], feeders: FieldProfile | None) -> LayerGuess:
    """Sources by their name are sure when there are a few for each feeder of the cables, too, and so is the feeder."""
    words = _heads(views[sources.theirs], sources.fields, feeders) if sources.theirs else ""
    if sources.sure or not words or sources.evidence == words:
        return sources
    feeder = replace(sources.fields["feeder"], confidence=SURE, evidence="the feeders of the cables")
    fields = {**sources.fields, "feeder": feeder}
    return replace(sources, confidence=SURE, evidence=f"{sources.evidence}; {words}", fields=fields)


def _heads(view: LayerProfile, fields: Mapping[str, FieldGuess], known: FieldProfile | None) -> str:
    if view.geometry != "points" or "feeder" not in fields or known is None:
        return ""
    return heads_evidence(view.field(fields["feeder"].theirs), view.rows, known=known)


def _cable_feeders(chosen: Mapping[str, LayerGuess], views: Mapping[str, LayerProfile]) -> FieldProfile | None:
    cables = chosen.get("cables")
    found = cables.fields.get("feeder") if cables is not None else None
    return views[cables.theirs].field(found.theirs) if cables is not None and found is not None else None


def _told_by_devices(free: Sequence[LayerProfile]) -> LayerGuess | None:
    """Switches by values that are kinds of devices, whatever the names."""
    for view in free:
        if device := device_field(view):
            words = f"values of {device} are kinds of devices"
            return LayerGuess("switches", view.title, LIKELY, words, guess_fields("switches", view))
    return None


def _told_by_feeders(free: Sequence[LayerProfile], feeders: FieldProfile | None) -> LayerGuess | None:
    """Sources by a few points, each of a feeder that the cables have: where feeders begin."""
    for view in free:
        fields = guess_fields("sources", view)
        if words := _heads(view, fields, feeders):
            by_name = view.hint in ("sources", "switches")  # breakers where feeders begin
            return LayerGuess("sources", view.title, SURE if by_name else LIKELY, words, fields)
    return None


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
