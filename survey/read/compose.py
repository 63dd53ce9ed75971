"""A role made of several layers, of some rows, of joined tables or by a query → raw columns under our own names."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from survey.errors import SettingsError
from survey.input_schema import field_specs
from survey.input_settings import LayerMap
from survey.read.columns import Rows, as_text
from survey.read.formats import Export, LayerInfo, RawLayer
from survey.read.matching import MatchedLayer, match_fields
from survey.read.parts import Mark, PartRows, common_units, read_part
from survey.read.recipe import Recipe

REPEATED = 0.05  # share of rows with an id that another row has, beyond which a query is at fault and not the records


@dataclass(frozen=True)
class Composed:
    """A role put together.

    Parameters
    ----------
    raw
        Its rows, the parts one after the other.
    matched
        Its columns by our names.
    mapping
        What is left of the settings to be put in, for all rows alike.
    marks
        What is to be told of which rows (in file order), shape (n,).
    """

    raw: RawLayer
    matched: MatchedLayer
    mapping: LayerMap
    marks: dict[Mark, NDArray[np.bool_]]

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


def _marks(parts: Sequence[PartRows], *, rows: int) -> dict[Mark, NDArray[np.bool_]]:
    """Marks of all parts, each on the rows of the role."""
    marks: dict[Mark, NDArray[np.bool_]] = {}
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
