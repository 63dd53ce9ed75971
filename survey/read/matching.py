"""Which layer and field of the export is which of ours: by the settings, else by name without regard to case."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from survey.errors import FieldError, LayerError
from survey.input_schema import REQUIRED_LAYERS, field_specs
from survey.input_settings import LAYERS, InputSettings, LayerMap
from survey.read.formats import LayerInfo, RawLayer
from survey.read.geometry import RawLines, RawPoints

DRAFT = ", or draft the settings with survey inspect"
"""What always helps where names do not fit."""


@dataclass(frozen=True)
class MatchedLayer:
    """A layer of the export that stands for one of ours.

    ``name`` our name; ``info`` the export's layer; ``fields`` the export's field for each of ours that is there.
    """

    name: str
    info: LayerInfo
    fields: dict[str, str]


def match_layers(infos: Sequence[LayerInfo], *, settings: InputSettings, path: Path) -> dict[str, MatchedLayer]:
    """Find our layers that are one of the export's as it is.

    Raises ``LayerError``: a required layer, or one the settings name, is not there; ``FieldError``: a field the
    settings name is not there.
    """
    plain = {name: mapping for name in LAYERS if not (mapping := getattr(settings, name)).composed}
    found = (match_layer(infos, name=name, mapping=mapping, path=path) for name, mapping in plain.items())
    return {matched.name: matched for matched in found if matched is not None}


def match_layer(infos: Sequence[LayerInfo], *, name: str, mapping: LayerMap, path: Path) -> MatchedLayer | None:
    """Find one of our layers; ``None`` where it is not there, not required and not named in the settings.

    Raises ``LayerError``, ``FieldError``: as for :func:`match_layers`.
    """
    info = _find_layer(infos, name=name, mapping=mapping, path=path)
    return None if info is None else MatchedLayer(name, info, match_fields(info, name=name, mapping=mapping))


def _find_layer(infos: Sequence[LayerInfo], *, name: str, mapping: LayerMap, path: Path) -> LayerInfo | None:
    optional = mapping.layer is None and name not in REQUIRED_LAYERS
    if optional and find_name(name, [info.name for info in infos]) is None:
        return None
    return find_layer(infos, wanted=mapping.layer or name, key=f"input.{name}.layer", path=path)


def find_layer(infos: Sequence[LayerInfo], *, wanted: str, key: str, path: Path) -> LayerInfo:
    """Layer or table of the export by name.

    Raises ``LayerError``: it is not there.
    """
    found = find_name(wanted, [info.name for info in infos])
    if found is not None:
        return next(info for info in infos if info.name == found)
    existing = ", ".join(f"'{info.name}'" for info in infos) or "none"
    msg = f"{path}: layer '{wanted}' is missing; layers there: {existing}; name the right one in settings key {key}"
    raise LayerError(msg + suggest(wanted, [info.name for info in infos]) + DRAFT)


def match_fields(info: LayerInfo, *, name: str, mapping: LayerMap) -> dict[str, str]:
    """Columns of our fields: those named in the settings, then those of our own name that no setting has taken."""
    fields = {}
    said = {ours: theirs for ours, theirs in mapping.fields.items() if isinstance(theirs, str)}
    taken = {find_name(theirs, info.fields) for theirs in said.values()}
    for ours in field_specs(name):
        found = find_name(said.get(ours, ours), info.fields)
        if ours in said:
            if found is None:
                raise missing_field(info, theirs=said[ours], key=f"input.{name}.fields.{ours}")
            fields[ours] = found
        elif found is not None and found not in taken:
            fields[ours] = found
    return fields


def require_fields(raw: RawLayer, *, matched: MatchedLayer, mapping: LayerMap) -> None:
    """Refuse a layer without a required field; an empty layer passes.

    Raises ``FieldError``: the field is neither there nor has a default in the settings.
    """
    if raw.rows == 0:
        return
    for spec in field_specs(matched.name).values():
        if spec.required and spec.name not in matched.fields and spec.name not in mapping.defaults:
            key, taken = f"input.{matched.name}.fields.{spec.name}", matched.fields.values()
            raise missing_field(raw.info, theirs=spec.name, key=key, taken=taken)


def refuse_undrawn(raw: RawLayer, drawn: RawLines | RawPoints, *, matched: MatchedLayer) -> None:
    """Refuse a layer none of whose rows has a place: drawn as something else, or not at all, and without node ids.

    Raises ``LayerError``: a survey of it would be one of nothing.
    """
    nodes = ("from_node", "to_node") if matched.name == "cables" else ("node",)
    by_node = all(name in matched.fields and raw.columns[matched.fields[name]].null_count < raw.rows for name in nodes)
    wrong, none = (len(drawn.problems.get(problem, ())) for problem in ("wrong_geometry", "null_geometry"))
    if not raw.rows or by_node or wrong + none < raw.rows:
        return
    expected = "lines" if matched.name == "cables" else "points"
    found = f"are drawn as something else than {expected}" if wrong else "have no geometry"
    msg = (
        f"{raw.info.file}, layer '{raw.info.name}': all {raw.rows:,} rows {found}, and no node ids are mapped; "
        f"{matched.name} need {expected}; name another layer in settings key input.{matched.name}.layer, or join one "
        "that is drawn"
    )
    if wrong and matched.name == "switches":
        msg += "; where devices are drawn as lines, name their layer in input.cables.parts, too"
    raise LayerError(msg + DRAFT)


def missing_field(info: LayerInfo, *, theirs: str, key: str, taken: Collection[str] = ()) -> FieldError:
    """Refusal of a field that is not there, with those that are; ``taken``: fields that are something else."""
    free = [field for field in info.fields if field not in taken]
    existing = ", ".join(f"'{field}'" for field in info.fields) or "none"
    msg = f"{info.file}, layer '{info.name}': field '{theirs}' is missing; fields there: {existing}; "
    return FieldError(msg + f"name the right one in settings key {key}" + suggest(theirs, free) + DRAFT)


def find_name(wanted: str, names: Sequence[str]) -> str | None:
    """Return a name as it is spelled among those that exist; letter case does not matter."""
    if wanted in names:
        return wanted
    folded = [name for name in names if name.casefold() == wanted.casefold()]
    return folded[0] if folded else None


def suggest(wanted: str, names: Sequence[str]) -> str:
    """Name the existing one that is spelled most like it, ``""`` when none is."""
    folded = {name.casefold(): name for name in names}
    close = get_close_matches(wanted.casefold(), folded, n=1, cutoff=0.6)
    return f" (perhaps '{folded[close[0]]}')" if close else ""
