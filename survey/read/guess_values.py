"""What the values of a field tell: whether they can be those of one of our fields, in which unit, with which codes."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from survey.arrays import Floats
from survey.findings import FindingList
from survey.input_schema import (
    AS_TEXT,
    WORDED_FIELDS,
    FieldSpec,
    accepted_values,
    field_specs,
    find_unit,
    fold_code,
    phase_mask,
    units_of,
)
from survey.read.cable_text import parse_cable_text
from survey.read.columns import worded_numbers
from survey.read.guess_words import build_told
from survey.read.transformer_text import parse_voltage_text
from survey.wrapped import quoted, without_accents

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from survey.read.cable_text import CableText
    from survey.read.profile import FieldProfile

MOST = 0.9  # share of values that must fit
HINT_MARGIN = 5.0  # how far beyond the usual range a unit told by the name is still believed
RATIO_TOLERANCE = 0.05  # recorded over drawn length, in the middle
UNIT_HINTS = {"feet": "ft", "pct": "%", "percent": "%", "meters": "m", "metres": "m", "miles": "mi", "volts": "V"}
SPELLED_UNITS = {
    "nfperkm": "nF/km",
    "ufperkm": "uF/km",
    "pfperft": "pF/ft",
    "nfperkft": "nF/kft",
    "nfperm": "nF/m",
    "pfperm": "pF/m",
    "ufpermi": "uF/mi",
    "nfpermi": "nF/mi",
}
LEAST_PRIMARY_KV = 1.0
LARGEST_CODE = 100
SAME_VOLTAGE = 0.011
USUAL_KV = (  # common practice, no source
    *(2.4, 3.3, 4.16, 4.8, 6, 6.3, 6.6, 7.2, 7.62, 8.32, 10, 11, 12, 12.47, 13.2, 13.8, 14.4, 15, 17.5, 19.9),
    *(20, 20.8, 22, 22.9, 23, 24, 24.94, 25, 26.4, 27.6, 30, 33, 34.5, 35, 36),
)
CODE_WORDS = {"cd", "code", "cod", "codigo", "idx", "class", "type"}
FEW = 5  # rows below which different values everywhere say nothing
YES, NO = ("1", "y", "yes", "true", "t"), ("0", "n", "no", "false", "f")
VECTOR_GROUP = re.compile(r"(d|yn|y|zn|z)(?:d|yn|y|zn|z)\d{0,2}")
VECTOR_WINDINGS = {"d": "delta", "yn": "grounded_wye", "y": "floating_wye"}
POLE_STATE = re.compile(r"^state_[abc]$")
COUNT_WORDS = {"nb", "num", "nr", "no", "nro", "number", "count", "cnt", "anzahl", "qty", "cant", "numero"}
PHASE_NUMBERS = str.maketrans("123", "ABC")
PHASE_BITS = {"7": "ABC", "6": "AB", "5": "AC", "3": "BC", "4": "A", "2": "B", "1": "C"}
RULE = "unknown_"
MOST_TAUGHT = 1000
"""Values of one field that get a line, the commonest: more than anybody fills in."""


@dataclass(frozen=True)
class CodeGuess:
    """One coded value: theirs, ours (``""`` when not known), whether that is sure, and if not, why it is in force."""

    theirs: str
    ours: str
    sure: bool
    in_force: str = ""


@dataclass(frozen=True)
class ValueGuess:
    """What the values tell.

    ``fit`` 0 (cannot be) to 1 (fits wholly); ``evidence`` why, in words; ``unit`` unit, for a number whose unit is not
    ours; ``unit_sure`` whether the unit is beyond doubt; ``codes`` coded values that are not accepted as they are.
    """

    fit: float
    evidence: str
    unit: str = ""
    unit_sure: bool = True
    codes: tuple[CodeGuess, ...] = ()


def guess_values(spec: FieldSpec, theirs: FieldProfile, *, drawn_m: Floats, name: Sequence[str]) -> ValueGuess:
    """Judge the values of a field as those of ours.

    ``spec``, ``theirs``: our field and theirs. ``drawn_m``: drawn lengths of the layer's rows, metres, for recorded
    lengths. ``name``: words of their field's name, which may tell a unit.
    """
    if spec.kind == "id":
        return _identity(theirs)
    if spec.kind == "number":
        return _number(spec, theirs, drawn_m=drawn_m, name=name)
    if spec.kind in ("code", "flag", "phases"):
        return _coded(spec, theirs, name=name)
    if spec.kind == "node":
        whole = len(theirs.numbers) == 0 or bool((theirs.numbers == np.round(theirs.numbers)).all())
        return ValueGuess(0.7, "ids") if whole else ValueGuess(0.0, "broken numbers, no ids")
    return _text(spec, theirs)


def _identity(theirs: FieldProfile) -> ValueGuess:
    if theirs.unique:
        return ValueGuess(1.0, "every value is different")
    share = theirs.distinct / max(theirs.rows, 1)
    if share > MOST:
        return ValueGuess(0.6, f"{share:.1%} of the rows have a value of their own")
    return ValueGuess(0.0, "values repeat")


def _text(spec: FieldSpec, theirs: FieldProfile) -> ValueGuess:
    if spec.name == "bank_id" and theirs.unique:
        return ValueGuess(0.0, "every value is different, so that it groups no units")
    if theirs.rows >= FEW and theirs.unique:
        return ValueGuess(0.3, "every value is different")
    if spec.name == "cable_type":
        texts = theirs.codes or tuple(value for value, _ in theirs.commonest)
        known = [text for text in texts if _is_conductor(parse_cable_text(text))]
        share = len(known) / max(len(texts), 1)
        return ValueGuess(0.45 + 0.55 * share, f"{len(known)} of {len(texts)} texts read as a conductor")
    return ValueGuess(0.7, f"{theirs.distinct} different values" if theirs.distinct != 1 else "one value")


def _is_conductor(cable: CableText) -> bool:
    """Whether a text is that of a conductor; a number with words that tell nothing of one may be anything."""
    told = cable.conductor_material or cable.insulation or cable.conductors or not cable.left
    return cable.bare or bool(cable.is_cable and told)


def _number(spec: FieldSpec, theirs: FieldProfile, *, drawn_m: Floats, name: Sequence[str]) -> ValueGuess:
    if theirs.numeric < MOST:
        return _worded(spec, theirs)
    numbers = theirs.numbers[theirs.numbers != 0]
    if not len(numbers):
        return ValueGuess(0.5, "only zeros")
    if spec.name == "customers":
        fits = bool((numbers > 0).all() and (numbers == np.round(numbers)).all())
        return ValueGuess(0.8 if fits else 0.2, "whole numbers" if fits else "not whole numbers")
    if spec.quantity == "voltage" and (codes := _voltage_codes(theirs, numbers, name)):
        return ValueGuess(0.7, "whole numbers that are no usual voltages: codes", codes=codes)
    if spec.quantity == "length" and np.isfinite(drawn_m).any():
        return _by_drawing(spec, theirs, drawn_m=drawn_m, hint=_hint(spec, name))
    return _by_range(spec, numbers, hint=_hint(spec, name))


def _voltage_codes(theirs: FieldProfile, numbers: Floats, name: Sequence[str]) -> tuple[CodeGuess, ...]:
    """Codes where small whole numbers cannot be voltages, or are said to be codes by the field's name."""
    small = bool(((numbers == np.round(numbers)) & (numbers < LARGEST_CODE)).all())
    usual = np.abs(numbers[:, None] / np.array(USUAL_KV) - 1).min(axis=1) < SAME_VOLTAGE
    if not theirs.codes or not small or (usual.mean() >= MOST and not set(name) & CODE_WORDS):
        return ()
    return tuple(CodeGuess(value, "", sure=False) for value in theirs.codes)


