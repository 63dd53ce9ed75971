"""Command ``survey cables``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from survey import CAUTION
from survey.commands.paths import PATH

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

SHOWN = {"key": "type", "size": "size", "insulation": "insulation", "kv_class": "kV", "level_pct": "wall %"}
PER_KM = 1e12  # nF/km from F/m


@click.command(epilog=CAUTION)
@click.argument("words", nargs=-1)
@click.option("-o", "--out", type=PATH, help="File to write (.csv): the list, with the source of every figure.")
def cables(words: tuple[str, ...], *, out: Path | None) -> None:
    """List the cable catalogue: types and their capacitance.

    With WORDS only types that hold all of them, for example: survey cables 4/0 15kV.
    """
    from survey.physics.catalogue import Catalogue
    from survey.report.writing import write_whole

    listed = chosen_types(Catalogue.load().cable_types, words)
    if out is not None:
        from survey.report.writing import check_suffix, write_rows

        check_suffix(out, (".csv",), option="-o")
        text = dict.fromkeys(map(str, listed.columns))
        write_whole(out, lambda path: write_rows(path, listed, columns=text))
        click.echo(f"{len(listed)} types in {out}")
        return
    if listed.empty:
        click.echo(f"no type holds {' '.join(words)}; survey cables lists all")
        return
    shown = listed.rename(columns=SHOWN)[[*SHOWN.values(), "nF/km"]]
    click.echo(shown.to_string(index=False))


def chosen_types(types: pd.DataFrame, words: tuple[str, ...]) -> pd.DataFrame:
    """Types whose key holds all words, without regard to case, with their capacitance in nF/km."""
    keys = types["key"].str.casefold()
    kept = types[[all(word.casefold() in key for word in words) for key in keys]]
    columns = ["key", "standard", "size", "insulation", "kv_class", "level_pct"]
    return kept[columns].assign(**{"nF/km": (kept["cap_f_m"] * PER_KM).round(1), "source": kept["source"]})
