"""Command ``survey replay``."""

import shlex
from pathlib import Path

import click

from survey import CAUTION
from survey.commands.paths import PATH
from survey.streams import in_line, written


@click.command(epilog=CAUTION, context_settings={"ignore_unknown_options": True})  # an id may begin with a hyphen
@click.argument("out", type=PATH)
@click.argument("site")
@click.option("-o", "--to", "file", required=True, type=PATH, help="Changes file (CSV) to write.")
def replay(out: Path, *, site: str, file: Path) -> None:
    """Write the changes that bring about the worst state of SITE.

    The state is that of columns tie_... of the survey in OUT: what is closed and what is open. A survey with these
    changes has the same point, cable, band and load to hold in the columns of its normal state.
    """
    from survey.apart import refuse_onto
    from survey.report.reread import read_results
    from survey.report.writing import write_whole
    from survey.what_if.replay import find_state, write_changes

    saved = read_results(out, drawn=False)
    state = find_state(saved, site)
    refuse_onto(file, export=Path(saved.record["network"]))
    write_whole(file, lambda path: write_changes(path, state.changes))
    network = shlex.quote(str(saved.record["network"]))
    with written(file):
        click.echo(f"State       {in_line(state.words)}")
        click.echo(f"Then        {in_line(state.point)}: {state.cable_m:.1f} m of cable, band {state.band}")
        click.echo(f"Changes in  {file}")
        click.echo(f"Survey it   survey run {network} -o NEW --with {shlex.quote(str(file))} --normal-only")
        click.echo("            with the settings of the first; worst_switch_id, worst_cable_m and band then say so")
        click.echo(CAUTION)
