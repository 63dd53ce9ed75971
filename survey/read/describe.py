"""An inspection in words, for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from survey.read.guess import LayerGuess
    from survey.read.inspect import Inspection
    from survey.read.profile import FieldProfile, LayerProfile

SHOWN = 4
WIDEST = 24


def describe_inspection(inspection: Inspection) -> str:
    """Layers, fields and guesses, one line each."""
    lines = [f"{inspection.path}: {len(inspection.layers)} layers"]
    for layer in inspection.layers:
        guess = next((g for g in inspection.guesses.values() if g.theirs == layer.name), None)
        lines += ["", *_layer(layer, guess)]
    missing = [guess.ours for guess in inspection.guesses.values() if not guess.theirs]
    if missing:
        lines += ["", f"not found: {', '.join(missing)}"]
    return "\n".join(lines)


def _layer(layer: LayerProfile, guess: LayerGuess | None) -> Iterator[str]:
    meaning = "not matched" if guess is None else f"{'' if guess.sure else 'perhaps '}{guess.ours}"
    crs = layer.crs.name if layer.crs is not None else "no coordinate system"
    yield f"{printable(layer.name)}: {meaning}; {layer.geometry}; {layer.rows:,} rows; {crs}{_extent(layer)}"
    ours = {} if guess is None else {field.theirs: field for field in guess.fields.values()}
    for field in layer.fields:
        found = ours.get(field.name)
        is_ours = "" if found is None else f"{'=' if found.sure else '?'} {found.ours}"
        head = f"  {printable(field.name):<{WIDEST}} {is_ours:<14} {field.kind:<8}"
        yield f"{head} {field.filled:>4.0%} filled  {_values(field)}"


def _extent(layer: LayerProfile) -> str:
    if layer.extent is None:
        return ""
    x0, y0, x1, y1 = layer.extent
    return f"; x {x0:.9g} to {x1:.9g}, y {y0:.9g} to {y1:.9g}"


def _values(field: FieldProfile) -> str:
    shown = ", ".join(f"{printable(value)} ({count:,})" for value, count in field.commonest[:SHOWN])
    return f"{field.distinct:,} distinct: {shown}" + (" ..." if field.distinct > SHOWN else "")


def printable(text: str) -> str:
    """Text fit for a terminal: no control characters, cut where it is long."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return plain if len(plain) <= WIDEST else plain[: WIDEST - 1] + "…"
