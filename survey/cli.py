"""Command line: parse, call, print, exit status. What is heavy is imported inside a command: help stays quick."""

import atexit
import gc
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from datetime import datetime
from pathlib import Path
from typing import NoReturn, TextIO, cast

import click

from survey import CAUTION, __version__
from survey.commands.cables import cables
from survey.commands.compare import compare
from survey.commands.desk import limits, site
from survey.commands.inspect import inspect
from survey.commands.paths import PATH
from survey.commands.plan import plan
from survey.commands.replay import replay
from survey.commands.sheets import sheets
from survey.errors import SurveyError
from survey.memory import ran_out, reserve_little
from survey.streams import PlainStream, open_closed_streams, tell, told_to_end, written

OUT_OF_MEMORY = (
    "out of memory; the output folder is as it was before; close other programs, raise the limit, or survey fewer "
    "feeders at a time"
)
SELDOM = (500_000, 50, 100)
"""Objects made between two searches for circles of dead ones, and searches between larger ones: by default a tenth of
a short run is spent on looking through what was imported; tables of a large one are few objects."""
NETWORK = click.argument("network", type=PATH)
SETTINGS = click.option("-s", "--settings", "settings_file", type=PATH, help="Settings file (TOML).")


@click.group(epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="survey")
def commands() -> None:
    """Feeder-wide ferroresonance survey of a distribution network.

    Walks upstream from every three-phase transformer to its nearest single-pole switching point, totals the cable
    behind it, computes what that circuit does when its poles are operated one at a time, and ranks every site.
    """


@commands.command(epilog=CAUTION)
@NETWORK
@click.option("-o", "--out", required=True, type=PATH, help="Output folder; made if missing.")
@SETTINGS
@click.option("--strict", is_flag=True, help="Exit status 1 when any finding is an error (after writing everything).")
@click.option("--with", "changes_file", type=PATH, help="Changes (CSV) to survey as if made.")
@click.option("--signed-off", "signed_file", type=PATH, help="Sites that someone answers for (CSV).")
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Day the signed-off list is looked at, such as 2030-12-31; today if not given.",
)
@click.option("--no-study", is_flag=True, help="Leave out the time-domain study; score by the screening margin.")
@click.option("--normal-only", is_flag=True, help="Leave out the states with an open point closed or a ring opened.")
def run(  # noqa: PLR0913 - one parameter an option
    network: Path,
    out: Path,
    settings_file: Path | None,
    *,
    strict: bool,
    changes_file: Path | None,
    signed_file: Path | None,
    as_of: datetime | None,
    no_study: bool,
    normal_only: bool,
) -> None:
    """Survey NETWORK and write the results into OUT.

    NETWORK is one .gpkg file, a folder of shapefiles, or a folder of GeoParquet files.
    """
    from survey.apart import refuse_inputs, refuse_overlap
    from survey.console import print_summary, stage_progress
    from survey.own_files import OUTPUT_FILES
    from survey.pipeline import run_survey
    from survey.report.folder import reserve_folder
    from survey.report.outputs import write_outputs
    from survey.settings import load_settings
    from survey.what_if.edits import read_changes
    from survey.what_if.sign_offs import SignOffs, read_signed_off

    refuse_overlap(out, export=network)
    refuse_inputs(out, inputs=(settings_file, changes_file, signed_file))
    settings = load_settings(settings_file)
    if no_study:
        settings = settings.model_copy(update={"study": settings.study.model_copy(update={"run": False})})
    if normal_only:
        settings = settings.model_copy(update={"network": settings.network.model_copy(update={"either_end": False})})
    changes = () if changes_file is None else read_changes(changes_file)
    day = (as_of or datetime.now().astimezone()).date()
    sign_offs = None if signed_file is None else SignOffs(read_signed_off(signed_file), day)
    with reserve_folder(out, names=OUTPUT_FILES) as reservation, stage_progress() as progress:
        result = run_survey(
            network,
            settings=settings,
            progress=progress,
            count=progress.count,
            changes=changes,
            sign_offs=sign_offs,
        )
        write_outputs(result, out, progress=progress.part, reservation=reservation)
    with written(out):
        print_summary(result, out)
    if strict and result.record["findings"]["error"]:
        raise SystemExit(1)


for command in (inspect, limits, site, cables, plan, sheets, compare, replay):
    commands.add_command(command)


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line; every refusal is one line on standard error and exit status 1."""
    gc.set_threshold(*SELDOM)
    open_closed_streams()
    reserve_little()
    out = PlainStream(sys.stdout)
    with redirect_stdout(cast("TextIO", out)):
        status = _run(arguments)
        out.flush()
    if out.failure:
        tell(f"survey: standard output cannot be written ({out.failure}); files that were written stand")
        status = 1
    sys.exit(status)


def process() -> NoReturn:
    """As :func:`main`, in a process of its own: taking apart all that was imported takes a tenth of a short run."""
    status = 1
    try:
        main()
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 0
    atexit._run_exitfuncs()  # noqa: SLF001 - all that is registered, as the interpreter does it
    for stream in (sys.stdout, sys.stderr):
        PlainStream(stream).flush()
    os._exit(status)


def _run(arguments: list[str] | None) -> int:
    """Exit status of a command; says on standard error why it is not 0."""
    try:
        with told_to_end():
            status = commands.main(args=arguments, prog_name="survey", standalone_mode=False)
    except (click.exceptions.Abort, KeyboardInterrupt):
        return _refused("interrupted; the output folder is as it was before")
    except click.ClickException as error:
        with redirect_stderr(cast("TextIO", PlainStream(sys.stderr))):
            error.show()
        return error.exit_code
    except SurveyError as error:
        return _refused(OUT_OF_MEMORY if ran_out(error) else str(error))
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    except Exception as error:
        if not ran_out(error):
            raise
        return _refused(OUT_OF_MEMORY)
    return status if isinstance(status, int) else 0


def _refused(message: str) -> int:
    tell(f"survey: {message}")
    return 1
