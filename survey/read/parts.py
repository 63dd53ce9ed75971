"""One part of a role: its rows by its query, with its own codes, units and defaults put in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyproj import CRS

from survey.arrays import Bools, Ints
from survey.errors import SettingsError
from survey.input_schema import AS_TEXT, FieldSpec, field_specs, find_unit
from survey.input_settings import NUMBER, LayerMap, Part
from survey.read.codes import replacer, spelled_bits
from survey.read.columns import Rows, as_text, is_number
from survey.read.formats import Export, LayerInfo, RawLayer, one_chunk
from survey.read.matching import MatchedLayer, find_name, match_fields
from survey.read.number_text import plain_numbers
from survey.read.query import GEOMETRY, ROW, Tables
from survey.read.recipe import FOUND, Recipe, columns_there

REPEATED = 0.05  # share of rows with an id that another row has, beyond which a query is at fault and not the records


class Mark(NamedTuple):
    """A rule of findings with the values of its message; told of rows as they are put together."""

    rule: str
    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class PartRows:
    """Rows of one part.

    ``rows`` number of rows; ``columns`` by our field names; of a query by its own; ``wkb`` geometries, ``None`` where
    the part has none; ``marks`` what is to be told of which rows, shape (n,).
    """

    rows: int
    columns: dict[str, pa.Array]
    wkb: pa.Array | None
    marks: dict[Mark, Bools]


def read_part(export: Export, recipe: Recipe, *, name: str, mapping: LayerMap, crs: CRS | None) -> PartRows:
    """Run the recipe of a part and put its own codes, units and defaults in.

    ``export``, ``recipe``: where from, and how. ``name``, ``mapping``: our layer, and what the settings say of all of
    it. ``crs``: coordinate system of the geometries that come out. Raises ``SettingsError``: the query fails, keeps no
    row, multiplies rows, or joins nothing.
    """
    table, marks = _run(export, recipe, crs=crs, by_row=not mapping.query)
    drawn = find_name(GEOMETRY, table.column_names)
    wkb = None if drawn is None else _bytes(one_chunk(table[drawn]), key=recipe.key)
    extra = {drawn, ROW, *(FOUND + join for join in recipe.joins)}
    columns = {column: one_chunk(table[column]) for column in table.column_names if column not in extra}
    found = {join: one_chunk(table[FOUND + join]).to_numpy(zero_copy_only=False) for join in recipe.joins}
    _refuse_unjoined(found, recipe)
    layer = next(iter(recipe.layers))
    if recipe.part is not mapping:
        units = common_units(mapping)
        for field, spec in field_specs(name).items():
            if field in columns:
                columns[field] = _normal(columns[field], spec, part=recipe.part, mapping=mapping, unit=units.get(field))
            if field in recipe.part.defaults:
                column = columns.get(field, pa.nulls(table.num_rows, pa.large_string()))
                columns[field], missing = _with_default(column, spec, part=recipe.part, unit=units.get(field))
                said = (("field", field), ("of", layer), ("default", str(recipe.part.defaults[field])))
                marks[Mark("layer_default_{field}", said)] = missing
    marks |= {Mark("no_joined_row", (("join", join),)): ~there for join, there in found.items()}
    return PartRows(table.num_rows, columns, wkb, marks)


def _run(export: Export, recipe: Recipe, *, crs: CRS | None, by_row: bool) -> tuple[pa.Table, dict[Mark, Bools]]:
    """Rows of the query, and which of them have text that was mended."""
    tables = Tables(export, crs=crs)
    for info in recipe.layers.values():
        tables.add(info, recipe.columns.get(info.name, ()), texts=recipe.texts.get(info.name, ()))
    there = columns_there(list(recipe.layers.values()))
    table = tables.run(recipe.sql, key=recipe.key, there=there)
    tables.close()
    if not table.num_rows and any(tables.rows.values()):
        counts = ", ".join(f"{rows:,} of {layer}" for layer, rows in tables.rows.items())
        msg = f"settings key {recipe.key}: keeps none of the rows ({counts}); look at its conditions and joins"
        raise SettingsError(msg)
    if not by_row:
        return table, {}
    order = one_chunk(table[ROW]).to_numpy()
    _refuse_multiplied(order, recipe)
    base = tables.mended[next(iter(recipe.layers))]
    mended = {ours: np.isin(order, base[column]) for ours, column in recipe.owners.items() if column in base}
    return table, {Mark("text_encoding", (("field", ours),)): where for ours, where in mended.items()}


def _refuse_multiplied(order: Ints, recipe: Recipe) -> None:
    again = len(order) - len(np.unique(order))
    if again:
        tables = ", ".join(info.name for info in recipe.joins.values())
        layer = next(iter(recipe.layers))
        msg = (
            f"settings key {recipe.key}.joins: {tables} gives {layer} {again:,} rows more than it has, for it has "
            f"several with one id; take {tables} as the layer and join {layer} to it, or say by where which is meant"
        )
        raise SettingsError(msg)


def _refuse_unjoined(found: dict[str, Bools], recipe: Recipe) -> None:
    for join, there in found.items():
        if len(there) and not there.any():
            on = ", ".join(f"{mine} = {theirs}" for mine, theirs in recipe.part.joins[join].on.items())
            msg = (
                f"settings key {recipe.key}.joins.{join}: none of {len(there):,} rows has one in "
                f"{recipe.joins[join].name} ({on}); name the columns that hold the same ids"
            )
            raise SettingsError(msg)


def _bytes(column: pa.Array, *, key: str) -> pa.Array:
    if not (pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type)):
        msg = f"settings key {key}: column {GEOMETRY} holds {column.type}, expected the geometry of a layer as it is"
        raise SettingsError(msg)
    return column.cast(pa.large_binary())


def common_units(mapping: LayerMap) -> dict[str, str]:
    """Units that the numbers of all parts are brought to: those of the role, or text where a part has text."""
    worded = {field for part in mapping.parts for field, unit in part.units.items() if unit == AS_TEXT}
    return {**mapping.units, **dict.fromkeys(sorted(worded), AS_TEXT)}


def _normal(column: pa.Array, spec: FieldSpec, *, part: Part, mapping: LayerMap, unit: str | None) -> pa.Array:
    """Column with the part's codes, phase bits and unit put in."""
    if spec.name in part.codes:
        column = _mapped(column, replacer(part.codes[spec.name], numbers=spec.kind == "number"))
    if spec.kind == "phases" and part.phase_bits:
        bits = part.phase_bits
        column = _mapped(column, lambda text: spelled_bits(text, bits=bits))
    own = part.units.get(spec.name, mapping.units.get(spec.name, spec.unit))
    if spec.kind != "number" or own == AS_TEXT:
        return column
    return _scaled(column, _factor(spec, own) / _factor(spec, unit or spec.unit))


