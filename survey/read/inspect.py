"""Look at an export nobody has mapped yet: what is in it, what is most likely what, and a draft of the settings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from survey.input_schema import field_specs, units_of
from survey.input_settings import LAYERS, InputSettings, LayerMap
from survey.read.formats import LayerInfo, open_export
from survey.read.guess import GEOMETRY, answered_field, guess_fields, may_share
from survey.read.guess_joins import with_tables
from survey.read.guess_made import with_cable_text, with_made_fields
from survey.read.guess_roles import guess_layers
from survey.read.guess_rows import narrowed, split_by_kind
from survey.read.guess_types import SURE, FieldGuess, LayerGuess
from survey.read.guess_values import USUAL_KV, CodeGuess
from survey.read.guess_words import NO_ROLE
from survey.read.matching import match_layer
from survey.read.profile import LayerProfile, profile_layer

Ask = Callable[[str, Sequence[str]], str]

NOTHING = "none of them"
YES, NO = "yes", "no"
ASKED = {"cable_type", "build", "connection", "device"}  # asked for where nothing like it was found, required or not
PHASE_CHOICES = ["ABC", "AB", "BC", "AC", "A", "B", "C"]
BY = "as the settings say"


@dataclass(frozen=True)
class Inspection:
    """An export looked at.

    ``path``: where it is. ``layers``: its layers, in file order. ``views``: the same with the columns of tables that
    belong to them, parted where a layer holds several kinds of assets. ``guesses``: best layers and fields for each
    role of ours. ``told``: what the settings said before, if any.
    """

    path: Path
    layers: tuple[LayerProfile, ...]
    views: tuple[LayerProfile, ...]
    guesses: dict[str, LayerGuess]
    told: InputSettings = field(default_factory=InputSettings)

    def layer(self, title: str) -> LayerProfile:
        """Layer of the export, or a view of one, by name."""
        return next(layer for layer in (*self.views, *self.layers) if layer.title == title)


def inspect_network(
    path: str | Path, *, settings: InputSettings | None = None, progress: Callable[[str], None] | None = None
) -> Inspection:
    """Look at every layer and field of an export.

    Parameters
    ----------
    path
        As for :func:`survey.read.read_network`.
    settings
        What is known of it already; only the rest is guessed.
    progress
        Called with the name of each layer as it is begun.

    Raises
    ------
    survey.errors.InputError
        The export cannot be opened or read, or has no layer or field that the settings name.
    """
    export = open_export(Path(path))
    profiles, infos = [], export.layers()
    for info in infos:
        if progress is not None:
            progress(info.name)
        profiles.append(profile_layer(export, info))
    known = settings or InputSettings()
    told = told_layers(profiles, infos, settings=known, path=export.path)
    layers = [with_made_fields(with_cable_text(profile)) for profile in with_tables(profiles)]
    views = [narrowed(view) for layer in layers for view in split_by_kind(layer)]
    named = {guess.theirs for guess in told.values()} - {view.title for view in views}
    views += [profile for profile in profiles if profile.title in named]
    return Inspection(export.path, tuple(profiles), tuple(views), guess_layers(views, told=told), known)


def ask_unsure(inspection: Inspection, ask: Ask) -> Inspection:
    """Put every unsure guess to a person.

    ``ask``: called with a question and the choices, the likeliest first; returns one of them. The answers come back as
    sure guesses; what was answered by "none of them" is left out.
    """
    guesses: dict[str, LayerGuess] = {}
    for ours, guess in inspection.guesses.items():
        if getattr(inspection.told, ours).composed:
            guesses[ours] = guess
            continue
        taken = {other.theirs for other in inspection.guesses.values() if other.sure and other.ours != ours}
        taken |= {other.theirs for other in guesses.values()}
        settled = _ask_layer(guess, inspection, ask, taken=taken)
        more = tuple(part for part in settled.more if part.sure or _ask_part(part, ask))
        parts = [_ask_part_values(part, inspection, ask) for part in (settled, *more)]
        guesses[ours] = replace(parts[0], more=tuple(parts[1:]))
    return replace(inspection, guesses=guesses)


def _ask_part(part: LayerGuess, ask: Ask) -> bool:
    """Ask whether a further layer is of the role."""
    answer = ask(f"Does layer {part.theirs} hold {part.ours}, too? ({part.evidence})", [YES, NO])
    return answer == YES


def _ask_part_values(part: LayerGuess, inspection: Inspection, ask: Ask) -> LayerGuess:
    """Ask for what is unsure in one layer: its fields, and the conditions on its rows."""
    if not part.theirs:
        return part
    question = "Layer {}: only rows where {}? ({})"
    kept = [r for r in part.rows if r.sure or ask(question.format(part.theirs, r.sql, r.evidence), [YES, NO]) == YES]
    rows = tuple(replace(row, sure=True) for row in kept)
    confidence = max(part.confidence, SURE)
    return replace(part, fields=_ask_fields(part, inspection, ask), rows=rows, confidence=confidence)


def _ask_layer(guess: LayerGuess, inspection: Inspection, ask: Ask, *, taken: set[str]) -> LayerGuess:
    """Ask for a layer in doubt; the first choice is safe: the likeliest free layer, or none; taken layers come last."""
    if guess.sure:
        return guess
    first = [guess.theirs] if guess.theirs and guess.theirs not in taken else [NOTHING]
    others = [layer.title for layer in inspection.views if layer.title not in first and layer.hint != NO_ROLE]
    others.sort(key=lambda name: (name in taken, inspection.layer(name).geometry != GEOMETRY[guess.ours]))
    choices = [*first, *others, *([] if NOTHING in first else [NOTHING])]
    answer = ask(f"Which layer holds the {guess.ours}? ({guess.evidence})", choices)
    if answer == NOTHING:
        return LayerGuess(guess.ours, "", 1.0, "answered")
    if answer == guess.theirs:
        return replace(guess, confidence=1.0, evidence="answered")
    return LayerGuess(guess.ours, answer, 1.0, "answered", guess_fields(guess.ours, inspection.layer(answer)))


def _ask_fields(guess: LayerGuess, inspection: Inspection, ask: Ask) -> dict[str, FieldGuess]:
    profile = inspection.layer(guess.theirs)
    fields = {ours: found for ours, found in guess.fields.items() if found.sure}
    for ours, spec in field_specs(guess.ours).items():
        found = guess.fields.get(ours)
        if ours in fields or (found is None and not spec.required and ours not in asked_for(guess)):
            continue
        used = {other.theirs for other in fields.values() if not may_share(ours, other.ours)}
        first = found.theirs if found is not None and found.theirs not in used else NOTHING
        others = [field.name for field in profile.fields if field.name not in used]
        evidence = found.evidence if found is not None else "nothing like it was found"
        question = f"Layer {guess.theirs}: which field is {ours} ({spec.meaning})? ({evidence})"
        answer = ask(question, [first, *(choice for choice in [*others, NOTHING] if choice != first)])
        if answer != NOTHING:
            fields[ours] = answered_field(guess.ours, ours, profile=profile, theirs=answer)
    return {ours: _ask_values(guess, found, ask) for ours, found in fields.items()}


def asked_for(guess: LayerGuess) -> set[str]:
    """Fields of a layer that are asked for where nothing like them was found; a layer's name tells no device."""
    build = guess.stand_ins.get("build")
    told = set() if build is None else {"build", "cable_type"} if build.value == "oh" else {"build"}
    return ASKED - told - {*guess.defaults}


