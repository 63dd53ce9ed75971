"""Which layer and field of the export is which of ours: by the settings, else by name without regard to case."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING

from survey.errors import FieldError, LayerError
from survey.input_schema import REQUIRED_LAYERS, field_specs
from survey.settings import LAYERS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from survey.read.formats import LayerInfo, RawLayer
    from survey.settings import InputSettings, LayerMap

DRAFT = ", or draft the settings with survey inspect"
"""What always helps where names do not fit."""


@dataclass(frozen=True)
class MatchedLayer:
    """A layer of the export that stands for one of ours.

    Parameters
    ----------
    name
        Our name.
    info
        The export's layer.
    fields
        The export's field for each of ours that is there.
    """

    name: str
    info: LayerInfo
    fields: dict[str, str]


def match_layers(infos: Sequence[LayerInfo], *, settings: InputSettings, path: Path) -> dict[str, MatchedLayer]:
    """Find our layers among those of the export.

    Raises
    ------
    LayerError
        A required layer, or one the settings name, is not there.
    FieldError
        A field the settings name is not there.
    """
    found = (match_layer(infos, name=name, mapping=getattr(settings, name), path=path) for name in LAYERS)
    return {matched.name: matched for matched in found if matched is not None}


def match_layer(infos: Sequence[LayerInfo], *, name: str, mapping: LayerMap, path: Path) -> MatchedLayer | None:
    """Find one of our layers; ``None`` where it is not there, not required and not named in the settings.

    Raises
    ------
    LayerError, FieldError
        As for :func:`match_layers`.
    """
    info = _find_layer(infos, name=name, mapping=mapping, path=path)
    return None if info is None else MatchedLayer(name, info, _match_fields(info, name=name, mapping=mapping))


def _find_layer(infos: Sequence[LayerInfo], *, name: str, mapping: LayerMap, path: Path) -> LayerInfo | None:
    wanted = mapping.layer or name
    found = _find_name(wanted, [info.name for info in infos])
    if found is not None:
        return next(info for info in infos if info.name == found)
    if mapping.layer is None and name not in REQUIRED_LAYERS:
        return None
    key = f"input.{name}.layer"
    existing = ", ".join(f"'{info.name}'" for info in infos) or "none"
    msg = f"{path}: layer '{wanted}' is missing; layers there: {existing}; name the right one in settings key {key}"
    raise LayerError(msg + _suggest(wanted, [info.name for info in infos]) + DRAFT)


def _match_fields(info: LayerInfo, *, name: str, mapping: LayerMap) -> dict[str, str]:
    """Columns of our fields: those named in the settings, then those of our own name that no setting has taken."""
    fields = {}
    taken = {_find_name(theirs, info.fields) for theirs in mapping.fields.values()}
    for ours in field_specs(name):
        found = _find_name(mapping.fields.get(ours, ours), info.fields)
        if ours in mapping.fields:
            if found is None:
                raise _missing_field(info, theirs=mapping.fields[ours], key=f"input.{name}.fields.{ours}")
            fields[ours] = found
        elif found is not None and found not in taken:
            fields[ours] = found
    return fields


def require_fields(raw: RawLayer, *, matched: MatchedLayer, mapping: LayerMap) -> None:
    """Refuse a layer without a required field; an empty layer passes.

    Raises
    ------
    FieldError
        The field is neither there nor has a default in the settings.
    """
    if raw.rows == 0:
        return
    for spec in field_specs(matched.name).values():
        if spec.required and spec.name not in matched.fields and spec.name not in mapping.defaults:
            raise _missing_field(raw.info, theirs=spec.name, key=f"input.{matched.name}.fields.{spec.name}")


def _missing_field(info: LayerInfo, *, theirs: str, key: str) -> FieldError:
    existing = ", ".join(f"'{field}'" for field in info.fields) or "none"
    msg = f"{info.file}, layer '{info.name}': field '{theirs}' is missing; fields there: {existing}; "
    return FieldError(msg + f"name the right one in settings key {key}" + _suggest(theirs, info.fields) + DRAFT)


def _find_name(wanted: str, names: Sequence[str]) -> str | None:
    if wanted in names:
        return wanted
    folded = [name for name in names if name.casefold() == wanted.casefold()]
    return folded[0] if folded else None


def _suggest(wanted: str, names: Sequence[str]) -> str:
    folded = {name.casefold(): name for name in names}
    close = get_close_matches(wanted.casefold(), folded, n=1, cutoff=0.6)
    return f" (perhaps '{folded[close[0]]}')" if close else ""
