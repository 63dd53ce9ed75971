"""Which field of a layer most likely is which of ours, with the evidence.

Evidence is of three kinds: the name (``data/input_aliases.csv``), the values (ids are unique, codes are known ones:
``data/input_codes.csv``) and whether numbers are plausible in some unit. Nothing here decides: a guess that is not sure
is marked as such.
"""

import csv
import re
from collections.abc import Mapping
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files
from itertools import product
from typing import NamedTuple

from survey.input_schema import AS_TEXT, FieldSpec, field_specs, unit_table
from survey.read.cable_text import parse_cable_text
from survey.read.guess_joins import akin
from survey.read.guess_types import LIKELY, SURE, FieldGuess
from survey.read.guess_values import CodeGuess, ValueGuess, are_drawn_lengths, guess_values, known_word
from survey.read.guess_words import plain_words, row_number
from survey.read.profile import FieldProfile, LayerProfile
from survey.wrapped import without_accents

NAME_WEIGHT, VALUE_WEIGHT = 0.65, 0.35
CLOSE_SPELLING = 0.8
PLACE_STEP = 0.003
NAME_FITS = 0.9
LIKE_NAME = 0.3
GEOMETRY = {"cables": "lines", "transformers": "points", "switches": "points", "sources": "points"}
SHARED = ({"poles", "device"}, {"kv", "connection"}, {"source_id", "feeder"}, {"build", "cable_type"})
BY_CONTENT = {"cable_type", "build", "connection", "state"}
SHORTENED = 0.92  # likeness of a name whose words are all cut short: PHS_CD, KVA_RTG
LEAST_SHORT = 2  # letters left of a word that is cut short, where another word stands beside it
CONTENT_TELLS = 0.76  # share of values known from which a field is taken whatever its name; just sure
UNIT_TELLS = 0.6  # likeness of a name that has the unit of a voltage, whatever its other words; not sure by itself
MEANINGFUL_LENGTH = 3  # shorter texts, such as D or 1, are codes of many things
ROW_NUMBER_LIKENESS, OWN_ID_LIKENESS = 0.4, 0.85
ID_WORDS = {
    *("id", "no", "num", "nr", "number", "code", "cod", "codigo", "clave", "matricula", "matricule", "placa", "tag"),
    *("ident", "identifiant", "kennung", "loc"),
}
POLE_LETTERS, STATE_FITS = ("abc", "rst", "uvw", "123"), 0.7
AREAS, AREA_LIKENESS = ("feeder", "district"), (0.85, 0.8)  # a word of theirs beside others; one of an id among them
ENOUGH_FIELDS = 4  # fields found by which a layer is known without its name


class _Names(NamedTuple):
    """Names often used for a field, and words that never are part of one."""

    aliases: tuple[str, ...]
    never: tuple[str, ...]


def geometry_fits(ours: str, profile: LayerProfile, fields: Mapping[str, FieldGuess]) -> float:
    """How well a layer is drawn for one of ours; a table that is not drawn but has a node for every end is as good."""
    nodes = [name for name, spec in field_specs(ours).items() if spec.kind == "node" and name != "guards"]
    placed = profile.geometry == "none" and all(name in fields for name in nodes)
    if placed or profile.geometry == GEOMETRY[ours] or (ours == "switches" and devices_as_lines(profile)):
        return 1.0
    return 0.5 if profile.geometry in ("none", "empty", "mixed") else 0.0


def devices_as_lines(profile: LayerProfile) -> bool:
    """Whether a layer of lines holds devices: by its name, or values that are kinds of them."""
    return profile.geometry == "lines" and (profile.hint == "switches" or bool(device_field(profile)))


