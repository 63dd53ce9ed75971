"""Command ``survey sheets``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from survey import CAUTION
from survey.commands.paths import PATH
from survey.streams import written

if TYPE_CHECKING:
    from survey.report.sheets.paper import PageName
    from survey.report.sheets.view import Units

PAGES, UNITS = ("letter", "a4", "tabloid", "a3"), ("metric", "us")


@click.command(epilog=CAUTION)
@click.argument("out", type=PATH)
@click.option("--district", help="Only this district; without it, one file for each.")
@click.option("--feeder", help="Only this feeder.")
@click.option("--page", type=click.Choice(PAGES), default="letter", show_default=True, help="Paper, landscape.")
@click.option("--units", type=click.Choice(UNITS), help="Lengths in metres or feet; the survey's own if not given.")
@click.option("-o", "--to", "folder", type=PATH, help="Folder for the files; OUT itself if not given.")
def sheets(
    out: Path, *, district: str | None, feeder: str | None, page: str, units: str | None, folder: Path | None
) -> None:
    """Make printable sheets (PDF) of the survey in OUT.

    A numbered overview, details where sites are crowded, and a table to tick off, one file for each district.
    """
    from survey.report.reread import read_results
    from survey.report.sheets import make_sheets

    saved = read_results(out)
    chosen = units or saved.record.get("settings", {}).get("report", {}).get("units", "metric")
    files = make_sheets(
        saved,
        out=folder or out,
        district=district,
        feeder=feeder,
        page=cast("PageName", page),
        units=cast("Units", chosen),
    )
    with written(folder or out):
        for file in files:
            click.echo(str(file))
