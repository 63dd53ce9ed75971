"""What an export holds, before anything is known of its meaning: layers, fields, values."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from pyproj import CRS

from survey.arrays import Floats, Ints
from survey.errors import CrsError
from survey.read.columns import as_text, is_number
from survey.read.coordinates import choose_places, layer_crs
from survey.read.formats import Export, LayerInfo, RawLayer
from survey.read.geometry import LINE_KINDS, POINT_KINDS, RawLines, base_kinds, parse_lines, parse_points
from survey.read.guess_types import JoinGuess, RowGuess
from survey.read.guess_words import Told, told_by
from survey.read.number_text import DECIMALS, THOUSANDS, plain_numbers

COMMONEST = 8
MOST_CODES = 60  # a field with more distinct values is no coded one


@dataclass(frozen=True)
class FieldProfile:
    """One field.

    Parameters
    ----------
    name, kind
        Its name, and ``text``, ``integer``, ``number``, ``yes/no`` or ``other``.
    filled
        Share of rows with a value.
    distinct
        Number of distinct values.
    codes
        All distinct values when they are few, rising; else empty.
    numbers
        Values that are numbers, not sorted, shape (n,).
    numeric
        Share of the values that are numbers.
    rows
        Number of rows.
    values
        Distinct values of a field of texts or whole numbers, which may be ids, as text; of others none.
    by_row
        Number of every row, NaN where it has none; empty for a field that is none of numbers.
    counts
        Most frequent values with their number of rows, rising by value where numbers are equal.
    label
        Name by which it is judged: its own, or that of the code it spells.
    columns, sql
        Columns that it is put together of, if it is, and the expression that does it (``""``: as text, one by one).
    """

    name: str
    kind: str
    filled: float
    distinct: int
    codes: tuple[str, ...]
    numbers: Floats
    numeric: float
    rows: int
    values: pa.LargeStringArray
    by_row: Floats = field(default_factory=lambda: np.zeros(0))
    counts: tuple[tuple[str, int], ...] = ()
    label: str = ""
    columns: tuple[str, ...] = ()
    sql: str = ""

    @property
    def commonest(self) -> tuple[tuple[str, int], ...]:
        """The first of the counts."""
        return self.counts[:COMMONEST]

    @property
    def unique(self) -> bool:
        """Whether no value comes twice and none is missing."""
        return self.rows > 0 and self.distinct == self.rows


@dataclass(frozen=True)
class LayerProfile:
    """One layer.

    ``name`` layer name; ``geometry`` ``lines``, ``points``, ``mixed``, ``none`` or ``empty``; ``crs`` coordinate
    system, ``None`` when the file names none; ``extent`` lowest x and y, highest x and y, in that system; ``None``
    without a geometry; ``rows`` number of rows; ``fields`` its fields, in file order; ``drawn_m`` drawn length of every
    row, metres, NaN where it has none; empty for a layer of no lines; ``raw`` its rows, as far as they were read;
    ``columns`` columns by the names of the fields; those of joined tables are ``join.column``; ``hint`` the role that
    its name or rows tell, ``none`` for what is no part of the network, ``""`` where nothing tells; ``told`` what else
    they tell; ``rows_guess`` conditions that make it a part of the layer; ``joins`` tables that its fields need;
    ``title`` name of this view of the layer; of the layer itself its name; ``at``, ``at_key``, ``own_key`` for a table
    that is drawn where the rows of a layer are: the title of that, and the columns with the same ids, there and in the
    table.
    """

    name: str
    geometry: str
    crs: CRS | None
    extent: tuple[float, float, float, float] | None
    rows: int
    fields: tuple[FieldProfile, ...]
    drawn_m: Floats
    raw: RawLayer
    columns: Mapping[str, pa.Array]
    hint: str = ""
    told: Told = field(default_factory=Told)
    rows_guess: tuple[RowGuess, ...] = ()
    joins: tuple[JoinGuess, ...] = ()
    title: str = ""
    at: str = ""
    at_key: str = ""
    own_key: str = ""

    def field(self, name: str) -> FieldProfile:
        """Field by name."""
        return next(field for field in self.fields if field.name == name)


def profile_layer(export: Export, info: LayerInfo) -> LayerProfile:
    """Look at every row of a layer."""
    raw = export.read(info, info.fields)
    geometry, extent, drawn_m = _geometry(raw)
    fields = tuple(profile_field(name, raw.columns[name]) for name in info.fields)
    told = told_by(info.name)
    return LayerProfile(
        name=info.name,
        geometry=geometry,
        crs=info.crs,
        extent=extent,
        rows=raw.rows,
        fields=fields,
        drawn_m=drawn_m,
        raw=raw,
        columns=raw.columns,
        hint=told.role,
        told=told,
        title=info.name,
    )


def profile_rows(profile: LayerProfile, rows: Ints) -> LayerProfile:
    """View of some rows of a layer, its joined columns included."""
    at = pa.array(rows)
    raw, columns = profile.raw, {name: column.take(at) for name, column in profile.columns.items()}
    wkb = None if raw.wkb is None else raw.wkb.take(at)
    some = replace(raw, rows=len(rows), columns={n: columns[n] for n in raw.columns}, wkb=wkb)
    geometry, extent, drawn_m = _geometry(some)
    fields = tuple(
        replace(profile_field(f.name, columns[f.name], label=f.label, of=f.columns), sql=f.sql) for f in profile.fields
    )
    return replace(
        profile,
        geometry=geometry,
        extent=extent,
        rows=len(rows),
        fields=fields,
        drawn_m=drawn_m,
        raw=some,
        columns=columns,
    )


def profile_field(name: str, column: pa.Array, *, label: str = "", of: tuple[str, ...] = ()) -> FieldProfile:
    """Look at one column.

    ``name``, ``label``: its name, and the one by which it is judged where that is another. ``column``: its values.
    ``of``: columns that it is put together of.
    """
    text = as_text(column)
    there = text.drop_null()
    counted = _counted(there)
    first = counted.slice(0, MOST_CODES).to_pylist()
    numbers = _numbers(column, _without_commas(there, first))
    return FieldProfile(
        name=name,
        kind=_kind(column.type),
        filled=len(there) / max(len(text), 1),
        distinct=len(counted),
        codes=tuple(sorted(row["values"] for row in first)) if len(counted) <= MOST_CODES else (),
        numbers=numbers,
        numeric=len(numbers) / max(len(there), 1),
        rows=len(text),
        values=_texts(counted, numbers, kind=_kind(column.type)),
        by_row=_by_row(column),
        counts=tuple((row["values"], row["counts"]) for row in first),
        label=label or name,
        columns=of,
    )


def _texts(counted: pa.Table, numbers: Floats, *, kind: str) -> pa.LargeStringArray:
    """Distinct values that can be ids; a column of whole numbers with gaps often comes as one of broken ones."""
    values = counted["values"].combine_chunks()
    whole = kind == "number" and bool((numbers == np.round(numbers)).all())
    return values if kind in ("text", "integer") or whole else values.slice(0, 0)


def _counted(there: pa.LargeStringArray) -> pa.Table:
    """Distinct values with their counts, most frequent first."""
    pairs = pc.value_counts(there)
    table = pa.table({name: pairs.field(name) for name in ("values", "counts")})
    return table.sort_by([("counts", "descending"), ("values", "ascending")])


def _by_row(column: pa.Array) -> Floats:
    if not is_number(column.type):
        return np.zeros(0)
    return np.asarray(pc.fill_null(column.cast(pa.float64(), safe=False), np.nan).to_numpy(zero_copy_only=False))


def _numbers(column: pa.Array, there: pa.LargeStringArray) -> Floats:
    if pa.types.is_boolean(column.type):
        return np.zeros(0)
    plain = there.filter(pc.match_substring_regex(there, r"^[+-]?\d{1,15}(\.\d*)?([eE][+-]?\d{1,2})?$"))
    return np.asarray(pc.replace_substring_regex(plain, r"^\+", "").cast(pa.float64()).to_numpy(zero_copy_only=False))


def _without_commas(there: pa.LargeStringArray, first: list[dict[str, str]]) -> pa.LargeStringArray:
    """Texts with numbers that have commas spelled plainly, where some of the first ones are such."""
    if not any(
        "," in row["values"] and (DECIMALS.fullmatch(row["values"]) or THOUSANDS.fullmatch(row["values"]))
        for row in first
    ):
        return there
    coded = there.dictionary_encode()
    return pa.array(plain_numbers(coded.dictionary.to_pylist()), pa.large_string()).take(coded.indices)


def _kind(kind: pa.DataType) -> str:
    if pa.types.is_boolean(kind):
        return "yes/no"
    if pa.types.is_integer(kind):
        return "integer"
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return "number"
    return "text" if pa.types.is_large_string(kind) or pa.types.is_dictionary(kind) else "other"


def _geometry(raw: RawLayer) -> tuple[str, tuple[float, float, float, float] | None, Floats]:
    order, none = np.arange(raw.rows), np.zeros(0)
    if raw.wkb is None or raw.wkb.null_count == raw.rows:
        return ("none" if raw.rows or raw.wkb is None else "empty"), None, none
    kinds = base_kinds(raw.wkb)
    lines = parse_lines(raw.wkb if kinds & LINE_KINDS else None, order)
    points = parse_points(raw.wkb if kinds & POINT_KINDS else None, order)
    has_lines, has_points = len(lines.owner) > 0, bool(np.isfinite(points.xy).any())
    xy = np.concatenate([lines.xy, points.xy[np.isfinite(points.xy).all(axis=1)]])
    if not len(xy):
        return _other_geometry(raw), None, none
    extent = (*xy.min(axis=0).tolist(), *xy.max(axis=0).tolist())
    kind = "mixed" if has_lines and has_points else "lines" if has_lines else "points"
    return kind, extent, _drawn(raw, lines) if has_lines else none


def _other_geometry(raw: RawLayer) -> str:
    assert raw.wkb is not None
    first = raw.wkb.drop_null()[0].as_py()
    shape = shapely.from_wkb(first, on_invalid="ignore")
    return "none" if shape is None else shape.geom_type.lower()


def _drawn(raw: RawLayer, lines: RawLines) -> Floats:
    """Drawn lengths on the ground; NaN all through when the layer has no usable coordinate system."""
    drawn = np.full(raw.rows, np.nan)
    try:
        crs = layer_crs(raw.info, fallback=None)
        places = choose_places({"cables": crs}, lines.xy, of="cables")
    except CrsError:
        return drawn
    assert crs is not None
    length = places.line_lengths(places.to_working(lines.xy, crs=crs), lines.start)
    total = np.bincount(lines.owner, weights=length, minlength=raw.rows)
    drawn[lines.owner] = total[lines.owner]
    return drawn
