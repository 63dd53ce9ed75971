"""Commands ``survey site`` and ``survey limits``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from survey.commands.paths import PATH
from survey.physics.families import CONNECTIONS, CORES
from survey.streams import written

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.desk.limits import DeskTable
    from survey.desk.site import SiteAnswer
    from survey.settings import Settings

CAUTION = """Ranks sites for engineering review. It clears nobody to switch: local switching rules and licensed
engineers decide."""
Units = Literal["metric", "us"]
NAME_WIDTH, FIGURE_WIDTH = 27, 50

SETTINGS = click.option("-s", "--settings", "settings_file", type=PATH, help="Settings file (TOML).")
HERTZ = click.option("--hz", type=click.Choice(["50", "60"]), help="Supply frequency; the settings' if not given.")

KV_HELP = "Rated primary line-to-line voltage: kV, or the nameplate's text, such as 12470GRDY/7200."
KV = click.option("--kv", required=True, metavar="KV", help=KV_HELP)


@click.command(epilog=CAUTION)
@click.option("--kva", required=True, help="Three-phase rating, kVA; of a bank as in records: 3-167 is three of 167.")
@KV
@click.option(
    "--connection",
    type=click.Choice(CONNECTIONS),
    help="Primary winding; if not given the nameplate's, else the worst (delta).",
)
@click.option("--core", type=click.Choice(CORES), help="Core; the worst (five_legged) if not given.")
@click.option("--cable", help='Cable type in the catalogue, such as "1/0 XLPE 15kV 133%".')
@click.option("--cap-nf-km", type=float, help="Capacitance of one phase to ground, nF/km, instead of a type.")
@click.option("--length", type=float, default=0.0, show_default=True, help="Length of the cable.")
@click.option("--length-unit", type=click.Choice(["m", "ft"]), default="m", show_default=True, help="Its unit.")
@click.option("--load", type=float, default=0.0, show_default=True, help="Smallest dependable secondary load, kW.")
@click.option("--nll", type=float, help="No-load loss, W; the catalogue's if not given.")
@click.option("--exc", type=float, help="Exciting current, % of rated; the catalogue's if not given.")
@HERTZ
@SETTINGS
@click.option("--picture", type=PATH, help="Save the worst waveform and peak against cable length (.png or .svg).")
@click.option("--direct", is_flag=True, help="Simulate this circuit itself as well: 3,000 operations, half a minute.")
def site(
    hz: str | None,
    settings_file: Path | None,
    picture: Path | None,
    *,
    direct: bool,
    **typed: Any,  # noqa: ANN401 - as the options say
) -> None:
    """Work out one transformer by hand, without a network.

    What its circuit does when its poles are operated one at a time.
    """
    from survey.console import stage_progress
    from survey.desk.site import SiteOptions, answer_site, make_request, simulate_site
    from survey.physics.catalogue import Catalogue
    from survey.report.writing import check_suffix, write_whole

    if picture is not None:
        check_suffix(picture, (".png", ".svg"), option="--picture")
    settings, catalogue = read_settings(settings_file, hz), Catalogue.load()
    request = make_request(SiteOptions(**typed), catalogue, settings)
    with stage_progress() as progress:
        answer = answer_site(request, settings=settings, progress=progress.count)
        if direct and answer.susceptible:
            answer = simulate_site(answer)
        if picture is not None and answer.susceptible:
            from survey.desk.picture import draw_site

            drawn = draw_site(answer, progress=progress.count)
            write_whole(picture, drawn)
    with written(picture):
        print_site(answer, picture)


def read_settings(path: Path | None, hz: str | None, *, units: Units | None = None) -> Settings:
    """Settings of the file, with the frequency and the units that were typed."""
    from survey.settings import load_settings

    settings = load_settings(path)
    changed: dict[str, object] = {}
    if hz is not None:
        frequency: Literal[50, 60] = 50 if hz == "50" else 60
        changed["electrical"] = settings.electrical.model_copy(update={"frequency_hz": frequency})
    if units is not None:
        changed["report"] = settings.report.model_copy(update={"units": units})
    return settings.model_copy(update=changed)


def print_site(answer: SiteAnswer, picture: Path | None) -> None:
    """The chain of numbers, the verdict, what was assumed, what is left out, the caution."""
    from survey.assess.action import LONGER_CABLE
    from survey.desk.working import LEFT_OUT, PER_PHASE, chain_lines, site_title, verdict
    from survey.wrapped import labelled

    click.echo(labelled("", site_title(answer), indent=0) + "\n")
    for line in chain_lines(answer) if answer.susceptible else []:
        figure = f"{line.name:<{NAME_WIDTH}}{line.value:>9} {line.unit}"
        click.echo(labelled(figure, line.words, indent=FIGURE_WIDTH) if line.words else figure.rstrip())
    if answer.susceptible:
        click.echo()
    click.echo(labelled("Verdict", verdict(answer)))
    if answer.request.nameplate:
        click.echo(labelled("Nameplate", answer.request.nameplate))
    if answer.assumed:
        click.echo(labelled("Assumed", "; ".join(answer.assumed)))
    if answer.susceptible:
        click.echo(labelled("Ratio", PER_PHASE))
        click.echo(labelled("Length", LONGER_CABLE))
        click.echo(labelled("Left out", LEFT_OUT.removeprefix("Left out: ")))
    if picture is not None:
        click.echo(f"Picture     {picture if answer.susceptible else 'none: there is nothing to draw'}")
    click.echo(labelled("", CAUTION, indent=0))


@click.command(epilog=CAUTION)
@KV
@click.option("--cable", "cables", multiple=True, help="Cable type; those of the voltage class if none. Repeatable.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="Metres or feet; the settings' if not given.")
@click.option("--load-pct", type=float, default=5.0, show_default=True, help="A load to study as well, % of rating.")
@HERTZ
@SETTINGS
@click.option("--no-study", is_flag=True, help="Leave out the time-domain study; the screening limit only.")
@click.option("-o", "--out", type=PATH, help="File to write: .csv (every type), .pdf or .png (a page for the wall).")
def limits(
    kv: str,
    *,
    cables: tuple[str, ...],
    units: Units | None,
    load_pct: float,
    hz: str | None,
    settings_file: Path | None,
    no_study: bool,
    out: Path | None,
) -> None:
    """Give the cable length allowed, by transformer and cable type.

    For every rating and winding: by the time-domain study with no load and with a little load, and by the screening
    limit.
    """
    from survey.console import stage_progress
    from survey.desk.checks import read_nameplate
    from survey.desk.limits import desk_table
    from survey.desk.limits_text import text_lines
    from survey.physics.catalogue import Catalogue
    from survey.report.writing import check_suffix, write_whole
    from survey.wrapped import labelled

    if out is not None:
        check_suffix(out, (".csv", ".pdf", ".png"), option="-o")
    settings = read_settings(settings_file, hz, units=units)
    study = settings.study.run and not no_study
    with stage_progress() as progress:
        table = desk_table(
            read_nameplate(kv).kv,
            settings=settings,
            catalogue=Catalogue.load(),
            cables=cables,
            load_share=load_pct / 100,
            study=study,
            progress=progress.count,
        )
        if out is not None:
            progress.part(out.name)
            write_whole(out, limits_writer(table, out.suffix.lower()))
    with written(out):
        for line in text_lines(table) if out is None else [f"{len(table.rows):,} lengths in {out}"]:
            click.echo(line)
        click.echo(labelled("", CAUTION, indent=0))


def limits_writer(table: DeskTable, suffix: str) -> Callable[[Path], None]:
    """What writes the table into a file of this kind."""
    if suffix == ".csv":
        from survey.desk.limits_text import write_csv

        return lambda aside: write_csv(table, aside)
    from survey.desk.limits_page import write_page

    return lambda aside: write_page(table, aside)
