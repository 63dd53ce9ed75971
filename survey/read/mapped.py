"""What the settings already say of an export, as guesses that are sure, so that only the rest is guessed."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from survey.input_settings import LAYERS, InputSettings, LayerMap
from survey.read.formats import LayerInfo
from survey.read.guess import answered_field, guess_fields
from survey.read.guess_roles import guess_layers
from survey.read.guess_types import FieldGuess, LayerGuess
from survey.read.guess_values import CodeGuess
from survey.read.matching import match_layer
from survey.read.profile import LayerProfile

BY = "as the settings say"


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
