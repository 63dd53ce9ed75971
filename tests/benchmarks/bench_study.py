"""Measure the study: against a plain integrator, on the sample, and on a hundred thousand sites.

``python tests/benchmarks/bench_study.py [--cases 8] [--cables 1000000] [--no-large]``

- **throughput**: the same operations of the poles, from dead, by the study's integrator and by a loop of scipy's
  ``solve_ivp`` (LSODA) over the equations of ``tests/physics/equations.py``, both in this process. The loop runs at the
  loosest tolerance at which it is as close to a run at 1e-9 as the study's integrator is, over the operations whose
  response repeats; compiling is left out.
- **sample**: wall seconds of the whole command: right after installation (nothing compiled, no curves), with no
  curves, and with all of them.
- **large**: the same command with no curves on an invented network of about a tenth as many sites as cables.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1] / "physics"))

from equations import Case, by_solve_ivp, by_study  # noqa: E402

from survey.physics.families import Circuit  # noqa: E402

SAMPLE = HERE.parents[2] / "sample_data" / "network.gpkg"
TOLERANCES = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7)


def make_cases(count: int) -> list[Case]:
    """Operations whose response repeats, evenly over the circuits, at random places."""
    rng, cases = np.random.default_rng(1), []
    for circuit in Circuit:
        found = 0
        while found < count:
            case = Case(
                circuit,
                int(rng.choice([1, 3, 5])),
                b=10 ** rng.uniform(-3, -1),
                g=10 ** rng.uniform(-2.5, -0.8),
                im=rng.uniform(0.003, 0.015),
                angle=rng.uniform(0, 2 * np.pi),
            )
            if by_study(case)[1] > 0:
                cases.append(case)
                found += 1
    return cases


def timed(solve: Callable[[Case], float], cases: list[Case]) -> tuple[np.ndarray, float]:
    """Sustained peaks of all cases, and the processor seconds they took."""
    started = time.process_time()
    peaks = np.array([solve(case) for case in cases])
    return peaks, time.process_time() - started


def throughput(count: int) -> None:
    """Print how many times the operations of the plain loop the study's integrator does in the same time."""
    cases = make_cases(count)
    truth, _ = timed(lambda case: by_solve_ivp(case, rtol=1e-9, atol=1e-11), cases)
    ours, study_s = timed(lambda case: by_study(case, cycles=(160, 160, 0, 10))[0], cases)
    error = np.median(np.abs(ours / truth - 1))
    print(f"throughput   {len(cases)} operations of 160 cycles: study {study_s:.3f} s, median error {error:.1e}")
    for tolerance in TOLERANCES:
        theirs, loop_s = timed(lambda case, r=tolerance: by_solve_ivp(case, rtol=r, atol=r / 100), cases)  # type: ignore[misc]
        off = np.median(np.abs(theirs / truth - 1))
        print(f"             solve_ivp at {tolerance:.0e}: {loop_s:.1f} s, median error {off:.1e}")
        if off <= error or tolerance == TOLERANCES[-1]:
            print(f"             ratio at the same accuracy {loop_s / study_s:.0f} (must: 100)")
            return


def survey_s(network: Path, scratch: Path, **folders: Path) -> float:
    """Wall seconds of one survey with its caches in the folders given."""
    environment = {**os.environ, **{name: str(folder) for name, folder in folders.items()}}
    started = time.perf_counter()
    command = [sys.executable, "-m", "survey", "run", str(network), "-o", str(scratch / "out")]
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def surveys(network: Path, *, name: str, first: bool) -> None:
    """Print the wall seconds of a survey with nothing compiled, no curves, and all curves."""
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        compiled = {"NUMBA_CACHE_DIR": scratch / "compiled"} if first else {}
        if first:
            seconds = survey_s(network, scratch, SURVEY_CACHE_DIR=scratch / "one", **compiled)
            print(f"{name:<12} first after installing {seconds:.1f} s")
        cold = survey_s(network, scratch, SURVEY_CACHE_DIR=scratch / "two", **compiled)
        warm = survey_s(network, scratch, SURVEY_CACHE_DIR=scratch / "two", **compiled)
        print(f"{name:<12} no curves {cold:.1f} s, all curves {warm:.1f} s")


def main() -> None:
    """Run the measures asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=8, help="operations of each circuit")
    parser.add_argument("--cables", type=int, default=1_000_000)
    parser.add_argument("--no-large", action="store_true")
    options = parser.parse_args()
    throughput(options.cases)
    surveys(SAMPLE, name="sample", first=True)
    if not options.no_large:
        with tempfile.TemporaryDirectory() as folder:
            maker = [sys.executable, str(HERE.with_name("make_network.py")), folder]
            subprocess.run([*maker, "--cables", str(options.cables)], check=True, stdout=subprocess.DEVNULL)
            surveys(next(Path(folder).glob("*.gpkg")), name="large", first=False)


if __name__ == "__main__":
    main()