def _worded(spec: FieldSpec, theirs: FieldProfile) -> ValueGuess:
    """Numbers inside a text, as nameplates have them."""
    texts = theirs.codes or tuple(value for value, _ in theirs.commonest)
    if spec.name not in WORDED_FIELDS or not texts or theirs.kind != "text":
        return ValueGuess(0.0, "no numbers")
    values = worded_numbers(spec.name, texts)
    low, high = spec.plausible or (0.0, np.inf)
    share = sum(1 for value in values if value is not None and low <= value <= high) / len(texts)
    if share < 0.5:
        return ValueGuess(0.0, "no numbers")
    words = "have a length with its unit" if spec.quantity == "length" else "read as a nameplate"
    return ValueGuess(share, f"{share:.0%} of the texts {words}", AS_TEXT, share >= MOST)


def are_drawn_lengths(theirs: FieldProfile, drawn_m: Floats) -> bool:
    """Whether the numbers, row by row, are the drawn lengths in some unit of length: nothing else is, by chance."""
    if len(theirs.by_row) != len(drawn_m) or not len(drawn_m):
        return False
    both = (theirs.by_row > 0) & (drawn_m > 0)
    if both.sum() < FEW:
        return False
    ratio = np.quantile(theirs.by_row[both] / drawn_m[both], (0.1, 0.5, 0.9))
    spread = float(np.ptp(drawn_m[both])) > RATIO_TOLERANCE * float(drawn_m[both].max())
    return spread and any(
        (np.abs(ratio * factor - 1) <= RATIO_TOLERANCE).all() for factor in units_of("length").values()
    )


