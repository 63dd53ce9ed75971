"""Double one thing at a time and see how the work grows: ``python tests/benchmarks/bench_growth.py [--cables 50000]``.

Each network is surveyed without the study in a process of its own, twice, the quicker counts; what a survey of next to
nothing takes is taken off. The exponent is the base-2 logarithm of the ratio of processor seconds: 1 is as fast as the
input grows, 0 is no growth at all. Of what grows alone (sites, findings, open points, vertices), the share that it has
in the whole is measured, so that exponents stay below 1; none may be above 1.1. Ends with status 1 if one is.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from bench_survey import run_child
from make_network import make_network, write_network

Frames = dict[str, gpd.GeoDataFrame]
MOST = 1.1
NOTHING = 200


def with_cables(cables: int, times: int) -> Frames:
    """So many times the cables, in so many times the feeders."""
    return make_network(cables * times)


def with_length(cables: int, times: int) -> Frames:
    """Feeders so many times as long; as many cables."""
    return make_network(cables, feeder_cables=1000 * times)


def with_sites(cables: int, times: int) -> Frames:
    """So many three-phase transformers at every pole."""
    frames = make_network(cables)
    sites = frames["transformers"]
    three = sites[sites["phases"] == "ABC"]
    more = [three.assign(site_id=three["site_id"] + f"-{k}") for k in range(1, times)]
    return frames | {"transformers": pd.concat([sites, *more], ignore_index=True)}


def with_findings(cables: int, times: int) -> Frames:
    """So many tenths of all cables with a kind of cable and a build that nobody knows, drawn short of their joint."""
    frames = make_network(cables)
    table = frames["cables"]
    odd = np.random.default_rng(2).random(len(table)) < 0.1 * times
    drawn = table.geometry.to_numpy().copy()
    drawn[odd] = shapely.transform(drawn[odd], lambda xy: xy + 0.05)
    table = table.set_geometry(gpd.GeoSeries(drawn, crs=table.crs))
    names = table["cable_id"].where(odd, table["build"])
    table = table.assign(build=names, cable_type=table["cable_id"].where(odd, table["cable_type"]))
    return frames | {"cables": table}


def with_open_points(cables: int, times: int) -> Frames:
    """Every fourth, or every second, open elbow in a loop, the others left away."""
    frames = make_network(cables)
    switches = frames["switches"]
    left = switches["state"].eq("open") & (np.arange(len(switches)) % 4 >= times)
    return frames | {"switches": switches[~left].reset_index(drop=True)}


def with_vertices(cables: int, times: int) -> Frames:
    """So many times ten vertices a cable."""
    frames = make_network(cables)
    table = frames["cables"]
    bent = shapely.segmentize(table.geometry.to_numpy(), table.length.to_numpy() / (10 * times))
    return frames | {"cables": table.set_geometry(gpd.GeoSeries(bent, crs=table.crs))}


GROWN: dict[str, Callable[[int, int], Frames]] = {
    "cables": with_cables,
    "length of feeders": with_length,
    "sites": with_sites,
    "findings": with_findings,
    "open points": with_open_points,
    "vertices a cable": with_vertices,
}


def work_s(frames: Frames, folder: Path) -> float:
    """Processor seconds of a survey."""
    network = write_network(frames, folder)
    command = [sys.executable, "-m", "survey", "run", str(network), "-o", str(folder / "out"), "--no-study"]
    return min(float(run_child(command)["work_s"]) for _ in range(2))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cables", type=int, default=50_000)
    parser.add_argument("--only", nargs="+", choices=tuple(GROWN), default=tuple(GROWN))
    given = parser.parse_args()
    worst = 0.0
    with tempfile.TemporaryDirectory() as scratch:
        work_s(make_network(NOTHING), Path(scratch) / "first")  # compiles, if need be
        start = work_s(make_network(NOTHING), Path(scratch) / "nothing")
        print(f"{'doubled':<20} {'seconds':>8} {'doubled':>8} {'exponent':>8}   (start {start:.2f} s)")
        for name in given.only:
            once, twice = (work_s(GROWN[name](given.cables, k), Path(scratch) / f"{name} {k}") for k in (1, 2))
            exponent = math.log2((twice - start) / (once - start))
            worst = max(worst, exponent)
            print(f"{name:<20} {once:8.2f} {twice:8.2f} {exponent:8.2f}", flush=True)
    sys.exit(1 if worst > MOST else 0)


if __name__ == "__main__":
    main()
