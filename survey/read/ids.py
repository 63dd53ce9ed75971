"""Unique ids: missing ones are made, equal ones get a suffix; rows are put in order of id."""

from collections import Counter
from itertools import groupby

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Bools, Ints, read_at
from survey.findings import FindingList
from survey.input_schema import field_specs
from survey.input_settings import LayerMap
from survey.read.columns import Rows, as_text
from survey.read.formats import RawLayer
from survey.read.matching import MatchedLayer

MOST_WORDS, WORD = 3, 8
"""Ids of more words of eight bytes are sorted as text."""
KEPT = np.array([(1 << 64) - (1 << 8 * (WORD - n)) for n in range(WORD)] + [(1 << 64) - 1], np.uint64)
"""Bits of the first bytes of a word, by their number."""


def order_rows(raw: RawLayer, *, matched: MatchedLayer, mapping: LayerMap, findings: FindingList) -> Rows:
    """Give every row a unique id and put the rows in its order.

    Returns ``rows``: with findings ``null_id`` and ``duplicate_id`` added where they apply.
    """
    columns = {ours: raw.columns[theirs] for ours, theirs in matched.fields.items()}
    id_field = next(spec.name for spec in field_specs(matched.name).values() if spec.kind == "id")
    text, made = _with_ids(columns.get(id_field), rows=raw.rows, layer=matched.name)
    order = _order(text)
    ids = text.take(pa.array(order))
    again = _equal_to_the_one_before(ids)
    shared = np.zeros(raw.rows, np.bool_)
    if again.any():
        text, shared = _part_equal_ids(text, order=order, again=again, raw=raw, made=made)
        order = _order(text)
        ids = text.take(pa.array(order))
    rows = Rows(matched.name, ids, order, columns, mapping, findings)
    _report_mended(rows, raw, matched=matched)
    rows.report("null_id", where=made[order], field=id_field)
    if matched.fields.get(id_field) != matched.fields.get("bank_id"):  # units may all have the id of their bank
        rows.report("duplicate_id", where=(shared & ~made)[order], field=id_field)
    return rows


def _order(text: pa.LargeStringArray) -> Ints:
    """Rows in rising order of text: by bytes of UTF-8, and so by code points; rows of equal text keep theirs.

    Short ones are compared as whole numbers, which takes a fifth of the time.
    """
    start = np.frombuffer(text.buffers()[1], np.int64)[text.offset : text.offset + len(text) + 1]
    data, size = np.frombuffer(text.buffers()[2] or b"", np.uint8)[start[0] : start[-1]], np.diff(start)
    words = -(-int(size.max(initial=1)) // WORD)
    if words > MOST_WORDS or not data.all():
        return np.asarray(pc.sort_indices(text), np.int64)
    padded, first = np.append(data, np.zeros(WORD * words, np.uint8)), start[:-1] - start[0]
    parts = [
        read_at(padded, first + k, ">u8").astype(np.uint64) & KEPT[np.clip(size - k, 0, WORD)]
        for k in range(0, WORD * words, WORD)
    ]
    if words == 1:
        order = np.argsort(parts[0])
        if np.diff(parts[0][order]).all():  # no two alike, whose order would have to be kept
            return order
    return np.lexsort(parts[::-1])


def _with_ids(column: pa.Array | None, *, rows: int, layer: str) -> tuple[pa.LargeStringArray, Bools]:
    if column is None:
        column = pa.nulls(rows, pa.large_string())
    text = as_text(column)
    if not text.null_count:
        return text, np.zeros(rows, np.bool_)
    made = text.is_null().to_numpy(zero_copy_only=False)
    names = [f"{layer}-row-{row + 1}" for row in np.flatnonzero(made)]
    return pc.replace_with_mask(text, pa.array(made), pa.array(names, pa.large_string())), made


def _equal_to_the_one_before(ids: pa.LargeStringArray) -> Bools:
    again = np.zeros(len(ids), np.bool_)
    if len(ids) > 1:
        again[1:] = pc.equal(ids[1:], ids[:-1]).to_numpy(zero_copy_only=False)
    return again


def _part_equal_ids(
    text: pa.LargeStringArray, *, order: Ints, again: Bools, raw: RawLayer, made: Bools
) -> tuple[pa.LargeStringArray, Bools]:
    """Add suffixes within each group of equal ids, in order of content, so that row order does not matter.

    Returns ``text``: unique ids in file order; ``shared``: which rows had an id that another record has, shape (n,); of
    a recorded and a made one neither.
    """
    member = again | np.append(again[1:], False)
    listed = sorted((text[int(row)].as_py(), made[row], _content(raw, int(row)), int(row)) for row in order[member])
    taken = set(text.to_pylist())
    new: dict[int, str] = {}
    for name, group in groupby(listed, key=lambda entry: entry[0]):
        for *_, row in list(group)[1:]:
            number = 2
            while f"{name}#{number}" in taken:
                number += 1
            new[row] = f"{name}#{number}"
            taken.add(new[row])
    shared = np.zeros(len(text), np.bool_)
    shared[_recorded_twice(listed)] = True
    mask = np.zeros(len(text), np.bool_)
    mask[list(new)] = True
    names = pa.array([new[row] for row in sorted(new)], pa.large_string())
    return pc.replace_with_mask(text, pa.array(mask), names), shared


def _recorded_twice(listed: list[tuple[str, np.bool_, tuple[str, ...], int]]) -> list[int]:
    """Rows whose recorded id is recorded in another row as well."""
    recorded = [(name, row) for name, made, _, row in listed if not made]
    count = Counter(name for name, _ in recorded)
    return [row for name, row in recorded if count[name] > 1]


def _content(raw: RawLayer, row: int) -> tuple[str, ...]:
    shape = "" if raw.wkb is None else (raw.wkb[row].as_py() or b"").hex()
    return (shape, *(str(raw.columns[name][row].as_py()) for name in sorted(raw.columns)))


def _report_mended(rows: Rows, raw: RawLayer, *, matched: MatchedLayer) -> None:
    for ours, theirs in matched.fields.items():
        if theirs in raw.mended:
            rows.report("text_encoding", where=np.isin(rows.order, raw.mended[theirs]), field=ours)