def _by_drawing(spec: FieldSpec, theirs: FieldProfile, *, drawn_m: Floats, hint: str) -> ValueGuess:
    """Find the unit in which recorded lengths are the drawn ones; a drawing out of scale leaves it to their range."""
    numbers, by_row = theirs.numbers[theirs.numbers != 0], theirs.by_row
    if len(by_row) == len(drawn_m) and (both := (by_row > 0) & (drawn_m > 0)).any():
        ratio = float(np.median(by_row[both] / drawn_m[both]))
    else:
        ratio = float(np.median(numbers) / max(float(np.nanmedian(drawn_m)), 1e-9))
    off = {unit: abs(ratio * factor - 1) for unit, factor in units_of(spec.quantity).items() if unit != "ftUS"}
    unit = min(off, key=lambda u: off[u])
    evidence = f"recorded over drawn length in metres is {ratio:.4g} in the middle: {unit}"
    if off[unit] <= RATIO_TOLERANCE:
        return ValueGuess(1.0, evidence, _if_other(spec, unit))
    by_range = _by_range(spec, numbers, hint=hint)
    evidence = f"{by_range.evidence}; the drawing has another scale (ratio {ratio:.4g})"
    return replace(by_range, fit=0.8 * by_range.fit, evidence=evidence, unit_sure=by_range.unit_sure and bool(hint))


def _by_range(spec: FieldSpec, numbers: Floats, *, hint: str) -> ValueGuess:
    """Find the units in which nearly all values are plausible; the name chooses among them, else ours comes first."""
    fitting = [unit for unit in units_of(spec.quantity) if _is_plausible(spec, numbers, unit=unit)]
    span = f"{numbers.min():g} to {numbers.max():g}"
    if hint and hint not in fitting and (not fitting or _is_plausible(spec, numbers, unit=hint, margin=HINT_MARGIN)):
        return ValueGuess(0.5, f"{span}: {hint} by its name, unusual values", _if_other(spec, hint), unit_sure=False)
    if not fitting:
        return ValueGuess(0.1, f"{span}: plausible in no unit", unit_sure=False)
    unit = hint if hint in fitting else spec.unit if spec.unit in fitting else fitting[0]
    sure = unit == hint or (len(fitting) == 1 and hint in ("", "V"))
    doubt = "" if sure else f" (or {', '.join(other for other in [hint, *fitting] if other not in ('', unit))})"
    return ValueGuess(1.0, f"{span}: {unit}{doubt.replace(' (or )', '')}", _if_other(spec, unit), sure)


def _is_plausible(spec: FieldSpec, numbers: Floats, *, unit: str, margin: float = 1.0 + 1e-9) -> bool:
    """Whether nearly all values are in the range to be expected, widened by a factor."""
    low, high = spec.plausible or (0.0, np.inf)
    to_ours = (find_unit(spec.quantity, unit) or 1.0) / (find_unit(spec.quantity, spec.unit) or 1.0)
    inside = (numbers * to_ours >= low / margin) & (numbers * to_ours <= high * margin)
    return bool(inside.mean() >= MOST)


def _if_other(spec: FieldSpec, unit: str) -> str:
    return "" if unit == spec.unit else unit


def _hint(spec: FieldSpec, name: Sequence[str]) -> str:
    """Unit that a field's name tells, ``""`` when none."""
    joined = "".join(name)
    spelled = next((unit for words, unit in SPELLED_UNITS.items() if words in joined), "")
    if spelled in units_of(spec.quantity):
        return spelled
    for word in reversed(name):
        unit = UNIT_HINTS.get(word, word)
        found = [known for known in units_of(spec.quantity) if known.casefold() == unit.casefold()]
        if found:
            return found[0]
    return ""


