"""What a person sees on the terminal while a survey runs and when it ends. Quiet in a pipe while it runs."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click
import numpy as np

from survey.assess.score import BANDS
from survey.findings import SEVERITIES
from survey.fingerprint import NOT_BUILT, what_if_words
from survey.loops import watchers
from survey.report.first_points import URGENT, band_counts, first_points
from survey.result import CAUTION, in_normal_state
from survey.streams import in_line, undisturbed
from survey.wrapped import labelled

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import Any

    import pandas as pd
    from rich.progress import Progress, TaskID

    from survey.first_look import FirstLook
    from survey.result import SurveyResult

MOST_TEXTS, TEXT_WIDTH = 5, 60
MOST_CODES = 12
MOST_CHANGES = 8
MOST_BEHIND = 4
LABEL_WIDTH = 13
STAGES = {
    "read": "Reading the export",
    "network": "Building the network and walking",
    "assess": "Assessing the circuits",
    "study": "Studying circuits",
    "collect": "Collecting results",
    "write": "Writing",
}


ODD = (
    ("sites_without_supply", "sites without a supply"),
    ("devices_that_control_nothing", "devices that control nothing"),
    ("near_misses", "ends short of another"),
    ("undershoots", "ends short of a cable"),
    ("overshoots", "ends past a cable"),
    ("stubs", "ends past a joint"),
    ("drawn_twice", "cables drawn twice"),
    ("overlaps", "pairs of cables partly on one another"),
)


SHARES = {"read": 15, "network": 15, "assess": 22, "collect": 21, "survey.gpkg": 12, "map.html": 11, "sites.csv": 2}
"""Share of each stage in the time of a survey, percent, as measured on a million cables without the study; what has
none takes next to nothing."""
COMPILING = " (compiling, only the first time)"


class StageProgress:
    """Tells which stage runs and how long it may still take; nothing when standard error is not a terminal."""

    def __init__(self, bar: Progress | None) -> None:
        self._bar = bar
        self._whole: TaskID | None = None
        self._study: tuple[TaskID, int] | None = None
        self._done = 0
        self._text = ""
        self._compiling = 0

    def __call__(self, stage: str) -> None:
        """A stage begins."""
        self._begin(STAGES.get(stage, stage), share=SHARES.get(stage, 0))

    def part(self, name: str) -> None:
        """A file is being written."""
        self._begin(f"{STAGES['write']} {in_line(name)}", share=SHARES.get(name, 0))

    def count(self, done: int, total: int) -> None:
        """Some of the circuits are done."""
        if self._bar is None:
            return
        if self._study is None or self._study[1] != total:
            self._end_study()
            with undisturbed():  # a line drawn by halves would stay on the screen
                self._study = self._bar.add_task(STAGES["study"], total=total), total
        self._bar.update(self._study[0], completed=done)

    def compiling(self, more: int) -> None:
        """The compiler begins with a loop (1), or ends (-1)."""
        self._compiling += more
        if self._bar is not None and self._whole is not None:
            self._bar.update(self._whole, description=self._words())

    def _words(self) -> str:
        return self._text + (COMPILING if self._compiling else "")

    def _begin(self, text: str, *, share: int) -> None:
        if self._bar is None:
            return
        self._end_study()
        self._text = text
        if self._whole is None:
            with undisturbed():
                self._whole = self._bar.add_task(text, total=sum(SHARES.values()))
        self._bar.update(self._whole, description=self._words(), completed=self._done)
        self._done += share

    def _end_study(self) -> None:
        if self._bar is not None and self._study is not None:
            self._bar.remove_task(self._study[0])
        self._study = None


@contextmanager
def stage_progress() -> Iterator[StageProgress]:
    """Progress by stage on a terminal's standard error."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield StageProgress(None)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    text, left = TextColumn("{task.description}", markup=False), TimeRemainingColumn(compact=True)
    columns = (SpinnerColumn(), text, BarColumn(), TimeElapsedColumn(), TextColumn("left"), left)
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        progress = StageProgress(bar)
        watchers.append(progress.compiling)
        try:
            yield progress
        finally:
            watchers.remove(progress.compiling)


