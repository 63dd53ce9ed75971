"""What an export parts over a column for each pole, put together: flags of phases, ratings of the units of a bank."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from survey.input_schema import field_specs
from survey.read.columns import as_text
from survey.read.guess import NAME_FITS, aliases, name_likeness, pole_columns, tokens
from survey.read.guess_values import PHASE_BITS, known_code
from survey.read.profile import FieldProfile, LayerProfile, profile_field
from survey.read.query import column_sql, text_sql

Poles = Sequence[FieldProfile]

PART_OF = 0.6  # likeness of a name without the pole's letter to that of the field it is a part of
LETTERS = "ABC"
SPELLED = ["".join(letter for i, letter in enumerate(LETTERS) if mask >> i & 1) or None for mask in range(8)]


def with_made_fields(view: LayerProfile) -> LayerProfile:
    """Layer with the rating of all units, and the phases that they are on, or that a flag for each tells."""
    for poles in pole_columns(view):
        if all(field.numeric == 1.0 and len(field.by_row) for field in poles) and _part_of("kva", poles):
            sql = " + ".join(f"coalesce({column_sql(field.name)}, 0)" for field in poles)
            each = [np.nan_to_num(field.by_row) for field in poles]
            view = _with(view, sql, pa.array(sum(each)), label="kva", of=poles)
            view = _with_phases(view, [f"{column_sql(f.name)} > 0" for f in poles], [n > 0 for n in each], of=poles)
        elif all(map(_flag, poles)) and (view.geometry == "lines" or _part_of("phases", poles)):
            there = [
                pc.is_in(as_text(view.columns[f.name]), value_set=pa.array(_yes(f), pa.large_string())) for f in poles
            ]
            masks = [mask.to_numpy(zero_copy_only=False) for mask in there]
            view = _with_phases(view, list(map(_yes_sql, poles)), masks, of=poles)
    mask = next((field for field in view.fields if view.geometry == "points" and _mask_of_closed(field)), None)
    return view if mask is None else _with_states(view, mask)


def _mask_of_closed(field: FieldProfile) -> bool:
    """Whether a column is a mask of the poles that are closed, or of those that are open."""
    named = name_likeness(field.label, aliases("switches", "state")) >= PART_OF
    whole = set(field.codes) <= set("01234567") and len(field.codes) > 1 and field.kind in ("integer", "number")
    return named and whole and "7" in field.codes and not set(field.codes) <= {"1", "7"}


def _with_states(view: LayerProfile, mask: FieldProfile) -> LayerProfile:
    """Layer with the state of each pole, by the same bits as phases have; the state of most devices is closed."""
    counts = dict(mask.counts)
    is_set, other = ("closed", "open") if counts.get("7", 0) > counts.get("0", 0) else ("open", "closed")
    numbers = np.nan_to_num(mask.by_row, nan=7.0 if is_set == "closed" else 0.0).astype(np.int64)
    for bit, pole in ((bit, pole) for bit, pole in PHASE_BITS.items() if len(pole) == 1):
        sql = f"case when ({column_sql(mask.name)} & {bit}) > 0 then '{is_set}' else '{other}' end"
        column = pa.array(np.where(numbers & int(bit) > 0, is_set, other), pa.large_string())
        view = _with(view, sql, column, label=f"state {pole.casefold()}", of=[mask])
    return view


def _part_of(ours: str, poles: Poles) -> bool:
    """Whether the names of the columns, but for the letter of the pole, are like those of one of our fields."""
    words = [word for word in tokens(poles[0].label) if word in tokens(poles[1].label)]
    return bool(words) and name_likeness(" ".join(words), aliases("transformers", ours)) >= PART_OF


def _flag(field: FieldProfile) -> bool:
    """Whether the values are yes and no, or yes and nothing, and some are yes."""
    spec = field_specs("transformers")["critical"]
    return bool(_yes(field)) and all(known_code(spec, value).ours for value in field.codes)


def _yes(field: FieldProfile) -> list[str]:
    spec, words = field_specs("transformers")["critical"], {"1", "true", "yes", "y", "t"}
    return [value for value in field.codes if {value.casefold(), known_code(spec, value).ours} & words]


def _yes_sql(field: FieldProfile) -> str:
    column, yes = column_sql(field.name), _yes(field)
    if field.kind == "yes/no":
        return column
    return f"{column} = 1" if field.kind in ("integer", "number") else f"{column} in ({', '.join(map(text_sql, yes))})"


def _with_phases(
    view: LayerProfile, sql: Sequence[str], there: Sequence[NDArray[np.bool_]], *, of: Poles
) -> LayerProfile:
    """Layer with phases put together, where no column holds them already."""
    names = [field.label for field in view.fields if field not in of]
    if any(name_likeness(name, aliases("transformers", "phases")) >= NAME_FITS for name in names):
        return view
    letters = ", ".join(f"case when {one} then '{letter}' end" for one, letter in zip(sql, LETTERS, strict=True))
    masks = np.sum([mask << i for i, mask in enumerate(there)], axis=0)
    column = pa.array(SPELLED, pa.large_string()).take(pa.array(masks))
    return _with(view, f"nullif(concat({letters}), '')", column, label="phases", of=of)


def _with(view: LayerProfile, sql: str, column: pa.Array, *, label: str, of: Poles) -> LayerProfile:
    name = f"{label} by {', '.join(field.name for field in of)}"
    made = profile_field(name, column, label=label, of=tuple(field.name for field in of))
    return replace(view, fields=(replace(made, sql=sql), *view.fields), columns={**view.columns, name: column})