def _ask_values(guess: LayerGuess, found: FieldGuess, ask: Ask) -> FieldGuess:
    """Ask for a unit in doubt, and for every coded value in doubt."""
    spec, values = field_specs(guess.ours)[found.ours], found.values
    where = f"Layer {guess.theirs}, field {found.theirs}"
    if not values.unit_sure:
        units = list(units_of(spec.quantity))
        likely = values.unit if values.unit in units else spec.unit
        unit = ask(f"{where}: in which unit? ({values.evidence})", [likely, *(u for u in units if u != likely)])
        values = replace(values, unit="" if unit == spec.unit else unit, unit_sure=True)
    accepted = list(spec.codes) or (PHASE_CHOICES if spec.kind == "phases" else [f"{kv:g}" for kv in USUAL_KV])
    codes = []
    for code in values.codes:
        if not code.sure:
            first = [code.ours] if code.ours else [NOTHING]
            choices = [*first, *(choice for choice in [*accepted, NOTHING] if choice not in first)]
            answer = ask(f"{where}: what does {code.theirs!r} mean?", choices)
            code = CodeGuess(code.theirs, "" if answer == NOTHING else answer, sure=answer != NOTHING)  # noqa: PLW2901
        codes.append(code)
    return replace(found, values=replace(values, codes=tuple(codes)))


def told_layers(
    profiles: Sequence[LayerProfile], infos: Sequence[LayerInfo], *, settings: InputSettings, path: Path
) -> dict[str, LayerGuess]:
    """Layers that the settings map, completed by guesses for the fields they leave out.

    Raises ``LayerError``, ``FieldError``: a layer or field that the settings name is not there.
    """
    said: dict[str, LayerMap] = {ours: getattr(settings, ours) for ours in LAYERS}
    told = {ours: LayerGuess(ours, "", 1.0, BY) for ours, mapping in said.items() if mapping.composed}
    said = {ours: mapping for ours, mapping in said.items() if mapping != LayerMap() and ours not in told}
    guessed = guess_layers(profiles) if any(mapping.layer is None for mapping in said.values()) else {}
    for ours, given in said.items():
        layer = guessed[ours] if given.layer is None else LayerGuess(ours, given.layer, 1.0, BY)
        if not layer.theirs:
            continue
        mapping = given.model_copy(update={"layer": layer.theirs})
        if matched := match_layer(infos, name=ours, mapping=mapping, path=path):
            profile = next(profile for profile in profiles if profile.name == matched.info.name)
            named = {name: matched.fields[name] for name in mapping.fields}
            fields = {n: answered_field(ours, n, profile=profile, theirs=f, by=BY) for n, f in named.items()}
            fields = guess_fields(ours, profile, told=fields)
            read = {name: _with_values(guess, mapping) for name, guess in fields.items()}
            told[ours] = replace(layer, theirs=profile.name, fields=read, defaults=mapping.defaults, more=(), rows=())
    return told


def _with_values(guess: FieldGuess, mapping: LayerMap) -> FieldGuess:
    """Field with the unit and codes of the settings; what they leave out is guessed from the values."""
    values = guess.values
    if guess.ours in mapping.units:
        values = replace(values, unit=mapping.units[guess.ours], unit_sure=True)
    said = mapping.codes.get(guess.ours, {})
    rest = tuple(code for code in values.codes if code.theirs not in said)
    codes = (*(CodeGuess(code, meaning, sure=True) for code, meaning in said.items()), *rest)
    return replace(guess, values=replace(values, codes=codes))
