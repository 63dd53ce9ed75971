"""Command ``survey plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from survey import CAUTION
from survey.commands.paths import PATH
from survey.streams import in_line, written

if TYPE_CHECKING:
    from survey.planning.planning import Plan

MOST_ROWS = 20


@click.command(epilog=CAUTION)
@click.argument("out", type=PATH)
@click.option("--budget", required=True, type=float, help="Money, or the number of installs where none has a cost.")
@click.option(
    "--unit-costs",
    multiple=True,
    metavar="KIND=COST|FILE",
    help="Cost of three_pole, add_three_pole, or of one asset by id; or a CSV file (what, cost). Repeatable.",
)
@click.option("--must", type=PATH, help="CSV file (id): switches and sites that must be done.")
@click.option("--never", type=PATH, help="CSV file (id): switches and sites that must not.")
@click.option("--least", multiple=True, metavar="DISTRICT=SHARE", help="Least share of the budget. Repeatable.")
@click.option("--most", multiple=True, metavar="DISTRICT=SHARE", help="Largest share of the budget. Repeatable.")
@click.option("--network", type=PATH, help="Where the export is now, when it was moved.")
@click.option("-s", "--settings", "settings_file", type=PATH, help="Settings file; only its section [plan] is used.")
def plan(  # noqa: PLR0913 - one parameter an option
    out: Path,
    *,
    budget: float,
    unit_costs: tuple[str, ...],
    must: Path | None,
    never: Path | None,
    least: tuple[str, ...],
    most: tuple[str, ...],
    network: Path | None,
    settings_file: Path | None,
) -> None:
    """Choose the three-pole installs that remove most risk.

    They are chosen for a budget, from the survey in OUT. Risk is severity-weighted ringing operations a year, summed
    over all sites. There is no better plan among the installs considered, and what it leaves is proved by surveying
    the changed network; 'survey run --with OUT/plan_changes.csv' gives the same figures.
    """
    from survey.console import stage_progress
    from survey.planning.plan_files import write_plan
    from survey.planning.planning import make_plan
    from survey.planning.terms import PlanRequest, parse_pairs, read_costs, read_ids
    from survey.settings import load_settings

    request = PlanRequest(
        budget=budget,
        costs=read_costs(unit_costs),
        must=read_ids(must),
        never=read_ids(never),
        least=parse_pairs(least, option="--least"),
        most=parse_pairs(most, option="--most"),
        origins={
            "costs": " ".join(["--unit-costs", *unit_costs]),
            "must": f"--must {must}",
            "never": f"--never {never}",
            "least": "--least",
            "most": "--most",
        },
    )
    settings = None if settings_file is None else load_settings(settings_file)
    with stage_progress() as progress:
        found = make_plan(out, request=request, network_path=network, settings=settings, progress=progress)
        progress.part("plan")
        write_plan(found, out)
    with written(out):
        print_plan(found, out)


def print_plan(found: Plan, out: Path) -> None:
    """Installs in order, what is left, and the checks."""
    from survey.planning.plan_files import install_words

    for row in found.installs.head(MOST_ROWS).itertuples():
        sites = "site" if row.sites_helped == 1 else "sites"
        risk = f"removes {row.risk_removed:.3g} a year"
        click.echo(f"{row.order:4d}. {in_line(install_words(row))}: {row.sites_helped} {sites}, {risk}")
    if len(found.installs) > MOST_ROWS:
        click.echo(f"      ... {len(found.installs) - MOST_ROWS} more in plan.csv")
    spent = float(found.installs["cost"].sum())
    print_risk(found)
    click.echo(f"Spent       {spent:,.10g} of {found.request.budget:,.10g} on {len(found.installs)} installs")
    click.echo(f"Check       {greedy_words(found)}")
    click.echo(
        "            no better plan among the installs considered "
        f"(none leaves less{_more(found, ' by more than', found.optimum.gap)})\n"
        f"            the changed network, surveyed again, agrees{_more(found, ' within', found.model_error)}"
    )
    if found.candidates.left_out:
        click.echo(
            f"            {found.candidates.left_out} candidates that help least were left out (plan.candidates)"
        )
    click.echo(f"\nResults in  {out}  (plan.html, plan.csv, plan_changes.csv, plan_sites.csv, plan_map.png)")
    click.echo(CAUTION)


def print_risk(found: Plan) -> None:
    """The risk before and after, how much of it lies in back-fed states, and what nobody knows."""
    click.echo(
        f"\nRisk        {found.risk_before:.4g} before, {found.risk_after:.4g} after "
        "(severity-weighted ringing operations a year)"
    )
    if found.settings.network.either_end:
        often = found.settings.score.backfed_ops_year
        before, after = found.backfed("before"), found.backfed("after")
        click.echo(
            f"            of that {before:.4g} before, {after:.4g} after in back-fed states "
            f"(score.backfed_ops_year {often:g})"
        )
        if found.urgent_back_fed:
            click.echo(
                f"            {found.urgent_back_fed} sites of a low or moderate band after it are severe or high when "
                "back-fed (tie_band_after in plan_sites.csv)"
            )
    else:
        click.echo("            of the normal state alone: the survey was made so")
    if found.undecided:
        click.echo(f"            not known of {found.undecided} sites that come to hang on a ring not judged")


def greedy_words(found: Plan) -> str:
    """What always taking the best next one would leave, the shares of districts kept."""
    if found.greedy.short:
        return f"always taking the best next one misses the least share of {', '.join(found.greedy.short)}"
    greedy = float(found.greedy.risk[-1])
    better = max(0.0, greedy - found.optimum.risk)
    leaves = _more(found, "leaves", greedy, digits=4) or "leaves nothing"
    return f"always taking the best next one {leaves}; this plan is {_more(found, 'better by', better) or 'as good'}"


def _more(found: Plan, words: str, risk: float, *, digits: int = 2) -> str:
    """Words and a risk; nothing where it is rounding."""
    from survey.planning.planning import TOLD_APART

    return f"{words} {risk:.{digits}g}" if risk > TOLD_APART * found.risk_before else ""
