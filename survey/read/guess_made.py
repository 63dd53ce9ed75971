"""What an export parts over several columns, put together: phases, ratings of the units of a bank, cable texts."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Bools
from survey.input_schema import field_specs
from survey.read.cable_text import parse_cable_text
from survey.read.columns import as_text
from survey.read.guess import NAME_FITS, aliases, name_likeness, pole_columns, tokens
from survey.read.guess_values import PHASE_BITS, known_code
from survey.read.guess_words import plain_words
from survey.read.profile import FieldProfile, LayerProfile, profile_field
from survey.read.query import column_sql, text_sql

Poles = Sequence[FieldProfile]

PART_OF = 0.6  # likeness of a name without the pole's letter to that of the field it is a part of
LETTERS = "ABC"
SPELLED = ["".join(letter for i, letter in enumerate(LETTERS) if mask >> i & 1) or None for mask in range(8)]
MOST_READ = 60
CUT = 4  # letters that are left of a word that is cut short, at least
SPELLED_TYPES = ("material", "insulation")  # parts that have words; the others have numbers
PARTS = {
    "size": (
        *("size", "sz", "gauge", "kcmil", "awg", "mm"),
        *("calibre", "seccion", "section", "sect", "querschnitt", "bitola", "secao"),
    ),
    "material": ("material", "mat", "matl", "metal", "leitermaterial", "materiau", "nat", "nature"),
    "insulation": (
        *("insulation", "insul", "ins", "isol", "isolation"),
        *("aislamiento", "aislacion", "isolacao", "isolant", "isolierung"),
    ),
    "wall": ("wall", "level", "thickness", "pct", "espesor", "mils"),
    "class": ("rating", "class", "clase", "insvolt", "ratedkv"),
}


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


def _with_phases(view: LayerProfile, sql: Sequence[str], there: Sequence[Bools], *, of: Poles) -> LayerProfile:
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


def with_cable_text(view: LayerProfile) -> LayerProfile:
    """Layer of lines with a field that puts size, material, insulation and wall together, where that reads better."""
    if view.geometry != "lines":
        return view
    parts = [field for part in PARTS if (field := _part(view, part)) is not None]
    parts = list({field.name: field for field in parts}.values())
    if len(parts) < len(("size", "another")):
        return view
    columns = [pc.fill_null(as_text(view.columns[field.name]), "") for field in parts]
    text = pc.binary_join_element_wise(*columns, pa.scalar(" ", pa.large_string()))
    name = " + ".join(field.name for field in parts)
    joined = profile_field(name, text, label="cable type", of=tuple(field.name for field in parts))
    if _read(joined) <= max(_read(field) for field in view.fields):
        return view
    return replace(view, fields=(joined, *view.fields), columns={**view.columns, name: text})


def _part(view: LayerProfile, part: str) -> FieldProfile | None:
    """First field that by its name is one part of a cable's text, and is none of free text."""
    for field in view.fields:
        words = plain_words(field.label).split()
        named = any(
            known.startswith(word) for word in words for known in PARTS[part] if len(word) >= CUT or word == known
        )
        sizes = any(letter.isdigit() for letter in "".join(field.codes))
        if field.codes and not field.columns and named and (part in SPELLED_TYPES or sizes):
            return field
    return None


def _read(field: FieldProfile) -> float:
    """How much of a cable the values of a field tell: size, material and insulation, each as one."""
    if field.kind not in ("text", "integer", "number") or not field.codes:
        return 0.0
    cables = [parse_cable_text(text) for text in field.codes[:MOST_READ]]
    told = [bool(c.conductor_size) + bool(c.conductor_material) + bool(c.insulation) for c in cables]
    return sum(told) / len(told)