def print_summary(result: SurveyResult, out: Path) -> None:
    """Sites by status and band, the points to look at first, findings by severity, and where the files are."""
    sites = result.sites
    _print_what_if(result.record)
    points = result.switching_points
    n_sites, n_points, n_open = len(sites), int(in_normal_state(points).sum()), int((points["state"] == "open").sum())
    n_others = len(points) - n_points - n_open
    click.echo(
        f"{n_sites} three-phase site{'s' * (n_sites != 1)}, "
        f"{n_points} single-pole switching point{'s' * (n_points != 1)}"
        f"{f', {n_open} more normally open' if n_open else ''}"
        f"{f', {n_others} more on rings or in loops fed from the other end' if n_others else ''}\n"
    )
    status = sites["status"].astype(str).str.replace("_", " ")
    if n_sites:
        click.echo("By status   " + _counts(status, sorted(status.unique())))
        click.echo("By band     " + _counts(sites["band"], reversed(BANDS)))
    _print_first(sites, result.switching_points)
    _print_health(result.record["health"])
    counts = result.record["findings"]
    click.echo("Findings    " + ", ".join(f"{counts[s]} {s}" for s in SEVERITIES))
    _print_sensitivity(result.record.get("sensitivity", []))
    _print_unread_codes(result.record.get("unread_codes", []))
    _print_unread(result.record.get("unread_cable_texts", []))
    if not result.settings.study.run:
        click.echo("Study       left out: scores come from the screening margin alone")
    click.echo(f"\nResults in  {out}  (map.html, sites.csv, findings.csv, survey.gpkg, run.json)")
    click.echo(CAUTION)
    print_alarms(result.record["first_look"]["look_first"])


def _print_what_if(record: Mapping[str, Any]) -> None:
    """First of all, that the figures are those of a network that does not stand, and by which changes."""
    if words := what_if_words(record):
        click.secho(f"{words}: {NOT_BUILT}", bold=True)
        shown = record["changes_shown"]
        for change in shown[:MOST_CHANGES]:
            click.echo(f"  {in_line(change['text'])}")
        if len(shown) > MOST_CHANGES:
            click.echo(f"  ... {len(shown) - MOST_CHANGES} more in run.json")
        click.echo("")


def print_alarms(alarms: Sequence[str]) -> None:
    """The last line, and a loud one, where the settings or the export cannot be right."""
    if alarms:
        todo = "the settings do not fit the export, or it is not whole; see survey inspect EXPORT -s SETTINGS --check"
        click.secho(f"\nLOOK HERE FIRST  {'; '.join(alarms)}: {todo}", bold=True)


def print_first_look(look: FirstLook, *, unsure: int) -> None:
    """Judge settings by the network that they make."""
    sites = (
        f"{look.reached:,} of {look.sites:,} reached, {look.with_point:,} of them behind a single-pole point; "
        f"{look.points:,} such points placed"
    )
    km = look.metres / 1e3
    fed = f"{_share(look.fed_m, look.metres)} of {km:,.1f} km have a way to one of {look.sources:,} sources"
    typed = f"{_share(look.typed_m, look.shielded_m)} of {look.shielded_m / 1e3:,.1f} km of shielded cable have one"
    agree = f"at {look.agree:,} of {look.compared:,} sites as on the cable there"
    left = [f"{layer.name} ({layer.rows:,} {layer.drawn or 'rows'})" for layer in look.left_out]
    lines = {
        "Read": ", ".join(f"{count:,} {role}" for role, count in look.rows.items()),
        "Sites": sites,
        "Supply": fed if look.sources else "no sources are mapped; direction comes from the single-pole devices",
        "Cable types": f"{typed} that is understood, or a capacitance",
        "Voltages": agree if look.compared else "of sites and cables cannot be compared",
        "Left out": ", ".join(left) or "no layer",
        "Unsure": f"{_counted(unsure, 'line')} of the settings marked UNSURE" if unsure else "no line of the settings",
    }
    for label, text in lines.items():
        click.echo(labelled(label, text, indent=LABEL_WIDTH))
    print_alarms(list(look.alarms()))


def _share(part: float, whole: float) -> str:
    return f"{int(100 * part / whole)} %" if whole else "none"


def _print_health(health: Mapping[str, int]) -> None:
    """Parts of the network and dead ends, and what of it wants a look; the ids are in the findings."""
    whole = (
        f"{health['parts_with_source']} parts with a source, {health['parts_without_source']} without; "
        f"{health['dead_ends']} dead ends, {health['dead_ends_with_nothing']} of them with nothing recorded there"
    )
    click.echo("\n" + labelled("Network", whole))
    odd = [f"{words} {health[key]}" for key, words in ODD if health[key]]
    if odd:
        click.echo(labelled("", ", ".join(odd)))


