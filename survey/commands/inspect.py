"""Command ``survey inspect``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from survey import CAUTION
from survey.commands.paths import PATH
from survey.errors import InputError, SettingsError
from survey.streams import written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pyproj import CRS

    from survey.read.inspect import Inspection
    from survey.read.profile import FieldProfile

VALUES_SHOWN, VALUE_WIDTH = 4, 24
LARGE = 300_000
"""Rows of a layer from which a draft is judged only when that is asked for: it takes as long as reading."""


@click.command(epilog=CAUTION)
@click.argument("network", type=PATH)
@click.option("-o", "--out", type=PATH, help="Write a draft settings file (TOML) there.")
@click.option("-s", "--settings", type=PATH, help="Settings (TOML) that hold already; only the rest is guessed.")
@click.option("--ask", is_flag=True, help="Ask on the terminal about every guess that is not sure.")
@click.option("--check", is_flag=True, help="Build the network by the settings, without guesses, and judge them.")
def inspect(network: Path, *, out: Path | None, settings: Path | None, ask: bool, check: bool) -> None:
    """List what NETWORK holds and draft the settings that map it.

    Every guess comes with its evidence. Lines that are not sure are marked UNSURE in the draft. With -s the draft holds
    what these settings say, without their comments, and guesses for the rest. A draft is judged by the network that it
    makes; with -s and --check these settings are.
    """
    if check and out is None and not ask:
        _check(network, settings)
        return
    from survey.apart import refuse_onto
    from survey.read.draft import draft_settings
    from survey.read.inspect import ask_unsure, inspect_network
    from survey.report.writing import write_whole
    from survey.settings import load_settings, other_sections

    if settings is not None and out is not None and settings.resolve() == out.resolve():
        msg = f"settings {settings}: the draft would be written over them; give another file to -o"
        raise SettingsError(msg)
    if out is not None:
        refuse_onto(out, export=network)
    found = inspect_network(network, settings=load_settings(settings).input)
    print_layers(found)
    if ask:
        found = ask_unsure(found, _ask)
    print_guesses(found)
    if out is not None:
        draft = draft_settings(found, others=other_sections(settings)).encode()
        write_whole(out, lambda path: path.write_bytes(draft))
        with written(out):
            click.echo(
                f"\nDraft settings in {out}. Next: look at its lines marked UNSURE, correct what is wrong, then\n"
                f"  survey inspect {network} -s {out} --check    judges it again, in seconds\n"
                f"  survey run {network} -s {out} -o OUT\n"
            )
            _check_draft(found, out, always=check)


def _check(network: Path, settings: Path | None) -> None:
    from survey.console import print_first_look
    from survey.pipeline import check_settings
    from survey.read.draft import UNSURE
    from survey.settings import load_settings

    look = check_settings(network, settings=load_settings(settings))
    unsure = 0 if settings is None else settings.read_text(encoding="utf-8").count(UNSURE)
    print_first_look(look, unsure=unsure)


def _check_draft(found: Inspection, draft: Path, *, always: bool) -> None:
    """Judge a draft; one that cannot be surveyed yet is no failure of inspecting."""
    if max((layer.rows for layer in found.layers), default=0) > LARGE and not always:
        click.echo(f"Judge it by the network that it makes: survey inspect {found.path} -s {draft} --check")
        return
    from survey.read.matching import DRAFT

    try:
        _check(found.path, draft)
    except InputError as error:
        words = str(error).removesuffix(DRAFT)
        click.secho(f"LOOK HERE FIRST  the draft cannot be surveyed as it is: {words}", bold=True)


def print_layers(found: Inspection) -> None:
    """Layers with their geometry, coordinate system, extent and fields."""
    for layer in found.layers:
        crs = _crs_name(layer.crs)
        extent = "" if layer.extent is None else "  from {:.6g}, {:.6g} to {:.6g}, {:.6g}".format(*layer.extent)
        click.echo(f"{layer.name}  {layer.rows} rows, {layer.geometry}, {crs}{extent}")
        width = max((len(field.name) for field in layer.fields), default=0)
        for field in layer.fields:
            click.echo(
                f"  {field.name:<{width}}  {field.kind:<7}  {field.filled:>4.0%} filled  {_values(field)}".rstrip()
            )
        click.echo("")


def _crs_name(crs: CRS | None) -> str:
    """Authority code where there is one, else kind and unit."""
    if crs is None:
        return "no coordinate system"
    if (code := crs.to_authority()) is not None:
        return ":".join(code)
    kind = crs.coordinate_operation.method_name if crs.coordinate_operation else crs.type_name
    return f"{kind} in {crs.axis_info[0].unit_name}" if crs.axis_info else str(kind)


def _values(field: FieldProfile) -> str:
    shown = [f"{_short(str(value))} ({count})" for value, count in field.commonest[:VALUES_SHOWN]]
    more = field.distinct - len(shown)
    return ", ".join(shown) + (f", {more} more" if more > 0 else "")


def _short(text: str) -> str:
    plain = "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
    return plain if len(plain) <= VALUE_WIDTH else plain[: VALUE_WIDTH - 3] + "..."


def print_guesses(found: Inspection) -> None:
    """Which layers and fields are most likely which of ours."""
    for role in found.guesses.values():
        for guess in role.parts:
            if not guess.theirs:
                click.echo(f"{guess.ours}: {'; '.join(dict.fromkeys(('no layer fits', guess.evidence)))}")
                continue
            click.echo(f"{guess.ours} = {guess.theirs}{_mark(guess.sure)}  {guess.evidence}")
            for row in guess.rows:
                click.echo(f"  where {row.sql}{_mark(row.sure)}  {row.evidence}")
            width = max((len(ours) for ours in guess.fields), default=0)
            for field in guess.fields.values():
                theirs = field.theirs or "-"
                click.echo(f"  {field.ours:<{width}} = {theirs}{_mark(field.sure)}  {field.evidence}")


def _mark(sure: bool) -> str:  # noqa: FBT001 - what it marks
    return "" if sure else "  (unsure)"


def _ask(question: str, choices: Sequence[str]) -> str:
    click.echo(question)
    for number, choice in enumerate(choices, start=1):
        click.echo(f"  {number}  {choice}")
    try:
        picked = click.prompt("Number", type=click.IntRange(1, len(choices)), default=1)
    except click.Abort as error:
        if not isinstance(error.__context__, EOFError):  # Ctrl-C, told as everywhere
            raise
        msg = "inspect --ask: the answers ended before the questions; nothing was written"
        raise InputError(msg) from error
    return choices[picked - 1]