def _factor(spec: FieldSpec, unit: str) -> float:
    return find_unit(spec.quantity, spec.unit if unit == AS_TEXT else unit) or 1.0


def _with_default(column: pa.Array, spec: FieldSpec, *, part: Part, unit: str | None) -> tuple[pa.Array, Bools]:
    """Column with the part's default where nothing is recorded, and the rows of these."""
    text = as_text(column)
    missing = text.is_null().to_numpy(zero_copy_only=False)
    default = part.defaults[spec.name]
    if spec.kind == "number":
        number = float(default) * _factor(spec, spec.unit) / _factor(spec, unit or spec.unit)
        if is_number(column.type):
            return pc.if_else(pa.array(missing), pa.scalar(number), column.cast(pa.float64(), safe=False)), missing
        default = repr(number)
    return pc.if_else(pa.array(missing), pa.scalar(str(default), pa.large_string()), text), missing


def _mapped(column: pa.Array, change: Callable[[str], str]) -> pa.LargeStringArray:
    """Text of a column, each distinct value changed once."""
    coded = as_text(column).dictionary_encode()
    values = [change(text) for text in coded.dictionary.to_pylist()]
    return pa.array(values, pa.large_string()).take(coded.indices)


def _scaled(column: pa.Array, factor: float) -> pa.Array:
    """Numbers times a factor; text that is no number stays as it is."""
    if is_number(column.type):
        return column if factor == 1.0 else pc.multiply(column.cast(pa.float64(), safe=False), factor)
    coded = as_text(column).dictionary_encode()
    texts = plain_numbers(coded.dictionary.to_pylist())
    if factor != 1.0:
        texts = [repr(float(text) * factor) if NUMBER.match(text) else text for text in texts]
    return pa.array(texts, pa.large_string()).take(coded.indices)


