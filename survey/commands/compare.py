"""Command ``survey compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from survey import CAUTION
from survey.commands.paths import PATH
from survey.streams import in_line, written

if TYPE_CHECKING:
    from survey.comparison.comparison import Comparison

MOST_ROWS = 10
MOST_SETTINGS = 3


@click.command(epilog=CAUTION)
@click.argument("old", type=PATH)
@click.argument("new", type=PATH)
@click.option("-o", "--out", required=True, type=PATH, help="Folder for the comparison; made if missing.")
def compare(old: Path, new: Path, *, out: Path) -> None:
    """List what changed from survey OLD to NEW, why, and the tags.

    One line a site; tags to add and remove as records that can be applied twice without harm.
    """
    from survey.comparison.comparison import compare_surveys
    from survey.comparison.comparison_files import write_comparison

    comparison = compare_surveys(old, new)
    write_comparison(comparison, out)
    with written(out):
        print_comparison(comparison, out)


def print_comparison(comparison: Comparison, out: Path) -> None:
    """Counts, causes, the first lines, and where the files are."""
    from survey.comparison.differences import MEANINGS

    print_sides(comparison)
    counts = {name: n for name, n in comparison.counts().items() if n}
    click.echo("Sites       " + (", ".join(f"{n} {name}" for name, n in counts.items()) or "nothing changed"))
    for name, meaning in MEANINGS.items():
        if name in counts:
            click.echo(f"            {name}: {meaning}")
    if comparison.causes():
        click.echo(
            "Why         " + ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in comparison.causes().items())
        )
    print_tags(comparison)
    for row in comparison.sites.head(MOST_ROWS).itertuples():
        click.echo(f"  {in_line(row.site_id)}  {row.change}: {in_line(row.why)}")
    if len(comparison.sites) > MOST_ROWS:
        click.echo(f"  ... {len(comparison.sites) - MOST_ROWS} more in changes.csv")
    click.echo(f"\nResults in  {out}  (changes.csv, tags.csv, changes.html)")
    click.echo(CAUTION)


def print_sides(comparison: Comparison) -> None:
    """Which surveys are compared, and loudly that one of them is hypothetical."""
    for side, name in zip(("Old", "New"), comparison.names, strict=True):
        click.echo(f"{side:<12}{name}")
    if changed := comparison.settings_changed:
        more = f" and {len(changed) - MOST_SETTINGS} more" if len(changed) > MOST_SETTINGS else ""
        click.echo(f"Settings    differ, and figures with them: {'; '.join(changed[:MOST_SETTINGS])}{more}")
    if comparison.what_if:
        click.echo(f"WHAT-IF     {comparison.what_if}: nobody has built that network; no tags are asked for")


def print_tags(comparison: Comparison) -> None:
    """How many tags change, and how many stay because nobody knows."""
    tags = comparison.tag_counts()
    click.echo(f"Tags        {tags['add']} to add, {tags['remove']} to remove, {tags['change']} to change")
    if tags["keep_unknown"]:
        click.echo(f"            {tags['keep_unknown']} to keep: the site was tagged and is unknown now")
    if tags["give_back"]:
        sites = "site is" if tags["give_back"] == 1 else "sites are"
        click.echo(f"            {tags['give_back']} {sites} judged again: a tag kept while unknown changes")