def guess_fields(
    ours: str, profile: LayerProfile, *, told: Mapping[str, FieldGuess] | None = None
) -> dict[str, FieldGuess]:
    """Best field for each of ours; what is told stands as it is.

    No field is used twice, but what tells the poles may tell the device too.
    """
    scored = [_score_field(spec, profile, theirs) for spec in field_specs(ours).values() for theirs in profile.fields]
    rank = list(field_specs(ours))
    scored.sort(key=lambda guess: (-guess.confidence, rank.index(guess.ours), guess.theirs))
    parts = {field.name: field.columns for field in profile.fields if field.sql}
    chosen = (_pole_states(profile) if ours == "switches" else {}) | dict(told or {})
    for guess in scored:
        used = {
            name
            for other in chosen.values()
            if not may_share(guess.ours, other.ours)
            for name in (other.theirs, *parts.get(other.theirs, ()))
        }
        if guess.confidence >= LIKELY and guess.ours not in chosen and guess.theirs not in used:
            chosen[guess.ours] = guess
    chosen |= _voltage_beside(profile, chosen) if ours == "transformers" else {}
    chosen |= _build_beside(profile, chosen) if ours == "cables" else {}
    if ours == "switches" and "poles" not in chosen and (kinds := _poles_by_device(profile, chosen.get("device"))):
        chosen["poles"] = kinds
    own = next(name for name, spec in field_specs(ours).items() if spec.kind == "id")
    if own not in chosen and (found := _id_by_values(own, profile, {other.theirs for other in chosen.values()})):
        chosen[own] = found
    return {name: chosen[name] for name in rank if name in chosen}


def pole_columns(profile: LayerProfile) -> list[list[FieldProfile]]:
    """Columns, three each, whose names differ in the letter of the pole only."""
    named = {field.label.casefold(): field for field in profile.fields}
    found = []
    for name, letters in product(named, POLE_LETTERS):
        for at in (i for i, letter in enumerate(name) if letter == letters[0]):
            three = [named.get(f"{name[:at]}{letter}{name[at + 1 :]}") for letter in letters]
            found.append([field for field in three if field is not None])
    return [three for three in found if len(three) == len("ABC")]


def _pole_states(profile: LayerProfile) -> dict[str, FieldGuess]:
    """States of the poles."""
    for three in pole_columns(profile):
        found = [_pole_state(pole, field, profile) for pole, field in zip("abc", three, strict=True)]
        if all(guess.values.fit >= STATE_FITS for guess in found):
            return {guess.ours: guess for guess in found}
    return {}


def _pole_state(pole: str, theirs: FieldProfile, profile: LayerProfile) -> FieldGuess:
    spec = field_specs("switches")[f"state_{pole}"]
    values = guess_values(spec, theirs, drawn_m=profile.drawn_m, name=tokens(theirs.label))
    return FieldGuess(spec.name, theirs.name, SURE, f"one column for each pole; {values.evidence}", values)


def _id_by_values(own: str, profile: LayerProfile, used: set[str]) -> FieldGuess | None:
    """First free field of which every value is different, whatever its name."""
    for theirs in profile.fields:
        if theirs.unique and theirs.kind in ("text", "integer") and theirs.name not in used:
            words = "told by its values; every value is different"
            return FieldGuess(own, theirs.name, LIKELY, words, ValueGuess(1.0, words))
    return None


def _voltage_beside(profile: LayerProfile, chosen: Mapping[str, FieldGuess]) -> dict[str, FieldGuess]:
    """Voltage by the nameplate text that tells the connection, where nothing else tells it."""
    found = chosen.get("connection")
    if found is None or "kv" in chosen or not any(field.name == found.theirs for field in profile.fields):
        return {}
    spec = field_specs("transformers")["kv"]
    values = guess_values(spec, profile.field(found.theirs), drawn_m=profile.drawn_m, name=[])
    words = f"the text that tells the connection; {values.evidence}"
    return {"kv": FieldGuess("kv", found.theirs, SURE, words, values)} if values.unit == AS_TEXT else {}


def _build_beside(profile: LayerProfile, chosen: Mapping[str, FieldGuess]) -> dict[str, FieldGuess]:
    """Underground or overhead by the text of the conductor, where nothing else tells it and texts of both are there."""
    found = chosen.get("cable_type")
    known = chosen.get("build")
    if found is None or (known is not None and known.sure) or not any(f.name == found.theirs for f in profile.fields):
        return {}
    cables = {text: parse_cable_text(text) for text in profile.field(found.theirs).codes}
    told = {text: "oh" if cable.bare else "ug" if cable.insulation else "" for text, cable in cables.items()}
    if set(told.values()) != {"oh", "ug"}:
        return {}
    words = "bare conductors are overhead, insulated ones are cable"
    codes = tuple(CodeGuess(text, ours, sure=True) for text, ours in told.items())
    return {"build": FieldGuess("build", found.theirs, SURE, words, ValueGuess(1.0, words, codes=codes))}


