"""The survey's own layers, fields, codes and units (``data/input_fields.csv``, ``data/units.csv``)."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

from survey.physics.families import CONNECTIONS, CORES

Kind = Literal["id", "node", "text", "number", "code", "phases", "flag"]
AS_TEXT = (
    "text"  # instead of a unit: the value is a nameplate's text, such as 12470GRDY/7200, or has its unit beside it
)
WORDED_FIELDS = ("kv", "kva", "length_m")
REQUIRED_LAYERS = ("cables", "transformers", "switches")


@dataclass(frozen=True)
class FieldSpec:
    """One field of a layer.

    Parameters
    ----------
    layer, name
        Our names.
    kind
        How its values are read.
    required
        Whether the layer is refused without it.
    unit
        Unit the value is recorded in when the settings name no other; empty for what is not a number.
    positive
        Whether a number must be above 0; others may be 0.
    plausible
        Lowest and highest value to be expected of a number, in ``unit`` (common practice, no source).
    default
        Stands in for a missing value, as text; ``None`` where there is no default.
    codes
        Accepted values, for ``code`` and ``flag``.
    meaning
        For messages and drafts.
    """

    layer: str
    name: str
    kind: Kind
    required: bool
    unit: str
    positive: bool
    plausible: tuple[float, float] | None
    default: str | None
    codes: tuple[str, ...]
    meaning: str

    @property
    def quantity(self) -> str:
        """Quantity of a number, for example ``length``; empty for what is not a number."""
        return unit_table()[self.unit][0] if self.unit else ""


@cache
def field_specs(layer: str) -> Mapping[str, FieldSpec]:
    """Fields of one layer by our names, in the order of the documentation."""
    with files("survey").joinpath("data", "input_fields.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["layer"] == layer]
    return MappingProxyType({row["field"]: _spec(row) for row in rows})


def _spec(row: dict[str, str]) -> FieldSpec:
    kind: Kind = row["kind"]  # type: ignore[assignment]  # the file is ours; a test checks its kinds
    return FieldSpec(
        layer=row["layer"],
        name=row["field"],
        kind=kind,
        required=row["required"] == "1",
        unit=row["unit"],
        positive=row["positive"] == "1",
        plausible=(float(row["plausible_from"]), float(row["plausible_to"])) if row["plausible_from"] else None,
        default=row["default"] or None,
        codes=_codes(row),
        meaning=row["meaning"],
    )


def _codes(row: dict[str, str]) -> tuple[str, ...]:
    """Codes of a field; those of windings stand in the table of families."""
    of_windings = {"connection": CONNECTIONS, "core": CORES}.get(row["field"])
    return of_windings or tuple(filter(None, row["codes"].split("|")))


@cache
def unit_table() -> Mapping[str, tuple[str, float]]:
    """Quantity and factor to SI of every unit, by its symbol."""
    with files("survey").joinpath("data", "units.csv").open(encoding="utf-8") as stream:
        return MappingProxyType({r["unit"]: (r["quantity"], float(r["to_si"])) for r in csv.DictReader(stream)})


def units_of(quantity: str) -> dict[str, float]:
    """Units of one quantity with their factors to SI."""
    return {unit: factor for unit, (of, factor) in unit_table().items() if of == quantity}


def find_unit(quantity: str, symbol: str) -> float | None:
    """Factor to SI of a unit written in any case (``KV``, ``kv``), or ``None`` when it is not one of the quantity.

    Exact spelling wins, so that symbols that differ in case only (``MW``, ``mW``) could be told apart.
    """
    units = units_of(quantity)
    if symbol in units:
        return units[symbol]
    folded = {unit.casefold(): factor for unit, factor in units.items()}
    return folded.get(symbol.strip().casefold())


def fold_code(text: str) -> str:
    """Form in which codes are compared: lower case; spaces, hyphens and underscores alike."""
    return "_".join(text.casefold().replace("-", " ").replace("_", " ").split())


def phase_mask(text: str) -> int | None:
    """Phases as a mask (A=1, B=2, C=4), or ``None`` when the text is not made of A, B, C, each once at most."""
    letters = "".join(text.split()).replace("-", "").replace(",", "").upper()
    if not letters or set(letters) - set("ABC") or len(set(letters)) != len(letters):
        return None
    return sum(1 << "ABC".index(letter) for letter in letters)


def accepted_values(spec: FieldSpec) -> str:
    """What a coded field takes, in words."""
    if spec.kind == "number":
        return "a number, in the unit of the field"
    return ", ".join(spec.codes) or "A, B, C and their combinations"
