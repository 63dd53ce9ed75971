"""Time of the survey with the states of loops against that of the normal state alone, on loops of several lengths.

``python tests/benchmarks/bench_ties.py [--sites 20000] [--loop-sites 10 20 40 80]``

Every network is made of loops alone, each between two sources, with an elbow on both sides of every transformer, one
of them open: the dearest there is. Processor seconds of building and assessing, without the study; reading and writing
are the same for both and left out. Compiling goes before. The exponent is that of what the states cost by the number of
devices, from the smallest loop to the largest of as many sites: 1 is in proportion.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from survey.findings import FindingList
from survey.network import build_network
from survey.pipeline import survey_built
from survey.read import read_network
from survey.settings import build_settings

CRS = 32625
RATINGS_KVA = (75.0, 150.0, 300.0, 500.0, 750.0)


def make_loops(folder: Path, *, loops: int, sites: int, seed: int = 1) -> Path:
    """Loops of so many sites each, 90 m apart, a loop every 300 m."""
    rng = np.random.default_rng(seed)
    at = np.repeat(np.arange(loops), sites + 1), np.tile(np.arange(sites + 1), loops)
    cable = np.char.add("C", np.char.zfill(np.arange(len(at[0])).astype(str), 8)).astype(object)

    def place(loop, step):
        return np.column_stack([450_000 + 90.0 * step, 4_600_000 + 300.0 * loop + 10.0 * (step % 2)])

    def node(loop, step):
        return (pd.Series(loop).astype(str) + "-" + pd.Series(step).astype(str)).to_numpy(object)

    def points(letter, loop, step, **columns):
        ids = np.char.add(letter, np.char.zfill(np.arange(len(loop)).astype(str), 8)).astype(object)
        table = pd.DataFrame({ID[letter]: ids, "node": node(loop, step), **columns})
        return gpd.GeoDataFrame(table, geometry=shapely.points(place(loop, step)), crs=CRS)

    ends = np.stack([place(*at), place(at[0], at[1] + 1)], axis=1)
    columns = {
        "cable_id": cable,
        "kv": 12.47,
        "cap_nf_km": 220.0,
        "length_m": np.round(rng.uniform(40, 120, len(cable))),
    }
    columns |= {"from_node": node(*at), "to_node": node(at[0], at[1] + 1)}
    inner = at[1] > 0
    kva = rng.choice(RATINGS_KVA, int(inner.sum()))
    elbow_loop, elbow_cable = np.tile(at[0], 2), np.tile(at[1], 2)
    elbow_step = np.concatenate([at[1], at[1] + 1])
    state = np.where((elbow_cable == sites // 2) & (elbow_step == elbow_cable), "open", "closed")
    layers = {
        "cables": gpd.GeoDataFrame(columns, geometry=shapely.linestrings(ends), crs=CRS),
        "transformers": points("T", at[0][inner], at[1][inner], kva=kva, kv=12.47, connection="delta", nll_w=2.5 * kva),
        "switches": points("S", elbow_loop, elbow_step, poles="single", state=state, guards=np.tile(cable, 2)),
        "sources": points("Q", np.tile(np.arange(loops), 2), np.repeat([0, sites + 1], loops)),
    }
    for name, frame in layers.items():
        frame.to_parquet(folder / f"{name}.parquet")
    return folder


ID = {"T": "site_id", "S": "switch_id", "Q": "source_id"}


def seconds(tables, *, either_end: bool) -> float:
    """Processor seconds of one survey."""
    settings, found = build_settings({"study": {"run": False}, "network": {"either_end": either_end}}), FindingList()
    began = time.process_time()
    network = build_network(tables, settings=settings.network, findings=found)
    survey_built(network, settings=settings, findings=found)
    return time.process_time() - began


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=20_000)
    parser.add_argument("--loop-sites", type=int, nargs="+", default=[10, 20, 40, 80])
    given = parser.parse_args()
    cost = []
    for sites in given.loop_sites:
        with tempfile.TemporaryDirectory() as folder:
            network = make_loops(Path(folder), loops=given.sites // sites, sites=sites)
            tables = read_network(network, settings=build_settings({}), findings=FindingList())
        if not cost:
            seconds(tables, either_end=True)
        normal, both = seconds(tables, either_end=False), seconds(tables, either_end=True)
        cost.append(both - normal)
        loops = f"{given.sites // sites:6} loops of {sites:4} sites"
        print(f"{loops}: {normal:.2f} s, with states {both:.2f} s, x {both / normal:.2f}")
    longer = given.loop_sites[-1] / given.loop_sites[0]
    exponent = 1 + np.log(max(cost[-1], 1e-3) / max(cost[0], 1e-3)) / np.log(longer)
    print(f"states of as many sites in loops {longer:.0f} times as long: exponent {exponent:.2f}")


if __name__ == "__main__":
    main()
