"""A draft of the settings from an inspection: TOML with the evidence beside every line, unsure lines marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import tomlkit

from survey.input_schema import REQUIRED_LAYERS, accepted_values, field_specs
from survey.read.mapped import BY
from survey.tomltext import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any

    from survey.read.guess_types import FieldGuess, LayerGuess
    from survey.read.inspect import Inspection
    from survey.read.profile import LayerProfile

UNSURE = "# UNSURE"
DEFAULT_CRS_HINT = '# crs = "EPSG:32614"'


def draft_settings(inspection: Inspection, *, others: Mapping[str, Any] | None = None) -> str:
    """Settings file for an export, as text.

    A line that is sure is in force. One that is not ends in ``# UNSURE`` and its evidence: in force where the survey
    could not run without it, otherwise commented out.

    Parameters
    ----------
    inspection
        What was found, and what was known before.
    others
        Sections that are not about the input; they are put at the end as they are.
    """
    lines = [
        f"# Draft settings for {_plain(inspection.path.name)}. Every line says why. Look at those marked UNSURE:",
        "# those in force are needed or do no harm; those commented out come into force when the '# ' before them is",
        "# taken away.",
        "",
        "[input]",
        *_crs_lines(inspection),
    ]
    for guess in inspection.guesses.values():
        lines += ["", *_layer_lines(guess, inspection)]
    if inspection.told.cable_type_patterns:
        lines += ["", "[input.cable_type_patterns]"]
        lines += [f"{quoted(text)} = {quoted(kind)}" for text, kind in inspection.told.cable_type_patterns.items()]
    if others:
        lines += ["", tomlkit.dumps(others).rstrip()]
    return "\n".join(lines) + "\n"


def _crs_lines(inspection: Inspection) -> Iterator[str]:
    if inspection.told.crs:
        yield f"crs = {quoted(inspection.told.crs)}  # {BY}"
        return
    used = {guess.theirs for guess in inspection.guesses.values() if guess.theirs}
    for layer in inspection.layers:
        if layer.name in used and layer.crs is None and layer.geometry in ("lines", "points", "mixed"):
            extent = ", ".join(f"{value:g}" for value in layer.extent or ())
            what = f"layer {_plain(layer.name)} has no coordinate system (extent {extent}); name it"
            yield f"{DEFAULT_CRS_HINT}  {UNSURE}: {what}"
            return


def _layer_lines(guess: LayerGuess, inspection: Inspection) -> Iterator[str]:
    yield f"[input.{guess.ours}]"
    if not guess.theirs:
        needed = "needed" if guess.ours in REQUIRED_LAYERS else "may be missing"
        yield f'# layer = ""  {UNSURE}: {guess.evidence}; {needed}'
        return
    in_force = guess.sure or guess.ours in REQUIRED_LAYERS
    for line in _mapping_lines(guess, inspection):
        yield line if in_force or line.lstrip().startswith("#") or not line else _commented(line)


def _commented(line: str) -> str:
    """Comment out a line; the empty one that may stand before it is kept."""
    return "\n# " + line[1:] if line.startswith("\n") else f"# {line}"


def _mapping_lines(guess: LayerGuess, inspection: Inspection) -> Iterator[str]:
    yield f"layer = {quoted(guess.theirs)}  {_why(guess.evidence, sure=guess.sure)}"
    yield from _field_lines(guess)
    yield from _unit_lines(guess)
    yield from _default_lines(guess)
    yield from _code_lines(guess)
    yield from _unused_lines(guess, inspection.layer(guess.theirs))


def _field_lines(guess: LayerGuess) -> Iterator[str]:
    yield f"\n[input.{guess.ours}.fields]"
    for ours, spec in field_specs(guess.ours).items():
        found = guess.fields.get(ours)
        if found is not None:
            line = f"{ours} = {quoted(found.theirs)}  {_why(found.evidence, sure=found.sure)}"
            yield line if _in_force(guess, found) else f"# {line}"
        elif spec.required and not _stand_in(spec.default) and ours not in guess.defaults:
            yield f'# {ours} = ""  {UNSURE}: nothing like it was found; needed ({spec.meaning})'


def _in_force(guess: LayerGuess, found: FieldGuess) -> bool:
    return found.sure or field_specs(guess.ours)[found.ours].required


def _stand_in(default: str | None) -> bool:
    return default is not None


def _unit_lines(guess: LayerGuess) -> Iterator[str]:
    lines = []
    for ours, found in guess.fields.items():
        values = found.values
        if not values.unit and values.unit_sure:
            continue
        unit = values.unit or field_specs(guess.ours)[ours].unit
        line = f"{ours} = {quoted(unit)}  {_why(values.evidence, sure=values.unit_sure)}"
        lines.append(line if _in_force(guess, found) else f"# {line}")
    if lines:
        yield f"\n[input.{guess.ours}.units]"
        yield from lines


def _default_lines(guess: LayerGuess) -> Iterator[str]:
    """Write a default for what is required, has a safe stand-in and was not found."""
    missing = [
        spec
        for ours, spec in field_specs(guess.ours).items()
        if spec.required and _stand_in(spec.default) and ours not in guess.fields and ours not in guess.defaults
    ]
    if missing or guess.defaults:
        yield f"\n[input.{guess.ours}.defaults]"
    for ours, value in guess.defaults.items():
        yield f"{ours} = {quoted(value) if isinstance(value, str) else repr(value)}  # {BY}"
    for spec in missing:
        yield f"{spec.name} = {quoted(str(spec.default))}  {UNSURE}: nothing like it was found; the safe side stands in"


def _code_lines(guess: LayerGuess) -> Iterator[str]:
    for ours, found in guess.fields.items():
        if not found.values.codes:
            continue
        yield f"\n[input.{guess.ours}.codes.{ours}]"
        spec = field_specs(guess.ours)[ours]
        for code in found.values.codes:
            if not code.ours:
                yield f'# {quoted(code.theirs)} = ""  {UNSURE}: not known; choices: {accepted_values(spec)}'
            elif code.sure and _in_force(guess, found):
                yield f"{quoted(code.theirs)} = {quoted(code.ours)}"
            elif ours == "phases" and _in_force(guess, found):
                number = len(code.ours)
                yield f"{quoted(code.theirs)} = {quoted(code.ours)}  {UNSURE}: {number} of three, but which is not said"
            else:
                yield f"# {quoted(code.theirs)} = {quoted(code.ours)}  {UNSURE}: usual meaning, not the only one"


def _unused_lines(guess: LayerGuess, profile: LayerProfile) -> Iterator[str]:
    used = {found.theirs for found in guess.fields.values()}
    unused = [field.name for field in profile.fields if field.name not in used]
    if unused:
        yield f"\n# fields of {_plain(guess.theirs)} that were not matched: {', '.join(map(_plain, unused))}"


def _why(evidence: str, *, sure: bool) -> str:
    return f"# {_plain(evidence)}" if sure else f"{UNSURE}: {_plain(evidence)}"


def _plain(text: str) -> str:
    """Text that cannot end a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
