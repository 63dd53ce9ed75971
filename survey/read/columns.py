"""Raw columns → text, numbers and codes in order of id; what cannot be used becomes a finding."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from survey.arrays import Bools, Floats, Ints
from survey.findings import FindingList, Severity
from survey.input_schema import AS_TEXT, FieldSpec, accepted_values, field_specs, find_unit, fold_code, phase_mask
from survey.input_settings import NUMBER, LayerMap
from survey.read.codes import replacer, spelled_bits
from survey.read.number_text import lengths_m, plain_numbers
from survey.read.transformer_text import parse_kva_text, parse_voltage_text

Speller = Callable[[Bools], str]

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
EXAMPLES = 3
ROUNDING = 1e-9  # a value at the very limit, once converted, is inside
EXACT_INTEGER = 2.0**53
MISSING, UNKNOWN = -1, -2
TRUE_WORDS, FALSE_WORDS = ("1", "true", "yes", "y", "t"), ("0", "false", "no", "n", "f")
NEXT_TO_NOTHING, BEYOND_ANY = 1e-18, 1e15  # no quantity of a network in SI, where not zero, comes near either


@dataclass(frozen=True)
class Rows:
    """Rows of one layer in order of id.

    ``name`` our name of the layer; ``ids`` unique ids, rising, shape (n,); ``order`` row in the file of each, shape
    (n,); ``columns`` raw columns by our field names, in file order; a field that is not there is not in it; ``mapping``
    the settings of the layer; ``findings`` takes what is found.
    """

    name: str
    ids: pa.LargeStringArray
    order: Ints
    columns: dict[str, pa.Array]
    mapping: LayerMap
    findings: FindingList

    def __len__(self) -> int:
        return len(self.order)

    def report(
        self,
        rule: str,
        *,
        where: Bools,
        severity: Severity | None = None,
        texts: Sequence[tuple[str, int]] = (),
        **values: Any,  # noqa: ANN401 - whatever a message can hold
    ) -> None:
        """Add a finding on the rows of a mask, if there are any; ``{all}`` is filled in."""
        if where.any():
            ids = self.ids.filter(pa.array(where))
            self.findings.report(
                rule, layer=self.name, ids=ids, severity=severity, texts=texts, all=len(self), **values
            )


@dataclass(frozen=True)
class Encoded:
    """A column as row codes into its few distinct texts.

    ``codes`` index into ``names``, -1 where missing, shape (n,); ``names`` distinct texts, trimmed, none empty.
    """

    codes: NDArray[np.int32]
    names: list[str]

    def lookup(self, table: Sequence[int]) -> NDArray[np.int32]:
        """Value of ``table`` (aligned with ``names``) for every row, -1 where missing."""
        return np.array([*table, MISSING], np.int32)[self.codes]

    def counts(self, mask: Bools) -> list[tuple[str, int]]:
        """Distinct texts in the rows of a mask with the number of rows of each, commonest first."""
        there = np.bincount(self.codes[mask] + 1, minlength=len(self.names) + 1)[1:].tolist()
        number: dict[str, int] = {}
        for value, count in zip(self.names, there, strict=True):
            number[value] = number.get(value, 0) + count
        return sorted(((v, n) for v, n in number.items() if n), key=lambda item: (-item[1], item[0]))

    def examples(self, mask: Bools) -> str:
        """Return some of the distinct texts in the rows of a mask, quoted."""
        return _spell(sorted(repr(text[:40]) for text, _ in self.counts(mask)))

    def texts(self) -> pd.Series:
        """Return a series of text, ``""`` where missing."""
        return text_series(_spelled(self))

    def series(self) -> pd.Series:
        """Categorical series with ``""`` where missing, categories rising."""
        names = sorted({*self.names, ""})
        place = {name: i for i, name in enumerate(names)}
        table = np.array([*(place[value] for value in self.names), place[""]])
        return pd.Series(pd.Categorical.from_codes(table[self.codes], pd.Index(names)))


def as_text(column: pa.Array) -> pa.LargeStringArray:
    """Return text of any column, trimmed; empty text and not-a-number are null. Whole numbers lose their ``.0``."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.dictionary_decode(), column.type.value_type
    if pa.types.is_floating(kind):
        column = _number_text(column.cast(pa.float64()))
    elif pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_nested(kind):
        column = pa.array([None if value is None else str(value) for value in column.to_pylist()], pa.large_string())
    text = pc.utf8_trim_whitespace(column.cast(pa.large_string()))
    blank = pc.equal(pc.binary_length(text), 0)
    return pc.if_else(blank, pa.scalar(None, pa.large_string()), text) if pc.any(blank).as_py() else text