def _coded(spec: FieldSpec, theirs: FieldProfile, *, name: Sequence[str]) -> ValueGuess:
    if not theirs.codes:
        return ValueGuess(0.0, f"{theirs.distinct} different values, too many for codes")
    special = _phase_numbers(theirs, name=name) if spec.kind == "phases" else _by_name(spec, theirs, name=name)
    guesses = [special.get(value) or known_code(spec, value) for value in theirs.codes]
    known = [guess for guess in guesses if guess.ours]
    fit = sum(1.0 if guess.sure else 0.7 for guess in known) / len(guesses)
    words = f"{len(known)} of {len(guesses)} values known"
    return ValueGuess(fit, words, codes=tuple(guess for guess in guesses if not _accepted(spec, guess.theirs)))


def _accepted(spec: FieldSpec, value: str) -> bool:
    if spec.kind == "phases":
        return phase_mask(value) is not None
    if spec.kind == "flag":
        return value.casefold() in (*YES, *NO)
    return fold_code(value) in spec.codes


def known_code(spec: FieldSpec, value: str) -> CodeGuess:
    """Code that a value of a coded field usually stands for, ``""`` when none is known."""
    if _accepted(spec, value):
        return CodeGuess(value, value, sure=True)
    words, field = plain_value(value), POLE_STATE.sub("state", spec.name)
    code, sure = _code_table().get((field, words.replace(" ", "") if field == "phases" else words), ("", False))
    if not code:
        code, sure, _ = known_word(field, value)
    if not code and spec.name == "connection":
        code, sure = _two_windings(words)
    if not code and spec.name == "connection":
        code, sure = _nameplate_connection(value)
    if not code and spec.name == "build":
        code = build_told(value)
        sure = bool(code)
    return CodeGuess(value, code, sure)


def _two_windings(words: str) -> tuple[str, bool]:
    """Connection of the first of two windings, as in ``D-YG`` or, with the clock number, ``Dyn1`` (IEC 60076-1)."""
    group = VECTOR_GROUP.fullmatch(words)
    if group:
        return VECTOR_WINDINGS.get(group[1], ""), True
    sides = [_code_table().get(("connection", word), ("", False)) for word in words.split()]
    return sides[0] if len(sides) == len(("primary", "secondary")) and all(code for code, _ in sides) else ("", False)


def _nameplate_connection(text: str) -> tuple[str, bool]:
    """Primary connection of a nameplate's designation; a wye whose neutral is not told is not sure."""
    opened = re.match(r"OPEN[\s-]*(WYE|DELTA)\b", text.strip(), re.IGNORECASE)
    if opened:
        return f"open_{opened[1].lower()}", True
    told = parse_voltage_text(text)
    if told.kv is not None and told.kv >= LEAST_PRIMARY_KV:
        return (told.connection, True) if told.connection else ("floating_wye" if "wye;" in told.note else "", False)
    return "", False


def _phase_numbers(theirs: FieldProfile, *, name: Sequence[str]) -> dict[str, CodeGuess]:
    """Phases by their numbers (``12``, ``1,2,3``), how many they are, or as numbers from 1 to 7, one bit a phase.

    Which of them it is, and which bit is phase A, is not said, so that only all three are sure.
    """
    if set(name) & COUNT_WORDS and set(theirs.codes) <= {"1", "2", "3"}:
        return {value: CodeGuess(value, "ABC"[: int(value)], sure=value == "3") for value in theirs.codes}
    digits = {value: re.sub(r"[\W_]", "", value) for value in theirs.codes}
    if all(re.fullmatch("1?2?3?", number) for number in digits.values()) and max(map(len, digits.values())) > 1:
        return {v: CodeGuess(v, number.translate(PHASE_NUMBERS), sure=True) for v, number in digits.items()}
    if not set(theirs.codes) <= set(PHASE_BITS) or not set(theirs.codes) & {"5", "6", "7"}:
        return {}
    return {value: CodeGuess(value, PHASE_BITS[value], sure=value == "7") for value in theirs.codes}


def _by_name(spec: FieldSpec, theirs: FieldProfile, *, name: Sequence[str]) -> dict[str, CodeGuess]:
    """Yes and no mean what the field's name asks for: closed, open, ganged."""
    joined = "".join(name)
    if spec.name.startswith("state"):
        if not {value.casefold() for value in theirs.codes} <= {*YES, *NO} or not (
            "open" in joined or "closed" in joined
        ):
            return _by_count(spec, theirs)
        yes, no, sure = ("open", "closed", True) if "open" in joined else ("closed", "open", True)
    elif spec.name == "poles" and "gang" in joined:
        yes, no, sure = "three", "single", True
    else:
        return {}
    meaning = {**dict.fromkeys(YES, yes), **dict.fromkeys(NO, no)}
    return {
        value: CodeGuess(value, meaning[value.casefold()], sure)
        for value in theirs.codes
        if value.casefold() in meaning
    }