def may_share(ours: str, other: str) -> bool:
    """Whether two of our fields may be told by the same one of theirs."""
    return {ours, other} in SHARED


def _poles_by_device(profile: LayerProfile, device: FieldGuess | None) -> FieldGuess | None:
    """Poles by what a device is, where nothing records them: a cutout works pole by pole, a gang switch does not."""
    name = device.theirs if device else device_field(profile)
    if not name or not _names_devices(profile.field(name)):
        return None
    values = guess_values(field_specs("switches")["poles"], profile.field(name), drawn_m=profile.drawn_m, name=[])
    kinds = {known_word("poles", value)[2] for value in profile.field(name).codes} - {""}
    words = f"by the kind of device: {', '.join(sorted(kinds))}"
    return FieldGuess("poles", name, SURE if all(code.sure for code in values.codes) else LIKELY, words, values)


def _score_field(spec: FieldSpec, profile: LayerProfile, theirs: FieldProfile) -> FieldGuess:
    name = 1.0 if theirs.label.casefold() == spec.name else name_likeness(theirs.label, aliases(spec.layer, spec.name))
    if set(tokens(theirs.label)) & set(_alias_table()[spec.layer, spec.name].never):
        name = 0.0
    by_content = (spec.name in BY_CONTENT and theirs.kind == "text") or (
        spec.name == "device" and _names_devices(theirs)
    )
    by_content = by_content or (spec.name == "length_m" and are_drawn_lengths(theirs, profile.drawn_m))
    if spec.kind == "id":
        name = _id_likeness(name, theirs, profile)
    by_content = by_content or (spec.quantity == "voltage" and "kv" in tokens(theirs.label))
    if (name <= LIKE_NAME and not by_content) or theirs.distinct == 0:
        exact = 1.0 if name == 1.0 and theirs.label.casefold() == spec.name else 0.0
        return FieldGuess(spec.name, theirs.name, exact, "same name, no values", ValueGuess(0.0, "no values"))
    parts = set(tokens(theirs.label))
    if spec.name in AREAS and parts & set(aliases(spec.layer, spec.name)):
        name = max(name, AREA_LIKENESS[bool(parts & ID_WORDS)])
    if spec.quantity == "voltage" and "kv" in parts and not parts & set(_alias_table()[spec.layer, spec.name].never):
        name = max(name, UNIT_TELLS)
    values = guess_values(spec, theirs, drawn_m=profile.drawn_m, name=tokens(theirs.label))
    if name < NAME_FITS and ((spec.name == "length_m" and by_content) or _told_by_values(spec, theirs, values)):
        words = "kinds of devices" if spec.name == "device" else values.evidence
        return FieldGuess(spec.name, theirs.name, CONTENT_TELLS, f"told by its values; {words}", values)
    score = NAME_WEIGHT * name + VALUE_WEIGHT * values.fit
    if values.fit == 0.0:
        score = min(score, LIKELY - 0.01)
    words = f"{name_words(name)}; {values.evidence}"
    return FieldGuess(spec.name, theirs.name, round(score, 3), words, values)


def _id_likeness(name: float, theirs: FieldProfile, profile: LayerProfile) -> float:
    """How well a name fits an id: a row number that every program makes is the last choice, as an id of others is."""
    words = plain_words(theirs.label).split()
    if row_number(theirs.label):
        return min(name, ROW_NUMBER_LIKENESS)
    own = akin(theirs.label, profile.name) > 0 or theirs.label != theirs.name or set(words) <= ID_WORDS
    if set(words) & ID_WORDS and own:
        return max(name, OWN_ID_LIKENESS)
    return name


def _told_by_values(spec: FieldSpec, theirs: FieldProfile, values: ValueGuess) -> bool:
    """Whether the values can be of no other field: conductors, underground or overhead, nameplates, states, devices."""
    if spec.name == "device":
        return _names_devices(theirs)
    if spec.name not in BY_CONTENT or theirs.kind != "text":
        return False
    least = 1 if spec.name == "build" else MEANINGFUL_LENGTH
    return values.fit >= CONTENT_TELLS and all(len(value) >= least for value, _ in theirs.commonest)


def name_words(likeness: float) -> str:
    """How well a name fits, in words."""
    if likeness >= NAME_FITS:
        return "name fits"
    return "name is like it" if likeness > LIKE_NAME else "name does not tell"


