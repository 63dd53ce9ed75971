"""Measure the survey against bare reading and writing, and against a loop over sites, in one run.

``python tests/benchmarks/bench_survey.py [--sizes 10000 100000 1000000] [--study] [--huge] [--loop-sites 200]``

Every measure runs in a process of its own; seconds of work are processor time, user and system together, start of the
interpreter and imports included for the survey and left out for the floors. Peak memory is the process's own.

- **survey**: ``python -m survey run`` with the study left out; with ``--study`` also with it, on an empty and on a warm
  cache. A small survey goes before all, so that compiling after an installation is in no figure.
- **floor A**: reading the same input layers and writing the same output tables, with Arrow only.
- **floor B**: the same with GeoDataFrames.
- **loop**: what an analyst writes with networkx: for each site a shortest path to its source, then the part that hangs
  on the first single-pole device. Measured on some sites and taken times the number of sites. Its exposed lengths are
  compared with those of the survey.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

Measure = dict[str, Any]
HERE = Path(__file__).resolve()
LAYERS = ("cables", "transformers", "switches", "sources")


def run_child(command: list[str], *, environment: dict[str, str] | None = None) -> Measure:
    """Run a command; its processor seconds, wall seconds and peak memory, and the last line it prints if JSON."""
    started = time.perf_counter()
    with tempfile.TemporaryFile("w+") as output:
        child = subprocess.Popen(command, stdout=output, env={**os.environ, **(environment or {})})
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - started
        output.seek(0)
        lines = output.read().splitlines()
    if status:
        msg = f"{' '.join(command)} ended with status {status}"
        raise RuntimeError(msg)
    measured = {"work_s": usage.ru_utime + usage.ru_stime, "wall_s": wall, "peak_mib": usage.ru_maxrss / 1024}
    reported = json.loads(lines[-1]) if lines and lines[-1].startswith("{") else {}
    return measured | reported


def timed(*actions: Callable[[], None]) -> None:
    """Run actions and print their processor and wall seconds as JSON."""
    work, wall = time.process_time(), time.perf_counter()
    for action in actions:
        action()
    print(json.dumps({"work_s": time.process_time() - work, "wall_s": time.perf_counter() - wall}))


def floor_a(network: Path, out: Path, scratch: Path) -> None:
    """Read and write with Arrow only."""
    import pyarrow.csv
    import pyarrow.parquet
    import pyogrio

    whole_rows = pyarrow.csv.ReadOptions(block_size=1 << 28)
    tables = {path.name: pyarrow.csv.read_csv(path, whole_rows) for path in sorted(out.glob("*.csv"))}
    drawn = {str(name): pyogrio.read_arrow(out / "survey.gpkg", layer=name) for name in _spatial_layers(out)}

    def read() -> None:
        for layer in LAYERS:
            pyogrio.read_arrow(network, layer=layer)

    def write() -> None:
        for name, table in tables.items():
            pyarrow.csv.write_csv(table, scratch / name)
        for name, (meta, table) in drawn.items():
            pyogrio.write_arrow(
                table, scratch / "survey.gpkg", layer=name, driver="GPKG", crs=meta["crs"],
                geometry_type=meta["geometry_type"], geometry_name=meta["geometry_name"] or "wkb_geometry",
                append=(scratch / "survey.gpkg").exists(),
            )  # fmt: skip

    timed(read, write)


def floor_b(network: Path, out: Path, scratch: Path) -> None:
    """Read and write with GeoDataFrames."""
    import geopandas as gpd
    import pandas as pd

    tables = {path.name: pd.read_csv(path, low_memory=False) for path in sorted(out.glob("*.csv"))}
    drawn = {str(name): gpd.read_file(out / "survey.gpkg", layer=name) for name in _spatial_layers(out)}
    page = (out / "map.html").read_text(encoding="utf-8") if (out / "map.html").exists() else ""

    def read() -> None:
        for layer in LAYERS:
            gpd.read_file(network, layer=layer)

    def write() -> None:
        for name, table in tables.items():
            table.to_csv(scratch / name, index=False)
        for name, frame in drawn.items():
            frame.to_file(scratch / "survey.gpkg", layer=name)
        (scratch / "map.html").write_text(page, encoding="utf-8")

    timed(read, write)


def _spatial_layers(out: Path) -> list[str]:
    import pyogrio

    layers = pyogrio.list_layers(out / "survey.gpkg")
    return [str(name) for name, kind in layers if kind is not None and name != "paths"]  # a view holds nothing


def loop(network: Path, out: Path, _scratch: Path, *, sites: int) -> None:
    """Survey some sites one by one and compare; prints seconds for all sites and how many lengths agree."""
    import pandas as pd
    from site_loop import LoopSurvey

    began = time.process_time()
    survey = LoopSurvey(network)
    built = time.process_time() - began
    expected = pd.read_csv(out / "sites.csv", low_memory=False).set_index("site_id")
    chosen = survey.sites.sort_values("site_id").iloc[:: max(1, len(survey.sites) // sites)]
    began = time.process_time()
    found = {row.site_id: survey.exposed_m(row.site_id) for row in chosen.itertuples()}
    each = (time.process_time() - began) / len(found)
    agree = sum(survey.agrees(expected.loc[site], found[site]) for site in found)
    total = built + each * len(survey.sites)
    print(json.dumps({"work_s": total, "wall_s": total, "each_ms": each * 1e3, "agree": f"{agree} of {len(found)}"}))


def measure_size(folder: Path, *, cables: int, given: argparse.Namespace, huge: bool = False) -> list[Measure]:
    """All measures on one network."""
    feeder = cables if huge else 1000
    # in a process of its own: a child's peak counts from that of the process that starts it
    made = [sys.executable, HERE.with_name("make_network.py"), folder, "--cables", cables, "--feeder-cables", feeder]
    run_child([str(word) for word in made])
    network = folder / "network.gpkg"
    out, settings = folder / "out", folder / "bench.toml"
    settings.write_text("[study]\nrun = false\n", encoding="utf-8")
    survey = [sys.executable, "-m", "survey", "run", str(network), "-o", str(out)]
    name = f"{cables:,}" + (" in one feeder" if huge else "")
    rows = [{"network": name, "measure": "survey", **run_child([*survey, "-s", str(settings)])}]
    for kind in () if huge else ("floor-a", "floor-b", "loop"):
        command = [sys.executable, str(HERE), kind, str(network), str(out), "--loop-sites", str(given.loop_sites)]
        if kind != "loop" or cables <= given.loop_up_to:
            rows.append({"network": name, "measure": kind, **run_child(command)})
    if given.study and not huge:
        cache = {"XDG_CACHE_HOME": str(folder / "cache")}
        for state in ("cold", "warm"):
            rows.append({"network": name, "measure": f"survey, study {state}", **run_child(survey, environment=cache)})
    return rows


def warm_up(folder: Path) -> None:
    """One small survey, so that compiling once after an installation is in no figure."""
    from make_network import make_network, write_network

    network = write_network(make_network(1000), folder)
    settings = folder / "bench.toml"
    settings.write_text("[study]\nrun = false\n", encoding="utf-8")
    run_child([sys.executable, "-m", "survey", "run", str(network), "-o", str(folder / "out"), "-s", str(settings)])


def print_table(rows: list[Measure]) -> None:
    """The figures, with the work as a multiple of floor B of the same network."""
    floor = {row["network"]: row["work_s"] for row in rows if row["measure"] == "floor-b"}
    print(f"{'network':>26}  {'measure':<20} {'work s':>9} {'wall s':>9} {'peak MiB':>9} {'x floor B':>9}")
    for row in rows:
        share = row["work_s"] / floor[row["network"]] if row["network"] in floor else float("nan")
        more = "  ".join(f"{key} {row[key]}" for key in ("each_ms", "agree") if key in row)
        figures = f"{row['work_s']:9.2f} {row['wall_s']:9.2f} {row['peak_mib']:9.0f} {share:9.2f}"
        print(f"{row['network']:>26}  {row['measure']:<20} {figures}  {more}")


def child(kind: str, network: Path, out: Path, *, sites: int) -> None:
    """One measure in this process."""
    with tempfile.TemporaryDirectory() as scratch:
        if kind == "loop":
            loop(network, out, Path(scratch), sites=sites)
        else:
            {"floor-a": floor_a, "floor-b": floor_b}[kind](network, out, Path(scratch))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("child", nargs="*", help=argparse.SUPPRESS)
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--study", action="store_true", help="also with the study, cache cold and warm")
    parser.add_argument("--huge", action="store_true", help="also each size as one feeder")
    parser.add_argument("--loop-sites", type=int, default=200)
    parser.add_argument("--loop-up-to", type=int, default=100_000, help="largest network for the loop over sites")
    given = parser.parse_args()
    if given.child:
        kind, network, out = given.child
        child(kind, Path(network), Path(out), sites=given.loop_sites)
        return
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        warm_up(Path(scratch) / "warm")
        for cables in given.sizes:
            for huge in (False, True)[: 1 + given.huge]:
                rows += measure_size(Path(scratch) / f"{cables}{huge}", cables=cables, given=given, huge=huge)
    print_table(rows)


if __name__ == "__main__":
    main()