def _print_sensitivity(entries: Sequence[Mapping[str, Any]]) -> None:
    """How the ranking moves when what the model takes for every winding is moved, each by itself."""
    if entries:
        said = [
            f"{' '.join(f'{name} {value:g}' for name, value in entry['moved'].items()) or 'simulated anew'}: "
            f"correlation {entry['rank_correlation']}, {entry['stay']} of the first {entry['first']} stay"
            for entry in entries
        ]
        click.echo(labelled("Ranking", "moves so: " + "; ".join(said)))


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _print_unread_codes(values: Sequence[Mapping[str, Any]]) -> None:
    """Coded values that were not known, as lines of settings: a whole answer once the meanings are filled in."""
    if not values:
        return
    click.echo(f"\nCodes not known: {_counted(len(values), 'value')}; what was counted instead is in the findings")
    click.echo("  To teach them, put these lines into the settings, with the meaning that holds here:")
    section = ""
    for entry in values[:MOST_CODES]:
        if entry["section"] != section:
            section = entry["section"]
            click.echo(f"  {section}")
        number = f"{entry['records']:,} record" + ("s" if entry["records"] > 1 else "")
        click.echo(f"  {entry['teach']} ({number})")
    if len(values) > MOST_CODES:
        click.echo(f"  ... {len(values) - MOST_CODES} more in run.json")


def _print_unread(texts: Sequence[Mapping[str, Any]]) -> None:
    """Cable texts that were not understood, those with most length first, and how to teach the first."""
    if not texts:
        return
    km = sum(entry["km"] for entry in texts)
    click.echo(f"\nCable types not understood: {len(texts)} texts, {km:.2f} km; a stand-in was used")
    for entry in texts[:MOST_TEXTS]:
        click.echo(f"  {entry['km']:9.2f} km  {entry['cables']:6d} cables  {ascii(entry['text'])[:TEXT_WIDTH]}")
    if len(texts) > MOST_TEXTS:
        click.echo(f"  ... {len(texts) - MOST_TEXTS} more in run.json")
    click.echo(
        "  To teach them, put lines like this into the settings, with the type or capacitance (480 nF/km) meant:"
    )
    click.echo(f"  [input.cable_type_patterns]\n  {texts[0]['teach']}")


def _counts(column: pd.Series[str], names: object) -> str:
    number = column.value_counts()
    return ", ".join(f"{int(number.get(name, 0))} {name}" for name in names)  # type: ignore[attr-defined]


def _print_first(sites: pd.DataFrame, points: pd.DataFrame) -> None:
    """The points that most of the risk hangs on, with the sites behind them; the map's list says the same."""
    entries = first_points(sites)
    figures = points.set_index("switch_id")[["exposed_cable_m", "peak_pu"]]
    if entries:
        click.echo("\nLook at these first")
    for number, (point, own) in enumerate(entries, start=1):
        worst = own.iloc[0]
        device = in_line(worst["worst_device"] or worst["switch_device"])
        cable_m, peak_pu = figures.loc[point].to_numpy(float)
        behind = "" if np.isnan(cable_m) else f", {cable_m:.0f} m of cable behind it"
        peak = "" if np.isnan(peak_pu) else f", up to {peak_pu:.1f} pu"
        listed = ", ".join(in_line(name) for name in own["site_id"].head(MOST_BEHIND))
        more = f" and {len(own) - MOST_BEHIND} more" if len(own) > MOST_BEHIND else ""
        text = f"{f'{device} {in_line(point)}'.strip()}: {band_counts(own)}{behind}{peak}: {listed}{more}"
        click.echo(labelled(f"  {number}.", text))
    ring = (sites["status"] == "looped") & sites["band"].isin(URGENT)
    _print_of_states(sites[ring], label="Rings", when="once the ring is opened")
    rank = {band: k for k, band in enumerate(BANDS)}
    worse = sites["tie_band"].isin(URGENT) & (sites["tie_band"].map(rank) > sites["band"].map(rank).fillna(-1)) & ~ring
    backfed = sites[worse].assign(band=sites["tie_band"])
    _print_of_states(backfed, label="Back-fed", when="that are of a lower band until their loop is fed another way")


def _print_of_states(sites: pd.DataFrame, *, label: str, when: str) -> None:
    """Sites that a state other than the normal one makes urgent."""
    if len(sites):
        listed = ", ".join(in_line(name) for name in sites["site_id"].head(MOST_BEHIND))
        more = f" and {len(sites) - MOST_BEHIND} more" if len(sites) > MOST_BEHIND else ""
        click.echo(labelled(label, f"{band_counts(sites)} {when}, see action: {listed}{more}"))