@cache
def name_likeness(name: str, known: tuple[str, ...]) -> float:
    """How well a name fits the best of several known ones, 0 to 1; the likelier ones, which come first, win ties."""
    theirs = tokens(name)
    plain = [token for token in theirs if token not in unit_words()]
    scores = (_likeness(theirs, plain, alias.split()) - PLACE_STEP * i for i, alias in enumerate(known))
    return max(scores, default=0.0)


def _likeness(theirs: list[str], plain: list[str], alias: list[str]) -> float:
    for words in (theirs, plain):
        if words and "".join(words) == "".join(alias):
            return 1.0
    if _cut_short(theirs, alias):
        return SHORTENED
    if set(alias) <= set(theirs) and set(alias) - unit_words():
        return 0.6 + 0.25 * sum(map(len, alias)) / max(sum(map(len, plain or theirs)), 1)
    joined, wanted = "".join(theirs), "".join(alias)
    if len(wanted) > 3 and wanted in joined:
        return 0.65
    if len(wanted) <= 3:
        return 0.0
    spelling = SequenceMatcher(None, joined, wanted)  # its quick figures are upper bounds of the true one
    close = min(spelling.real_quick_ratio(), spelling.quick_ratio()) >= CLOSE_SPELLING
    ratio = spelling.ratio() if close else 0.0
    return 0.6 * ratio if ratio >= CLOSE_SPELLING else 0.0


def _cut_short(theirs: list[str], alias: list[str]) -> bool:
    """Whether every word stands for one of the alias: its first letter and some of the others, in their order."""
    least = LEAST_SHORT if len(alias) > 1 else MEANINGFUL_LENGTH
    return len(theirs) == len(alias) and all(
        short == word or (len(short) >= least and short[0] == word[0] and _within(short, word))
        for short, word in zip(theirs, alias, strict=True)
    )


def _within(short: str, word: str) -> bool:
    letters = iter(word)
    return all(letter in letters for letter in short)


def tokens(name: str) -> list[str]:
    """Words of a name without accents, parted at signs and where small letters meet capitals; ``vn_kv``, ``LenFt``."""
    parted = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", without_accents(name))  # two small letters: not in kV
    return [word for word in re.split(r"[\W_]+", parted.casefold()) if word]


@cache
def unit_words() -> frozenset[str]:
    """Words in a field name that tell a unit."""
    words = {word for unit in unit_table() for word in re.split(r"[\W_]+", unit.casefold()) if word}
    return frozenset(words - {"1"} | {"pct", "percent", "feet", "meters", "metres", "m", "per"})


@cache
def _alias_table() -> Mapping[tuple[str, str], _Names]:
    with files("survey").joinpath("data", "input_aliases.csv").open(encoding="utf-8") as stream:
        return {
            (r["layer"], r["field"]): _Names(*(tuple(without_accents(r[c]).split("|")) for c in _Names._fields))
            for r in csv.DictReader(stream)
        }


@cache
def aliases(layer: str, field_name: str) -> tuple[str, ...]:
    """Names that are often used for a field, or for a layer (``""``), likeliest first; last those in other layers."""
    own = _alias_table()[layer, field_name].aliases
    others = [names for (_, field), names in _alias_table().items() if field == field_name != ""]
    return tuple(dict.fromkeys([*own, *(name for names in others for name in names.aliases)]))


def answered_field(layer: str, ours: str, *, profile: LayerProfile, theirs: str, by: str = "answered") -> FieldGuess:
    """Field that a person has chosen for ours; unit and codes are still told by its values."""
    found = profile.field(theirs)
    values = guess_values(field_specs(layer)[ours], found, drawn_m=profile.drawn_m, name=tokens(theirs))
    return FieldGuess(ours, theirs, 1.0, f"{by}; {values.evidence}", values)


def device_field(profile: LayerProfile) -> str:
    """First field most of whose values are kinds of switching devices, ``""`` when none is."""
    return next((field.name for field in profile.fields if _names_devices(field)), "")


def _names_devices(theirs: FieldProfile) -> bool:
    known = [value for value in theirs.codes if known_word("poles", value)[0]]
    return theirs.kind == "text" and len(known) > len(theirs.codes) / 2