def _number_text(column: pa.DoubleArray) -> pa.LargeStringArray:
    values = column.to_numpy(zero_copy_only=False)
    whole = np.isfinite(values) & (np.abs(values) < EXACT_INTEGER) & (values == np.round(values))
    integers = pa.array(np.where(whole, values, 0).astype(np.int64)).cast(pa.large_string())
    text = column.cast(pa.large_string()) if not whole.all() else integers
    text = pc.if_else(pa.array(whole), integers, text)
    return pc.if_else(pa.array(np.isnan(values)), pa.scalar(None, pa.large_string()), text)


def encode(rows: Rows, field: str, *, numbers: bool = False) -> Encoded:
    """Distinct texts of a field, with the codes of the settings replaced; for ``numbers`` see :func:`replacer`."""
    column = rows.columns.get(field)
    if column is None:
        return Encoded(np.full(len(rows), MISSING, np.int32), [])
    coded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    texts = as_text(coded.dictionary).to_pylist()
    replaced = replacer(rows.mapping.codes.get(field, {}), numbers=numbers)
    values = [text if text is None else replaced(text) for text in texts]
    kept = [value for value in values if value]
    place = np.append(np.where([bool(v) for v in values], np.cumsum([bool(v) for v in values]) - 1, MISSING), MISSING)
    codes = pc.fill_null(coded.indices.cast(pa.int32()), len(values)).to_numpy(zero_copy_only=False)
    return Encoded(place.astype(np.int32)[codes[rows.order]], kept)


def plain_text(rows: Rows, field: str) -> pa.LargeStringArray:
    """Text of a field, ``""`` where missing."""
    column = rows.columns.get(field)
    if column is None:
        return pa.repeat(pa.scalar("", pa.large_string()), len(rows))
    return pc.fill_null(as_text(column), "").take(pa.array(rows.order))


def text_series(text: pa.LargeStringArray) -> pd.Series:
    """Series of text without copying it."""
    return pd.Series(TEXT.__from_arrow__(text))  # type: ignore[attr-defined]  # missing in the stubs


def read_text(rows: Rows, field: str) -> pd.Series:
    """Text of a field as a series, with the codes and the default of the settings put in."""
    return text_series(_spelled(_filled(rows, field, encode(rows, field))))


def read_category(rows: Rows, field: str) -> pd.Series:
    """Text of a field with few distinct values, as a categorical series; else as :func:`read_text`."""
    return _filled(rows, field, encode(rows, field)).series()


def _spelled(column: Encoded) -> pa.LargeStringArray:
    return pa.array([*column.names, ""], pa.large_string()).take(pa.array(column.codes % (len(column.names) + 1)))


def _filled(rows: Rows, field: str, column: Encoded) -> Encoded:
    default = rows.mapping.defaults.get(field)
    missing = column.codes == MISSING
    if default is None or not missing.any():
        return column
    report_default(rows, field, where=missing, default=str(default))
    codes = np.where(missing, np.int32(len(column.names)), column.codes)
    return Encoded(codes, [*column.names, str(default)])


def report_default(rows: Rows, field: str, *, where: Bools, default: str) -> None:
    """Add the finding that a default stood in for a missing value."""
    rows.report("default_{field}", where=where, field=field, default=default)


def read_code(rows: Rows, field: str, *, fallback: str, told: Bools | None = None) -> Encoded:
    """Codes of a field as indices into its accepted values; unknown ones count as ``fallback`` (``""``: missing).

    Rows of ``told`` have it in other fields, so that nothing is missing there.
    """
    spec = field_specs(rows.name)[field]
    column = encode(rows, field)
    accepted = {fold_code(code): i for i, code in enumerate(spec.codes)}
    found = column.lookup([accepted.get(fold_code(value), UNKNOWN) for value in column.names])
    return _settle(rows, spec, column=column, found=found, fallback=fallback, told=told)