def _by_count(spec: FieldSpec, theirs: FieldProfile) -> dict[str, CodeGuess]:
    """States none of which clearly is closed: nearly all devices are, so of two codes the commoner.

    Sure only where the rarer one clearly is open and the other says nothing (``N`` and ``O``).
    """
    known = {value: known_code(spec, value) for value in theirs.codes}
    if any(guess.sure and _state(guess) == "closed" for guess in known.values()):
        return {}
    counts = dict(theirs.commonest)
    common, *others = sorted(theirs.codes, key=lambda value: -counts.get(value, 0))
    if len(others) == 1 and counts.get(common, 0) > counts.get(others[0], 0):
        rare = known[others[0]]
        sure = rare.sure and _state(rare) == "open" and not known[common].ours
        return {common: CodeGuess(common, "closed", sure=sure), others[0]: CodeGuess(others[0], "open", sure=sure)}
    usual = {**dict.fromkeys(YES, "closed"), **dict.fromkeys(NO, "open")}
    return {v: CodeGuess(v, guess.ours or usual.get(v.casefold(), ""), sure=False) for v, guess in known.items()}


def _state(guess: CodeGuess) -> str:
    return fold_code(guess.ours)


def plain_value(value: str) -> str:
    """Words of a value in lower case without accents."""
    return " ".join(re.split(r"[\W_]+", without_accents(value).casefold())).strip()


def known_word(field: str, value: str) -> tuple[str, bool, str]:
    """Code that a word anywhere in a text stands for, whether beyond doubt, and what the word means.

    ``("", False, "")`` when no word is known (``data/input_words.csv``); of several words those beyond doubt win.
    """
    text = plain_value(value)
    found = [(code, sure, meaning) for pattern, code, sure, meaning in _word_table(field) if pattern.search(text)]
    return next((hit for hit in found if hit[1]), found[0] if found else ("", False, ""))


@cache
def _word_table(field: str) -> tuple[tuple[re.Pattern[str], str, bool, str], ...]:
    with files("survey").joinpath("data", "input_words.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["field"] == field]
    return tuple((re.compile(r["pattern"]), r["code"], r["sure"] == "1", r["meaning"]) for r in rows)


@cache
def _code_table() -> Mapping[tuple[str, str], tuple[str, bool]]:
    """Code by field and usual spelling, and whether that is beyond doubt (``data/input_codes.csv``)."""
    table: dict[tuple[str, str], tuple[str, bool]] = {}
    with files("survey").joinpath("data", "input_codes.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            for alias in row["aliases"].split("|"):
                table.setdefault((row["field"], alias), (row["code"], row["sure"] == "1"))
    return table


def teaching_line(spec: FieldSpec, text: str) -> str:
    """Line below ``[input.LAYER.codes.FIELD]`` for this value: with its usual meaning, or to be filled in.

    Examples
    --------
    >>> print(teaching_line(field_specs("switches")["poles"], "FCO"))
    "FCO" = "single"  # usual meaning; choices: single, three, presumed
    """
    meaning = known_code(spec, text).ours
    words = "usual meaning; choices" if meaning else "fill in; choices"
    return f"{quoted(text)} = {quoted(meaning)}  # {words}: {accepted_values(spec)}"


def unread_codes(findings: FindingList) -> list[dict[str, Any]]:
    """Coded values that were not known, by layer and field, the commonest first.

    Returns ``layer``, ``field``, ``text``, ``records`` (number), ``section`` of the settings and ``teach`` (see
    :func:`teaching_line`) of each.
    """
    out = []
    for finding in (f for f in findings.ordered() if f.texts and f.rule.startswith(RULE)):
        spec = field_specs(finding.layer)[finding.rule.removeprefix(RULE)]
        place = {"layer": finding.layer, "field": spec.name}
        section = f"[input.{finding.layer}.codes.{spec.name}]"
        for text, records in finding.texts[:MOST_TAUGHT]:
            teach = teaching_line(spec, text)
            out.append({**place, "text": text, "records": records, "section": section, "teach": teach})
    return out
