"""Cable texts that lie in several columns: size, material, insulation, wall."""

from dataclasses import replace

import pyarrow as pa
import pyarrow.compute as pc

from survey.read.cable_text import parse_cable_text
from survey.read.columns import as_text
from survey.read.guess_words import plain_words
from survey.read.profile import FieldProfile, LayerProfile, profile_field

MOST_READ = 60
CUT = 4  # letters that are left of a word that is cut short, at least
SPELLED = ("material", "insulation")  # parts that have words; the others have numbers
PARTS = {
    "size": (
        "size",
        "sz",
        "gauge",
        "kcmil",
        "awg",
        "calibre",
        "seccion",
        "section",
        "sect",
        "querschnitt",
        "bitola",
        "secao",
        "mm",
    ),
    "material": ("material", "mat", "matl", "metal", "leitermaterial", "materiau", "nat", "nature"),
    "insulation": (
        "insulation",
        "insul",
        "ins",
        "aislamiento",
        "aislacion",
        "isolacao",
        "isolant",
        "isol",
        "isolation",
        "isolierung",
    ),
    "wall": ("wall", "level", "thickness", "pct", "espesor", "mils"),
    "class": ("rating", "class", "clase", "insvolt", "ratedkv"),
}


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
        if field.codes and not field.columns and named and (part in SPELLED or any(map(_has_digit, field.codes))):
            return field
    return None


def _has_digit(text: str) -> bool:
    return any(letter.isdigit() for letter in text)


def _read(field: FieldProfile) -> float:
    """How much of a cable the values of a field tell: size, material and insulation, each as one."""
    if field.kind not in ("text", "integer", "number") or not field.codes:
        return 0.0
    cables = [parse_cable_text(text) for text in field.codes[:MOST_READ]]
    told = [bool(c.conductor_size) + bool(c.conductor_material) + bool(c.insulation) for c in cables]
    return sum(told) / len(told)
