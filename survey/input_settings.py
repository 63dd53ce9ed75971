"""What the settings say of the export: which layers, rows, tables and columns make the survey's own layers."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

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

LAYERS = ("cables", "transformers", "switches", "sources")
NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
Name = Annotated[str, Field(min_length=1)]
Columns = Name | Annotated[tuple[Name, ...], Field(min_length=1)]


class Section(BaseModel):
    """A part of the settings: frozen, and strict about unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Join(Section):
    """Columns of another table of the export.

    ``on`` gives, for a column of the layer (or of a table joined before it, as ``name.column``), the column of the
    table whose value is the same; ``table`` is the table's name where it is not the name of the join; ``where`` is an
    SQL condition on the table's rows.
    """

    on: Annotated[dict[str, Name], Field(min_length=1)]
    table: Name | None = None
    where: Name | None = None


class Part(Section):
    """Rows of one layer of an export, and how they map to the survey's own names.

    ``layer`` is the export's layer name; ``where`` an SQL condition that its rows meet; ``joins`` adds tables by name.
    ``fields`` maps our field name to theirs (``name.column`` for one of a joined table, several are put together as
    text), ``values`` to an SQL expression; ``codes`` maps, for one of our fields, their coded value to ours (for
    numbers ``""`` is: not known); ``units`` names the unit a number is recorded in (``ft``, ``mi``, ``V`` ...);
    ``phase_bits`` the phases that the bits 1, 2 and 4 of a mask stand for; ``defaults`` stand in for missing values, in
    our own units.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", coerce_numbers_to_str=True)

    layer: Name | None = None
    where: Name | None = None
    joins: dict[str, Join] = Field(default_factory=dict)
    fields: dict[str, Columns] = Field(default_factory=dict)
    values: dict[str, Name] = Field(default_factory=dict)
    codes: dict[str, dict[str, str]] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    phase_bits: Literal["ABC", "ACB", "BAC", "BCA", "CAB", "CBA"] | None = None
    defaults: dict[str, str | float] = Field(default_factory=dict)


class LayerMap(Part):
    """How one of the survey's layers is made.

    Of one layer, as in :class:`Part`; or of several ``parts`` (what is said beside them holds for all); or by an SQL
    ``query`` over layers and tables of the export, whose columns are then mapped as those of a layer are.
    """

    parts: tuple[Part, ...] = ()
    query: Name | None = None

    @property
    def composed(self) -> bool:
        """Whether it is more than one layer as it is."""
        return bool(self.parts or self.query or self.where or self.joins or self.values) or any(
            not isinstance(theirs, str) for theirs in self.fields.values()
        )

    @model_validator(mode="after")
    def _made_in_one_way(self) -> LayerMap:
        rows = [key for key in ("layer", "where", "joins", "values", "phase_bits") if getattr(self, key)]
        if self.query and (self.parts or rows not in ([], ["phase_bits"])):
            msg = "query stands alone: layer, where, joins and parts belong into it"
            raise ValueError(msg)
        if self.parts and (rows or not all(part.layer for part in self.parts)):
            msg = f"every part names its layer, and {', '.join(rows) or 'layer'} belongs into the parts"
            raise ValueError(msg)
        return self


class InputSettings(Section):
    """Layer, field, code and unit names of the export; ``crs`` only for layers that come without one.

    ``ignore`` names layers that are no part of the network, so that nobody is told that they are left out.
    """

    crs: str | None = None
    ignore: tuple[str, ...] = ()
    cables: LayerMap = LayerMap()
    transformers: LayerMap = LayerMap()
    switches: LayerMap = LayerMap()
    sources: LayerMap = LayerMap()
    cable_type_patterns: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names_are_known(self) -> InputSettings:
        for layer in LAYERS:
            mapping: LayerMap = getattr(self, layer)
            _check_part(layer, mapping, where="")
            for number, part in enumerate(mapping.parts, start=1):
                _check_part(layer, part, where=f"parts[{number}].")
        for pattern in self.cable_type_patterns:
            try:
                re.compile(pattern)
            except re.error as error:
                _refuse("input.cable_type_patterns", f"{pattern!r} is not a regular expression ({error})")
        return self


def _check_part(layer: str, part: Part, *, where: str) -> None:
    for kind in ("fields", "values", "codes", "units", "defaults"):
        for field, value in getattr(part, kind).items():
            _check_mapped(layer, kind=kind, field=field, value=value, where=where)
    twice = sorted(set(part.fields) & set(part.values))
    if twice:
        _refuse(f"input.{layer}.{where}values.{twice[0]}", "is in fields, too; keep one of them")


def _check_mapped(layer: str, *, kind: str, field: str, value: Any, where: str) -> None:  # noqa: ANN401
    """Refuse one entry of a layer's mapping that the survey has no use for."""
    specs = field_specs(layer)
    key = f"input.{layer}.{where}{kind}.{field}"
    if field not in specs:
        _refuse(key, f"is not a field of the survey; choices: {', '.join(specs)}")
    if kind == "codes":
        _check_codes(specs[field], key, value)
    elif kind == "units":
        _check_unit(specs[field], key, value)
    elif kind == "defaults":
        _check_default(specs[field], key, value)


def _check_codes(spec: FieldSpec, key: str, codes: dict[str, str]) -> None:
    if spec.kind in ("id", "node"):
        _refuse(key, "has no codes; ids are the assets' own")
    for theirs, ours in codes.items():
        if not _is_accepted(spec, ours) and (ours or spec.kind != "number"):
            _refuse(f"{key}.{theirs}", f"found {ours!r}; choices: {accepted_values(spec)}")


def _check_unit(spec: FieldSpec, key: str, unit: str) -> None:
    if spec.kind != "number":
        _refuse(key, "has no unit; units are for numbers")
    choices = [*units_of(spec.quantity), *([AS_TEXT] if spec.name in WORDED_FIELDS else [])]
    if find_unit(spec.quantity, unit) is None and unit not in choices:
        _refuse(key, f"found {unit!r}; choices: {', '.join(choices)}")


def _check_default(spec: FieldSpec, key: str, value: str | float) -> None:
    if spec.kind in ("id", "node"):
        _refuse(key, "cannot have a default; ids are the assets' own")
    if spec.kind == "number":
        least = "above 0" if spec.positive else "of 0 or more"
        usable = isinstance(value, float) and 0 <= value < float("inf") and not (spec.positive and value == 0)
        if not usable:
            _refuse(key, f"found {value!r}; expected a number {least}, in {spec.unit}")
    elif not _is_accepted(spec, str(value)):
        _refuse(key, f"found {value!r}; choices: {accepted_values(spec)}")


def _is_accepted(spec: FieldSpec, value: str) -> bool:
    if spec.kind == "phases":
        return phase_mask(value) is not None
    if spec.kind == "number":
        return NUMBER.match(value) is not None or spec.name in WORDED_FIELDS
    return not spec.codes or fold_code(value) in spec.codes


def _refuse(key: str, problem: str) -> NoReturn:
    code = "input_map"
    template = "{problem}"
    raise PydanticCustomError(code, template, {"key": key, "problem": problem})