def _settle(
    rows: Rows, spec: FieldSpec, *, column: Encoded, found: NDArray[np.int32], fallback: str, told: Bools | None = None
) -> Encoded:
    values = list(spec.codes)
    unknown = found == UNKNOWN
    _report_unknown(rows, spec, column=column, where=unknown, fallback=fallback)
    found[unknown] = values.index(fallback) if fallback else MISSING
    default = rows.mapping.defaults.get(spec.name, spec.default)
    missing = (found == MISSING) & ~unknown
    if default is not None and missing.any():
        _report_missing(rows, spec, where=missing if told is None else missing & ~told, default=str(default))
        found[missing] = values.index(fold_code(str(default)))
    return Encoded(found, values)


def _report_missing(rows: Rows, spec: FieldSpec, *, where: Bools, default: str) -> None:
    """Tell of a default; where the field is required and the settings give none, the value itself is at fault."""
    if spec.required and spec.name not in rows.mapping.defaults:
        rows.report("missing_{field}", where=where, field=spec.name, done=f"counted as {default}")
    else:
        report_default(rows, spec.name, where=where, default=default)


def _report_unknown(rows: Rows, spec: FieldSpec, *, column: Encoded, where: Bools, fallback: str) -> None:
    if where.any():
        rows.report(
            "unknown_{field}",
            where=where,
            field=spec.name,
            examples=column.examples(where),
            fallback=fallback or "missing",
            accepted=accepted_values(spec),
            texts=column.counts(where),
        )


def read_phases(rows: Rows) -> NDArray[np.uint8]:
    """Phase mask of every row; missing and unknown ones count as ABC."""
    spec = field_specs(rows.name)["phases"]
    column = encode(rows, "phases")
    if bits := rows.mapping.phase_bits:
        column = Encoded(column.codes, [spelled_bits(text, bits=bits) for text in column.names])
    found = column.lookup([UNKNOWN if mask is None else mask for mask in map(phase_mask, column.names)])
    unknown, missing = found == UNKNOWN, found == MISSING
    default = str(rows.mapping.defaults.get("phases", spec.default))
    _report_unknown(rows, spec, column=column, where=unknown, fallback="ABC")
    if missing.any():
        report_default(rows, "phases", where=missing, default=default)
    found[unknown] = phase_mask("ABC") or 0
    found[missing] = phase_mask(default) or 0
    return found.astype(np.uint8)


def read_flag(rows: Rows, field: str) -> Bools:
    """Yes or no; missing and unknown ones count as no."""
    spec = field_specs(rows.name)[field]
    column = encode(rows, field)
    words = {**dict.fromkeys(TRUE_WORDS, 1), **dict.fromkeys(FALSE_WORDS, 0)}
    found = column.lookup([words.get(value.casefold(), UNKNOWN) for value in column.names])
    return np.asarray(_settle(rows, spec, column=column, found=found, fallback="0").codes == 1)


@dataclass(frozen=True)
class Numbers:
    """A column of numbers.

    ``si`` in SI, NaN where missing or not usable, shape (n,); ``missing`` no value recorded, shape (n,); ``bad`` a
    value that cannot be used, shape (n,).
    """

    si: Floats
    missing: Bools
    bad: Bools