@dataclass(frozen=True)
class Composed:
    """A role put together.

    ``raw`` its rows, the parts one after the other; ``matched`` its columns by our names; ``mapping`` what is left of
    the settings to be put in, for all rows alike; ``marks`` what is to be told of which rows (in file order), shape
    (n,).
    """

    raw: RawLayer
    matched: MatchedLayer
    mapping: LayerMap
    marks: dict[Mark, Bools]

    def report(self, rows: Rows) -> None:
        """Tell of the defaults of parts, of mended text, and of rows without a row in a joined table."""
        for mark, where in self.marks.items():
            values: dict[str, Any] = dict(mark.values)
            rows.report(mark.rule, where=where[rows.order], **values)


def compose(export: Export, recipes: Sequence[Recipe], *, name: str, mapping: LayerMap) -> Composed:
    """Put a role together.

    ``export``: where the layers are read from. ``recipes``: one for each part. ``name``, ``mapping``: our layer, and
    its settings. Raises ``SettingsError``: a query fails, a condition keeps no row, a join multiplies rows, or no
    geometry is there.
    """
    infos = [info for recipe in recipes for info in recipe.layers.values()]
    crs = next((info.crs for info in infos if info.has_geometry and info.crs is not None), None)
    parts = [read_part(export, recipe, name=name, mapping=mapping, crs=crs) for recipe in recipes]
    rows = sum(part.rows for part in parts)
    names = list(dict.fromkeys(field for part in parts for field in part.columns))
    columns = {field: _joined([part.columns.get(field) for part in parts], parts) for field in names}
    wkb = _joined([part.wkb for part in parts], parts) if any(part.wkb is not None for part in parts) else None
    title = "' and '".join(dict.fromkeys(next(iter(recipe.layers)) for recipe in recipes))
    info = LayerInfo(title, tuple(names), wkb is not None, crs, infos[0].file, rows)
    raw = RawLayer(info, rows, columns, wkb)
    if mapping.query:
        matched = MatchedLayer(name, info, match_fields(info, name=name, mapping=mapping))
        _refuse_repeated(raw, matched, key=recipes[0].key)
    else:
        matched = MatchedLayer(name, info, {field: field for field in names})
    left = mapping.model_copy(update={"units": common_units(mapping)})
    return Composed(raw, matched, left, _marks(parts, rows=rows))


def _joined(columns: Sequence[pa.Array | None], parts: Sequence[PartRows]) -> pa.Array:
    """One column of those of the parts, one after the other; text where they are of several kinds."""
    kinds = {column.type for column in columns if column is not None and not pa.types.is_null(column.type)}
    if len(kinds) > 1 or any(pa.types.is_dictionary(kind) for kind in kinds):
        columns = [None if column is None else as_text(column) for column in columns]
        kinds = {pa.large_string()}
    kind = next(iter(kinds), pa.large_string())
    return pa.concat_arrays(
        pa.nulls(part.rows, kind) if column is None else column.cast(kind)
        for column, part in zip(columns, parts, strict=True)
    )


def _marks(parts: Sequence[PartRows], *, rows: int) -> dict[Mark, Bools]:
    """Marks of all parts, each on the rows of the role."""
    marks: dict[Mark, Bools] = {}
    first = 0
    for part in parts:
        for mark, where in part.marks.items():
            marks.setdefault(mark, np.zeros(rows, np.bool_))[first : first + part.rows] = where
        first += part.rows
    return marks


def _refuse_repeated(raw: RawLayer, matched: MatchedLayer, *, key: str) -> None:
    """Refuse a query that gives many ids more than once: records repeat an id now and then, joins multiply rows."""
    own = next(spec.name for spec in field_specs(matched.name).values() if spec.kind == "id")
    if own not in matched.fields:
        return
    ids = as_text(raw.columns[matched.fields[own]]).drop_null()
    counted = pc.value_counts(ids)
    again = len(ids) - len(counted)
    if again > REPEATED * raw.rows and again > 1:
        example = counted.field("values")[int(np.argmax(counted.field("counts").to_numpy(zero_copy_only=False)))]
        msg = (
            f"settings key {key}: {again:,} of {raw.rows:,} rows have the {own} of another ({example.as_py()!r} ...); "
            "a join in it multiplies rows; join on what is unique, or group"
        )
        raise SettingsError(msg)
