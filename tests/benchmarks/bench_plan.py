"""Measure a plan against the survey it is made from, both as whole commands, in one run.

``python tests/benchmarks/bench_plan.py [--sites 100000] [--candidates 5000] [--budget 200] [--study]``

A network of about so many three-phase sites is made and surveyed, with the study only where ``--study`` asks for it.
Then the plan is timed from start of the interpreter to the last file: reading the export, the choice, the
curve, the changed network surveyed again, tables and pictures. It must end in ``--seconds`` on 2 cores; the exit status
says whether it did. Smaller ``--sites`` for a quick look.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from bench_survey import Measure, run_child, warm_up
from make_network import make_network, write_network

CABLES_A_SITE = 10


def measure(folder: Path, *, given: argparse.Namespace) -> tuple[Measure, Measure, dict[str, object]]:
    """The survey, the plan, and what the plan says of itself."""
    network = write_network(make_network(given.sites * CABLES_A_SITE), folder)
    out, settings = folder / "out", folder / "bench.toml"
    settings.write_text(
        f"[study]\nrun = {str(given.study).lower()}\n[plan]\ncandidates = {given.candidates}\n", encoding="utf-8"
    )
    program = [sys.executable, "-m", "survey"]
    survey = run_child([*program, "run", str(network), "-o", str(out), "-s", str(settings)])
    plan = run_child([*program, "plan", str(out), "--budget", str(given.budget)])
    sites = sum(1 for _ in (out / "sites.csv").open(encoding="utf-8")) - 1
    return survey, plan, {"sites": sites, **json.loads((out / "plan.json").read_text(encoding="utf-8"))}


def print_figures(survey: Measure, plan: Measure, record: dict[str, object], *, must_s: float) -> bool:
    """Print both and their ratio; whether the plan was as quick as it must be."""
    print(json.dumps({name: value for name, value in record.items() if isinstance(value, int | float)}))
    print(f"{'command':<8} {'work s':>9} {'wall s':>9} {'peak MiB':>9}")
    for name, row in (("survey", survey), ("plan", plan)):
        print(f"{name:<8} {row['work_s']:9.2f} {row['wall_s']:9.2f} {row['peak_mib']:9.0f}")
    print(f"{'ratio':<8} {plan['work_s'] / survey['work_s']:9.2f} {plan['wall_s'] / survey['wall_s']:9.2f}")
    quick = bool(plan["wall_s"] < must_s)
    print(f"plan in {plan['wall_s']:.1f} s; must be under {must_s:g} s: {'yes' if quick else 'NO'}")
    return quick


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=100_000, help="three-phase sites of the network")
    parser.add_argument("--candidates", type=int, default=5000, help="most candidates that are weighed")
    parser.add_argument("--budget", type=float, default=200, help="number of installs")
    parser.add_argument("--seconds", type=float, default=60, help="the plan must take less")
    parser.add_argument("--study", action="store_true", help="with the time-domain study, its curves kept")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        warm_up(Path(scratch) / "warm")
        figures = measure(Path(scratch) / "network", given=given)
    sys.exit(0 if print_figures(*figures, must_s=given.seconds) else 1)


if __name__ == "__main__":
    main()