def read_number(rows: Rows, field: str, *, then: str, zero_rule: str = "") -> Numbers:
    """Numbers of a field in SI; those that cannot be used are an ``error`` finding and become NaN.

    ``rows``, ``field``: where. ``then``: what the survey does without the value, for the message. ``zero_rule``: where
    0 says that nothing was recorded: the rule that tells of it.
    """
    spec = field_specs(rows.name)[field]
    if field not in rows.columns:
        none = np.zeros(len(rows), np.bool_)
        return _default_number(rows, spec, Numbers(np.full(len(rows), np.nan), ~none, none))
    values, missing, is_text, spelled = _parse_numbers(rows, field)
    if zero_rule:
        rows.report(zero_rule, where=values == 0)
        missing = missing | (values == 0)
    unit = rows.mapping.units.get(field, spec.unit)
    factor = find_unit(spec.quantity, spec.unit if unit == AS_TEXT else unit) or 1.0
    with np.errstate(over="ignore"):
        si = values * factor
    bad = si < NEXT_TO_NOTHING if spec.positive else values < 0
    bad |= si >= BEYOND_ANY
    bad &= ~missing
    bad |= is_text
    if is_text.any() and field in rows.mapping.codes:
        _report_unknown(rows, spec, column=encode(rows, field), where=is_text, fallback="")
        bad &= ~is_text
    if bad.any():
        rows.report(
            "unusable_{field}",
            where=bad,
            field=field,
            examples=spelled(bad),
            expected="above 0" if spec.positive else "of 0 or more",
            done=then,
        )
    bad |= is_text
    numbers = Numbers(np.where(bad | missing, np.nan, si), missing, bad)
    _report_implausible(rows, spec, numbers.si)
    return _default_number(rows, spec, numbers)


def _report_implausible(rows: Rows, spec: FieldSpec, si: Floats) -> None:
    """Name values that can be used but look like another unit."""
    if spec.plausible is None:
        return
    factor = find_unit(spec.quantity, spec.unit) or 1.0
    low, high = spec.plausible
    odd = (si < low * factor * (1 - ROUNDING)) | (si > high * factor * (1 + ROUNDING))
    if not odd.any():
        return
    unit = f" {spec.unit}" if spec.quantity != "number" else ""
    found = si[odd] / factor
    worst = found[np.argmax(np.abs(np.log(np.fmax(found, 1e-30) / (low + high))))]
    rows.report("implausible_{field}", where=odd, field=spec.name, low=low, high=high, unit=unit, worst=worst)


def _default_number(rows: Rows, spec: FieldSpec, numbers: Numbers) -> Numbers:
    default = rows.mapping.defaults.get(spec.name, spec.default)
    if default is None:
        return numbers
    if numbers.missing.any():
        unit = f" {spec.unit}" if spec.quantity != "number" else ""
        report_default(rows, spec.name, where=numbers.missing, default=f"{default}{unit}")
    factor = find_unit(spec.quantity, spec.unit) or 1.0
    filled = np.where(numbers.missing, float(default) * factor, numbers.si)
    if spec.default is not None:
        filled = np.where(numbers.bad, float(default) * factor, filled)
    return Numbers(filled, np.zeros(len(rows), np.bool_), numbers.bad)


def _parse_numbers(rows: Rows, field: str) -> tuple[Floats, Bools, Bools, Speller]:
    """Values, which are missing, which are text that is no number, and a speller of examples."""
    column, unit = rows.columns[field], rows.mapping.units.get(field)
    if unit == AS_TEXT or field in rows.mapping.codes or not is_number(column.type):
        coded = encode(rows, field, numbers=unit != AS_TEXT)
        read = worded_numbers(field, coded.names) if unit == AS_TEXT else _plain(coded.names)
        values = np.array([*read, np.nan], np.float64)[coded.codes]
        missing = coded.codes == MISSING
        return values, missing, ~missing & np.isnan(values), coded.examples
    values = pc.fill_null(column.cast(pa.float64(), safe=False), np.nan).to_numpy(zero_copy_only=False)[rows.order]
    shown = EXAMPLES + 1
    return (
        values,
        np.isnan(values),
        np.zeros(len(rows), np.bool_),
        lambda mask: _spell([f"{v:g}" for v in np.unique(values[mask])[:shown]]),
    )


def _plain(texts: Sequence[str]) -> list[float]:
    return [float(text) if NUMBER.match(text) else np.nan for text in plain_numbers(texts)]


def worded_numbers(field: str, texts: Sequence[str]) -> list[float | None]:
    """Numbers inside texts, in the unit of the field: nameplates, and lengths with their unit."""
    if field == "length_m":
        return lengths_m(texts)
    return [parse_voltage_text(text).kv if field == "kv" else parse_kva_text(text).kva for text in texts]


def is_number(kind: pa.DataType) -> bool:
    """Whether a column of this type holds numbers."""
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))


def _spell(texts: Sequence[str]) -> str:
    return ", ".join(texts[:EXAMPLES]) + (" ..." if len(texts) > EXAMPLES else "")
