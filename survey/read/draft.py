"""A draft of the settings from an inspection: TOML with the evidence beside every line, unsure lines marked."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

import tomlkit

from survey.input_schema import REQUIRED_LAYERS, FieldSpec, accepted_values, field_specs
from survey.input_settings import LayerMap
from survey.read.cable_text import parse_cable_text, sizes_are_metric
from survey.read.guess_types import FieldGuess, LayerGuess
from survey.read.guess_values import CodeGuess
from survey.read.guess_words import NO_ROLE
from survey.read.inspect import BY, Inspection, asked_for
from survey.read.profile import LayerProfile
from survey.read.query import column_sql
from survey.wrapped import quoted

UNSURE = "# UNSURE"
POLES = (
    "usual meaning, not the only one; what is not said counts as single",
    "three-pole by its kind alone: every survey tells of it until it says three or single",
)
WITHOUT = {
    "cable_type": "a capacitance on the large side stands in",
    "build": "all count as shielded cable",
    "connection": "the worst stands in",
    "device": "it is not named",
}
DEFAULT_CRS_HINT = '# crs = "EPSG:32614"'


def draft_settings(inspection: Inspection, *, others: Mapping[str, Any] | None = None) -> str:
    """Settings file for an export, as text.

    A line that is sure is in force. One that is not ends in ``# UNSURE`` and its evidence: in force where the survey
    could not run without it, otherwise commented out.

    ``inspection``: what was found, and what was known before. ``others``: sections that are not about the input; they
    are put at the end as they are.
    """
    lines = [
        f"# Draft settings for {_plain(inspection.path.name)}. Every line says why. Look at those marked UNSURE:",
        "# those in force are needed or do no harm; those commented out come into force when the '# ' before them is",
        "# taken away.",
        "",
        "[input]",
        *_crs_lines(inspection),
        *_ignore_lines(inspection),
    ]
    for guess in inspection.guesses.values():
        lines += ["", *_layer_lines(guess, inspection)]
    patterns = [f"{quoted(text)} = {quoted(kind)}" for text, kind in inspection.told.cable_type_patterns.items()]
    patterns += _size_lines(inspection)
    if patterns:
        lines += ["", "[input.cable_type_patterns]", *patterns]
    if "electrical" not in (others or {}):
        lines += ["", "[electrical]", f"frequency_hz = 60  {UNSURE}: no export tells it; 50 or 60"]
    if others:
        lines += ["", tomlkit.dumps(others).rstrip()]
    return "\n".join(lines) + "\n"


def _size_lines(inspection: Inspection) -> Iterator[str]:
    """Lines for cable sizes without a unit that may be kcmil or mm², where the other texts do not tell which."""
    found = [
        (part, part.fields["cable_type"]) for part in inspection.guesses["cables"].parts if "cable_type" in part.fields
    ]
    codes = [code for part, field in found for code in inspection.layer(part.theirs).field(field.theirs).codes]
    texts = sorted({" ".join(code.split()) for code in codes} - set(inspection.told.cable_type_patterns))
    if sizes_are_metric(texts) is not None:
        return
    for text in texts:
        cable, size = parse_cable_text(text), parse_cable_text(text).conductor_size
        if cable.is_cable and size != parse_cable_text(text, metric=True).conductor_size:
            line = f"{quoted(f'^{re.escape(text)}$')} = {quoted(text.replace(size, f'{size}mm2', 1))}"
            yield f"# {line}  {UNSURE}: {size} has no unit; read as kcmil, with this line as mm²"


def _crs_lines(inspection: Inspection) -> Iterator[str]:
    if inspection.told.crs:
        yield f"crs = {quoted(inspection.told.crs)}  # {BY}"
        return
    used = {part.theirs for guess in inspection.guesses.values() for part in guess.parts if part.theirs}
    for layer in inspection.views:
        if layer.title in used and layer.crs is None and layer.geometry in ("lines", "points", "mixed"):
            extent = ", ".join(f"{value:g}" for value in layer.extent or ())
            what = f"layer {_plain(layer.name)} has no coordinate system (extent {extent}); put its EPSG code here"
            yield f"{DEFAULT_CRS_HINT}  {UNSURE}: {what}"
            return


def _ignore_lines(inspection: Inspection) -> Iterator[str]:
    """Layers that by their names are no part of the primary network; what the settings name stays named."""
    told = inspection.told.ignore
    outside = [x for x in inspection.layers if (x.hint, x.geometry) == (NO_ROLE, "lines") and x.name not in told]
    names = [*told, *(layer.name for layer in outside)]
    if names:
        words = "; ".join(f"{layer.told.word} in the name of {_plain(layer.name)}" for layer in outside)
        yield f"ignore = [{', '.join(map(quoted, names))}]  # {words or BY}"


def _layer_lines(guess: LayerGuess, inspection: Inspection) -> Iterator[str]:
    said: LayerMap = getattr(inspection.told, guess.ours)
    if said.composed:
        yield from _said_lines(guess.ours, said)
        return
    if not guess.theirs:
        needed = "needed" if guess.ours in REQUIRED_LAYERS else "may be missing"
        yield f"[input.{guess.ours}]"
        yield f'# layer = ""  {UNSURE}: {guess.evidence}; {needed}'
        return
    for part in guess.parts:
        in_force = part.sure or (part is guess and guess.ours in REQUIRED_LAYERS)
        yield from _part_lines(part, inspection, many=bool(guess.more), in_force=in_force)


def _part_lines(part: LayerGuess, inspection: Inspection, *, many: bool, in_force: bool) -> Iterator[str]:
    head = f"input.{part.ours}" + (".parts" if many else "")
    title = f"[[{head}]]" if many else f"[{head}]"
    yield title if in_force or not many else _commented(title)
    for line in _mapping_lines(part, inspection, head=head):
        yield line if in_force or not line or line.lstrip().startswith("#") else _commented(line)
    if many:
        yield ""


def _said_lines(ours: str, said: LayerMap) -> Iterator[str]:
    """What the settings say of a role that is made of more than one layer, as it stands."""
    content = said.model_dump(mode="json", exclude_defaults=True)
    yield from tomlkit.dumps({"input": {ours: content}}).rstrip().removeprefix("[input]").strip().splitlines()


def _commented(line: str) -> str:
    """Comment out a line; the empty one that may stand before it is kept."""
    return "\n# " + line[1:] if line.startswith("\n") else f"# {line}"


def _mapping_lines(guess: LayerGuess, inspection: Inspection, *, head: str) -> Iterator[str]:
    view = inspection.layer(guess.theirs)
    yield f"layer = {quoted(view.name)}  {_why(guess.evidence, sure=guess.sure)}"
    yield from _row_lines(guess)
    yield from _field_lines(guess, view, head=head)
    yield from _join_lines(guess, view, head=head)
    yield from _unit_lines(guess, head=head)
    yield from _default_lines(guess, head=head)
    yield from _code_lines(guess, head=head)
    yield from _unused_lines(guess, view)


def _row_lines(guess: LayerGuess) -> Iterator[str]:
    """The conditions that are sure in one line, each of the others in one that is commented out."""
    taken = [row for row in guess.rows if row.sure or row.in_force]
    if taken:
        words = "; ".join(row.evidence for row in taken)
        where = " and ".join(row.sql for row in taken)
        yield f"where = {quoted(where)}  {_why(words, sure=all(row.sure for row in taken))}"
    for row in (row for row in guess.rows if row not in taken):
        whole = " and ".join(r.sql for r in (*taken, row))
        yield f"# where = {quoted(whole)}  {UNSURE}: {_plain(row.evidence)}"


def _field_lines(guess: LayerGuess, view: LayerProfile, *, head: str) -> Iterator[str]:
    yield f"\n[{head}.fields]"
    made = []
    for ours, spec in field_specs(guess.ours).items():
        found = guess.fields.get(ours)
        if found is not None:
            of, sql = _made_of(view, found.theirs)
            column = quoted(sql or found.theirs) if sql or not of else f"[{', '.join(map(quoted, of))}]"
            line = f"{ours} = {column}  {_why(found.evidence, sure=found.sure)}"
            line = line if _in_force(guess, found) else f"# {line}"
            if sql:
                made.append(line)
            else:
                yield line
        elif spec.required and spec.default is None and ours not in guess.defaults:
            yield f'# {ours} = ""  {UNSURE}: nothing like it was found; needed ({spec.meaning})'
        elif ours in asked_for(guess) and ours not in guess.stand_ins:
            yield f'# {ours} = ""  {UNSURE}: nothing like it was found; {WITHOUT[ours]} ({spec.meaning})'
    if made:
        yield from (f"\n[{head}.values]", *made)


def _made_of(view: LayerProfile, theirs: str) -> tuple[tuple[str, ...], str]:
    """Columns that a field is put together of, and the expression that does it."""
    return next(((field.columns, field.sql) for field in view.fields if field.name == theirs), ((), ""))


def _join_lines(guess: LayerGuess, view: LayerProfile, *, head: str) -> Iterator[str]:
    """Tables that columns in force, or the place of the rows, are taken from."""
    used = {name.split(".", 1)[0] for name in _columns_in_force(guess, view) if "." in name}
    used |= {join.name for join in view.joins if view.at and join.mine == view.own_key}
    for join in reversed(view.joins):
        used |= {join.mine.split(".", 1)[0]} if join.name in used and "." in join.mine else set()
    for join in view.joins:
        if join.name in used:
            where = f", where = {quoted(join.where)}" if join.where else ""
            table = f"table = {quoted(join.table)}, on = {{ {quoted(join.mine)} = {quoted(join.theirs)} }}{where}"
            yield f"\n[{head}.joins]" if join is next(j for j in view.joins if j.name in used) else ""
            yield f"{quoted(join.name)} = {{ {table} }}  {_why(join.evidence, sure=join.sure)}"


def _columns_in_force(guess: LayerGuess, view: LayerProfile) -> Iterator[str]:
    for found in guess.fields.values():
        if _in_force(guess, found):
            yield from (found.theirs, *_made_of(view, found.theirs)[0])
    for row in guess.rows:
        yield from (
            field.name for field in view.fields if (row.sure or row.in_force) and column_sql(field.name) in row.sql
        )


def _in_force(guess: LayerGuess, found: FieldGuess) -> bool:
    return found.sure or field_specs(guess.ours)[found.ours].required


def _unit_lines(guess: LayerGuess, *, head: str) -> Iterator[str]:
    lines = []
    for ours, found in guess.fields.items():
        values = found.values
        if not values.unit and values.unit_sure:
            continue
        unit = values.unit or field_specs(guess.ours)[ours].unit
        line = f"{ours} = {quoted(unit)}  {_why(values.evidence, sure=values.unit_sure)}"
        lines.append(line if _in_force(guess, found) else f"# {line}")
    if lines:
        yield f"\n[{head}.units]"
        yield from lines


def _default_lines(guess: LayerGuess, *, head: str) -> Iterator[str]:
    """Defaults: those that the settings say, those that the layer tells, and safe ones for what is required."""
    lines = [f"{o} = {quoted(v) if isinstance(v, str) else repr(v)}  # {BY}" for o, v in guess.defaults.items()]
    known = {*guess.fields, *guess.defaults, *guess.stand_ins}
    for ours, hint in guess.stand_ins.items():
        lines.append(f"{ours} = {quoted(hint.value)}  {_why(hint.evidence, sure=hint.sure)}")
    for spec in field_specs(guess.ours).values():
        if spec.required and spec.default is not None and spec.name not in known:
            words = "nothing like it was found; the safe side stands in"
            lines.append(f"{spec.name} = {quoted(str(spec.default))}  {UNSURE}: {words}")
    if lines:
        yield f"\n[{head}.defaults]"
        yield from lines


def _code_lines(guess: LayerGuess, *, head: str) -> Iterator[str]:
    for ours, found in guess.fields.items():
        if not found.values.codes:
            continue
        yield f"\n[{head}.codes.{ours}]"
        spec = field_specs(guess.ours)[ours]
        for code in found.values.codes:
            yield _code_line(code, spec, in_force=_in_force(guess, found))


def _code_line(code: CodeGuess, spec: FieldSpec, *, in_force: bool) -> str:
    line = f"{quoted(code.theirs)} = {quoted(code.ours)}"
    if code.ours and code.sure and in_force:
        return line
    why, needed = _doubt(code, spec)
    return f"{'' if needed and in_force else '# '}{line}  {UNSURE}: {why}"


def _doubt(code: CodeGuess, spec: FieldSpec) -> tuple[str, bool]:
    """Why a code is unsure, and whether it is in force all the same."""
    if not code.ours:
        return f"not known; choices: {accepted_values(spec)}", spec.kind == "number"
    if code.in_force:
        return code.in_force, True
    if spec.kind == "phases":
        return f"{len(code.ours)} of three, but which is not said", True
    if spec.name == "poles":
        return POLES[code.ours == "presumed"], True
    return "usual meaning, not the only one", spec.name == "build"


def _unused_lines(guess: LayerGuess, profile: LayerProfile) -> Iterator[str]:
    used = {name for found in guess.fields.values() for name in (found.theirs, *_made_of(profile, found.theirs)[0])}
    unused = [field.name for field in profile.fields if field.name not in used and not field.columns]
    if unused:
        yield f"\n# fields of {_plain(guess.theirs)} that were not matched: {', '.join(map(_plain, unused))}"


def _why(evidence: str, *, sure: bool) -> str:
    return f"# {_plain(evidence)}" if sure else f"{UNSURE}: {_plain(evidence)}"


def _plain(text: str) -> str:
    """Text that cannot end a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
