"""A seeded maker of large invented networks, for benchmarks only: arrays throughout, a million cables in seconds.

``python tests/benchmarks/make_network.py FOLDER --cables 100000 [--feeder-cables 1000] [--format gpkg|parquet]``

A feeder is an overhead main; at every main node an overhead branch leaves with ten poles; at every pole stands a block:
a looped or dead-ended chain of five shielded cables with one three-phase site, a single-phase cable branch and a
single-phase overhead branch. That is 101 cables and ten sites a main node. Where a device stands is left to its place
at risers and said by ``guards`` elsewhere. Every end lies up to 2 cm off its joint, so that ends are up to 4 cm apart.
``--feeder-cables`` of the size of the network makes one huge feeder of it.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]

POLES, PER_MAIN_NODE, MAIN_NODES_A_ROW = 10, 101, 100
CRS = 32625
OFFSET = np.array([450_000.0, 4_600_000.0])
NEXT_MAIN_NODE_M, NEXT_ROW_M, NEXT_POLE_M = 400.0, 2400.0, 200.0
OFF_JOINT_M = 0.02

# Places of a block's nodes relative to its pole, metres; "next" is the next pole of the branch.
NODES = {
    "pole": (0, 0), "a1": (60, 20), "a2": (120, 60), "a3": (140, 110), "a4": (100, 160), "a5": (170, 170),
    "next": (0, NEXT_POLE_M), "b1": (95, -15), "b2": (140, -25), "c1": (-60, 12), "c2": (-120, 35),
}  # fmt: skip
# From, to, phases, buried; the fifth piece of the chain comes back to the branch in a loop.
BLOCK = (
    ("pole", "a1", "ABC", True), ("a1", "a2", "ABC", True), ("a2", "a3", "ABC", True), ("a3", "a4", "ABC", True),
    ("a4", "a5", "ABC", True), ("a1", "b1", "A", True), ("b1", "b2", "A", True),
    ("pole", "c1", "B", False), ("c1", "c2", "B", False),
)  # fmt: skip
CHAIN_TYPES = ("1/0 TR-XLPE 15kV 133%", "#2 TR-XLPE 15kV 133%", "1/0 XLPE 15kV 133%", "4/0 TR-XLPE 15kV 133%")
WINDINGS = (("grounded_wye", "five_legged"), ("delta", "three_legged"), ("grounded_wye", "separate"),
            ("floating_wye", "separate"))  # fmt: skip
WINDING_SHARES = (0.6, 0.12, 0.2, 0.08)
RATINGS_KVA = (75.0, 112.5, 150.0, 225.0, 300.0, 500.0, 750.0)


@dataclass(frozen=True)
class Layout:
    """Places and numbers of poles; one row a pole, in order of main node and pole."""

    rng: np.random.Generator
    main_xy: Floats
    main_feeder: NDArray[np.int64]
    first_of_feeder: NDArray[np.bool_]
    pole_xy: Floats
    pole_of_branch: NDArray[np.int64]
    pole_feeder: NDArray[np.int64]
    looped: NDArray[np.bool_]


def lay_out(cables: int, *, feeder_cables: int = 1000, seed: int = 1) -> Layout:
    """Put the main nodes on the plane, feeder after feeder, folding long mains; poles follow."""
    total = max(1, round(cables / PER_MAIN_NODE))
    each = max(1, min(total, round(feeder_cables / PER_MAIN_NODE)))
    node = np.arange(total)
    feeder, along = np.divmod(node, each)
    rows_each = -(-each // MAIN_NODES_A_ROW)
    row, column = np.divmod(along, MAIN_NODES_A_ROW)
    column = np.where(row % 2, MAIN_NODES_A_ROW - 1 - column, column)
    width = min(each, MAIN_NODES_A_ROW) + 1
    across = max(1, int(np.sqrt(2.0 * (total / each) * rows_each * NEXT_ROW_M / (width * NEXT_MAIN_NODE_M))))
    x = ((feeder % across) * width + column) * NEXT_MAIN_NODE_M
    y = ((feeder // across) * rows_each + row) * NEXT_ROW_M
    main_xy = np.column_stack([x, y]) + OFFSET
    pole = np.tile(np.arange(POLES), total)
    pole_xy = np.repeat(main_xy, POLES, axis=0) + np.column_stack([np.full(len(pole), 30.0), 100 + pole * NEXT_POLE_M])
    return Layout(
        rng=np.random.default_rng(seed),
        main_xy=main_xy,
        main_feeder=feeder,
        first_of_feeder=along == 0,
        pole_xy=pole_xy,
        pole_of_branch=pole,
        pole_feeder=np.repeat(feeder, POLES),
        looped=(pole % 2 == 1) & (pole < POLES - 1),
    )


def numbered(letter: str, count: int) -> Texts:
    """Ids: a letter and seven digits."""
    return np.char.add(letter, np.char.zfill(np.arange(1, count + 1).astype(str), 7)).astype(object)


def make_cables(layout: Layout) -> tuple[gpd.GeoDataFrame, dict[str, Texts]]:
    """The cables, shuffled, and the ids of those that devices name: by piece of a block, ``branch``, ``main``."""
    xy = layout.pole_xy
    before_pole = np.vstack([xy[:1], xy[:-1]])
    before_pole[layout.pole_of_branch == 0] = layout.main_xy
    before_main = np.vstack([layout.main_xy[:1], layout.main_xy[:-1]])
    before_main[layout.first_of_feeder] = layout.main_xy[layout.first_of_feeder] - [180.0, 0.0]
    poles, mains = len(xy), len(layout.main_xy)
    starts, ends, phases, buried = [before_main, before_pole], [layout.main_xy, xy], ["ABC", "ABC"], [False, False]
    for first, last, carried, is_buried in BLOCK:
        place = np.broadcast_to(NODES[last], xy.shape)
        if last == "a5":
            place = np.where(layout.looped[:, None], NODES["next"], place)
        starts.append(xy + NODES[first])
        ends.append(xy + place)
        phases.append(carried)
        buried.append(is_buried)
    sizes = [mains] + [poles] * (len(starts) - 1)
    feeder = np.concatenate([layout.main_feeder, *[layout.pole_feeder] * (len(BLOCK) + 1)])
    frame = _cable_frame(layout.rng, ends=(np.vstack(starts), np.vstack(ends)), feeder=feeder)
    frame["phases"] = np.repeat(np.array(phases, object), sizes)
    frame["build"] = np.repeat(np.where(buried, "ug", "oh").astype(object), sizes)
    types = np.array(CHAIN_TYPES, object)[layout.rng.integers(len(CHAIN_TYPES), size=len(frame))]
    frame["cable_type"] = np.where(frame["build"] == "ug", types, None)
    parts = np.split(frame["cable_id"].to_numpy(), np.cumsum(sizes)[:-1])
    ids = dict(zip(["main", "branch", *map(str, range(len(BLOCK)))], parts, strict=True))
    return _shuffled(frame, layout.rng), ids


def _cable_frame(
    rng: np.random.Generator, *, ends: tuple[Floats, Floats], feeder: NDArray[np.int64]
) -> gpd.GeoDataFrame:
    first, last = ends
    count = len(first)
    middle = (first + last) / 2 + rng.uniform(-1.5, 1.5, (count, 2))
    xy = np.stack([first + _off_joint(rng, count), middle, last + _off_joint(rng, count)], axis=1)
    drawn = np.hypot(*np.diff(xy, axis=1).transpose(2, 0, 1)).sum(axis=1)
    recorded = np.where(rng.random(count) < 0.7, np.round(drawn * rng.uniform(1, 1.02, count), 1), np.nan)
    lines = shapely.linestrings(xy)
    columns = {"cable_id": numbered("C", count), "feeder": _names("F", feeder), "kv": 12.47, "length_m": recorded}
    return gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)


def _off_joint(rng: np.random.Generator, count: int) -> Floats:
    angle, size = rng.uniform(0, 2 * np.pi, count), OFF_JOINT_M * np.sqrt(rng.random(count))
    return size[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


def _names(letter: str, number: NDArray[np.int64]) -> Texts:
    names = np.array([f"{letter}{k:05d}" for k in range(int(number.max(initial=0)) + 1)], object)
    return names[number]


def _shuffled(frame: gpd.GeoDataFrame, rng: np.random.Generator) -> gpd.GeoDataFrame:
    return frame.iloc[rng.permutation(len(frame))].reset_index(drop=True)


def make_transformers(layout: Layout) -> gpd.GeoDataFrame:
    """One three-phase site a pole, at the second joint of its chain; a single-phase unit at the end of each branch."""
    rng, poles = layout.rng, len(layout.pole_xy)
    winding = rng.choice(len(WINDINGS), poles, p=WINDING_SHARES)
    kva = rng.choice(RATINGS_KVA, poles)
    loss_pct, exciting = 0.33 * (kva / 30) ** -0.27, np.round(rng.uniform(0.4, 0.9, poles), 1)
    three = pd.DataFrame(
        {
            "phases": "ABC",
            "kva": kva,
            "connection": np.array([w[0] for w in WINDINGS], object)[winding],
            "core": np.array([w[1] for w in WINDINGS], object)[winding],
            "nll_w": np.round(loss_pct * kva * 10),
            "exc_pct": exciting,
            "minload_kw": np.where(rng.random(poles) < 0.3, np.round(0.04 * kva, 1), np.nan),
            "customers": rng.integers(1, 60, poles),
            "critical": (rng.random(poles) < 0.01).astype(int),
        }
    )
    single = pd.DataFrame({"phases": ["A"] * poles + ["B"] * poles, "kva": 25.0, "customers": 5, "critical": 0})
    place = np.vstack([layout.pole_xy + NODES[name] for name in ("a2", "b2", "c2")])
    place += rng.uniform(-0.2, 0.2, place.shape)
    frame = gpd.GeoDataFrame(pd.concat([three, single], ignore_index=True), geometry=shapely.points(place), crs=CRS)
    feeder = np.tile(layout.pole_feeder, 3)
    frame = frame.assign(
        site_id=numbered("T", len(frame)), kv=12.47, feeder=_names("F", feeder), district=_names("D", feeder // 10)
    )
    return _shuffled(frame, rng)


def make_switches(layout: Layout, ids: dict[str, Texts]) -> gpd.GeoDataFrame:
    """Cutouts on risers and branches, elbows at sites, open elbows in loops, gang switches, reclosers."""
    rng, xy = layout.rng, layout.pole_xy
    first_pole = layout.pole_of_branch == 0
    gang_branch = rng.random(len(layout.main_xy)) < 0.3
    one_cable = ~np.concatenate([[False], layout.looped[:-1]])
    on_riser = np.where(one_cable & (rng.random(len(xy)) < 0.2), "gang switch", "cutout")
    with_elbow = rng.random(len(xy)) < 0.4
    loop_end = layout.looped
    every_tenth = np.arange(len(layout.main_xy)) % 10 == 4
    kinds = [
        (xy, on_riser, None, "closed"),
        (xy[loop_end] + NODES["next"], "cutout", None, "closed"),
        (xy, "fused cutout", ids["7"], "closed"),
        (xy[with_elbow] + NODES["a2"], "elbow", ids["1"][with_elbow], "closed"),
        (xy[with_elbow] + NODES["a2"], "elbow", ids["2"][with_elbow], "closed"),
        (xy[loop_end] + NODES["a3"], "elbow", ids["3"][loop_end], "open"),
        (xy + NODES["a1"], "elbow", ids["5"], "closed"),
        (layout.main_xy, np.where(gang_branch, "gang switch", "fused cutout"), ids["branch"][first_pole], "closed"),
        (layout.main_xy[every_tenth], "recloser", ids["main"][every_tenth], "closed"),
    ]
    parts = [
        pd.DataFrame({"x": p[:, 0], "y": p[:, 1], "device": device, "guards": guards, "state": state})
        for p, device, guards, state in kinds
    ]
    table = pd.concat(parts, ignore_index=True)
    place = table[["x", "y"]].to_numpy() + rng.uniform(-0.2, 0.2, (len(table), 2))
    frame = gpd.GeoDataFrame(table.drop(columns=["x", "y"]), geometry=shapely.points(place), crs=CRS)
    poles = np.where(frame["device"].isin(["gang switch", "recloser"]), "three", "single")
    return _shuffled(frame.assign(switch_id=numbered("S", len(frame)), poles=poles), rng)


def make_sources(layout: Layout) -> gpd.GeoDataFrame:
    """One source a feeder, at the start of its main."""
    place = layout.main_xy[layout.first_of_feeder] - [180.0, 0.0]
    feeder = layout.main_feeder[layout.first_of_feeder]
    columns = {"source_id": numbered("Q", len(place)), "feeder": _names("F", feeder)}
    return gpd.GeoDataFrame(columns, geometry=shapely.points(place), crs=CRS)


def make_network(cables: int, *, feeder_cables: int = 1000, seed: int = 1) -> dict[str, gpd.GeoDataFrame]:
    """The four layers of a network of about so many cables."""
    layout = lay_out(cables, feeder_cables=feeder_cables, seed=seed)
    frame, ids = make_cables(layout)
    return {
        "cables": frame,
        "transformers": make_transformers(layout),
        "switches": make_switches(layout, ids),
        "sources": make_sources(layout),
    }


def write_network(frames: dict[str, gpd.GeoDataFrame], folder: Path, *, file_format: str = "gpkg") -> Path:
    """Write the layers; returns what ``survey run`` is given."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        if file_format == "parquet":
            frame.to_parquet(folder / f"{name}.parquet")
        else:
            frame.to_file(folder / "network.gpkg", layer=name, engine="pyogrio", use_arrow=True)
    return folder if file_format == "parquet" else folder / "network.gpkg"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cables", type=int, default=100_000)
    parser.add_argument("--feeder-cables", type=int, default=1000)
    parser.add_argument("--format", choices=("gpkg", "parquet"), default="gpkg")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    frames = make_network(given.cables, feeder_cables=given.feeder_cables, seed=given.seed)
    path = write_network(frames, given.folder, file_format=given.format)
    print(path, {name: len(frame) for name, frame in frames.items()})


if __name__ == "__main__":
    main()
