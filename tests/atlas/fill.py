"""Fill the atlas, in parts that can be computed anywhere, stopped and continued.

``python tests/atlas/fill.py PARTS --minutes M`` computes nodes that neither the files that ship nor the parts in that
folder have, and writes them to parts of its own; ``--graphics`` does so on a graphics processor, as fast as
some five hundred others; ``--deep K N`` computes the K-th of N parts of the usual nodes anew that ring and have not
taken all draws. ``python tests/atlas/fill.py PARTS`` makes the files that ship of both.
"""

from __future__ import annotations

import argparse
import multiprocessing as mp
import os
import sys
import time
import uuid
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import cube
import nodes

from survey.physics.atlas import FOLDER, shipped_atlas
from survey.physics.atlas_axes import axes_of
from survey.physics.curves import NODE_CYCLES, CurveParameters, simulate
from survey.physics.families import Circuit

BATCH = 6144
JUMP, JUMPS_FROM_PU = 1.25, 2.0
"""Ratio of neighbouring peaks, the lower under this, from which the place of a jump is searched."""
CLEAN_JUMP, SAME_BRANCH, PART_OF_JUMP = 0.12, 0.08, 0.5
"""Step of the logarithm of the peak from which it is searched wherever those before and after are small: under the
second, or under that part of the step. Judgement: so large a step is no slope where the curve is even on both sides."""
HALVINGS = 5
DEEP = 3
"""Stage after the others: usual nodes that ring, or nearly, take all draws."""
DEEP_FROM_PU = 0.95
ROUGH = 4
"""Last stage: those of them that disagree with the nodes beside them take more, calm ones a stretch, not a plan."""
ROUGH_FROM = 0.006
DEEP_BATCH = 3072


def _one(job):
    circuit, row, block, density = job
    return simulate(circuit, row[None], density=density, block=block, cycles=NODE_CYCLES)[0]


def processors(workers):
    """An engine that simulates one node a process at a time."""
    # compiled once, before the fork
    simulate(Circuit.DELTA, nodes.rows_at(Circuit.DELTA, *np.zeros((3, 1), int), clamped=True))
    pool = mp.get_context("fork").Pool(workers)

    def engine(circuit, rows, blocks, *, density):
        jobs = [(circuit, row, int(block), density) for row, block in zip(rows, blocks, strict=True)]
        return np.stack(pool.map(_one, jobs, chunksize=1))

    return engine


def graphics_processor():
    """An engine that simulates some hundred nodes at once on a graphics processor."""
    from graphics import Solver

    return Solver().engine


def wanted(circuit, have, stage):
    """Nodes to compute next, those of usual sections first; a stage below 0 is that of every second node."""
    if stage >= DEEP:
        return _usual(circuit, have, stage)
    places = cube.coarse_nodes(have) if stage < 0 else cube.rough_nodes(have, stage)
    return usual_first(circuit, np.random.default_rng(0).permutation(places))


def usual_first(circuit, places):
    """Places of nodes, those of usual sections before the others."""
    b, g, im = (axis[at] for axis, at in zip(axes_of(circuit), places.T[[2, 0, 1]], strict=True))
    usual = (g > 6e-4) & (g < 1e-2) & (im > 8e-4) & (b > 2.5e-5) & (b < 2.0)
    return places[np.argsort(~usual, kind="stable")]


def _usual(circuit, have, stage):
    """Nodes around usual sections: those that ring, or those that want more draws, the roughest first."""
    of_b, of_g, of_im = axes_of(circuit)
    g, im, b = (axis.reshape(shape) for axis, shape in zip((of_g, of_im, of_b), cube.SIDES, strict=True))
    usual = (g > 6e-4) & (g < 7e-3) & (im > 8e-4) & (im < 3e-2) & (b > 2.5e-5) & (b < 1.7)
    rings = cube.ringing(have, DEEP_FROM_PU)
    draws = np.nan_to_num(have[..., cube.DRAWS])
    if stage == DEEP:
        return np.random.default_rng(0).permutation(np.argwhere(usual & rings & (draws < nodes.ALL)))
    rough = cube.disagreement(have)
    want = usual & np.where(rings, (rough > ROUGH_FROM) & (draws < nodes.MANY), draws <= 1)
    places = np.argwhere(want)
    return places[np.argsort(-np.where(rings, rough, np.inf)[tuple(places.T)], kind="stable")]


def deepen(folder, engine, *, part, parts, minutes, circuits=tuple(Circuit), stage=DEEP):
    """Give one of some parts of the usual nodes that ring all draws, or those that disagree more."""
    for circuit in circuits:
        until = time.monotonic() + 60.0 * minutes / len(circuits)
        have = have_of(folder, circuit)
        places = wanted(circuit, have, stage)[part::parts]
        for at in range(0, len(places), DEEP_BATCH):
            if time.monotonic() > until:
                break
            some = places[at : at + DEEP_BATCH]
            was = have[tuple(some.T)]
            if stage == DEEP:
                out = nodes.compute_bare(engine, circuit, *some.T, stretches=nodes.STRETCHES[-1:])
                out[:, cube.EDGE] = np.nan_to_num(was[:, cube.EDGE])
                out = np.where(np.isnan(out), was, out)
            else:
                out = nodes.add_draws(engine, circuit, *some.T, was)
            have[tuple(some.T)] = out
            cube.write_part(folder / f"{circuit.name.lower()}-{part}-{uuid.uuid4().hex}.npz", have, some)
            print(f"{circuit.name.lower()}: {at + len(some)} of {len(places)} nodes", flush=True)


def fill_stage(engine, circuit, have, *, stage, until):
    """Compute the nodes of a stage; return the places of those that were finished in time."""
    places = wanted(circuit, have, stage)
    for at in range(0, len(places), BATCH):
        if time.monotonic() > until:
            return places[:at]
        some = places[at : at + BATCH]
        out, was = nodes.compute_bare(engine, circuit, *some.T), have[tuple(some.T)]
        if stage < 0:
            nodes.add_arresters(engine, circuit, *some.T, out)
        have[tuple(some.T)] = np.where(np.isnan(was), out, was)
    return places


def jumps(have):
    """Places where the peak jumps to the next node of b and it is not known where, shape (n, 3)."""
    peak = have[..., cube.PEAK]
    low, high = peak[..., :-1], peak[..., 1:]
    step = np.pad(np.abs(np.diff(np.log(peak + cube.LEAST["peak"]))), ((0, 0), (0, 0), (1, 1)), constant_values=np.inf)
    before, here, after = step[..., :-2], step[..., 1:-1], step[..., 2:]
    with np.errstate(invalid="ignore"):
        least, most = np.fmin(low, high), np.fmax(low, high)
        found = (most > np.maximum(1.0, JUMP * least)) & (least <= JUMPS_FROM_PU)
        beside = np.fmax(before, after)
        found |= (here > CLEAN_JUMP) & (beside < np.fmax(SAME_BRANCH, PART_OF_JUMP * here)) & (most > DEEP_FROM_PU)
    return np.argwhere(found & (have[..., :-1, cube.EDGE] == 0.0) & np.isfinite(low * high))


def find_edges(engine, circuit, have, *, until=np.inf):
    """Search where the peak jumps between neighbours along b; return the places found in time, shape (n, 3)."""
    places = usual_first(circuit, jumps(have))
    for at in range(0, len(places), BATCH):
        if time.monotonic() > until:
            return places[:at]
        g, im, b = places[at : at + BATCH].T
        have[g, im, b, cube.EDGE] = _edges(engine, circuit, have[..., cube.PEAK], (g, im, b))
    return places


def _edges(engine, circuit, peak, places):
    """Parts of the way to the next node of b at which peaks jump."""
    g, im, b = places
    of_b, of_g, of_im = axes_of(circuit)
    low, high = peak[g, im, b], peak[g, im, b + 1]
    limit, rises = np.sqrt(low * high), high > low
    left, right = np.zeros(len(b)), np.ones(len(b))
    for _ in range(HALVINGS):
        middle = 0.5 * (left + right)
        between = of_b[b] ** (1.0 - middle) * of_b[b + 1] ** middle
        rows = CurveParameters().rows(between, of_g[g], im=of_im[im])
        sooner = _exceeds(engine, circuit, rows, limit=limit, first=nodes.first_block(g, im, b)) == rises
        left, right = np.where(sooner, left, middle), np.where(sooner, middle, right)
    return 0.5 * (left + right)


def _exceeds(engine, circuit, rows, *, limit, first):
    """Whether any sequence ends above a limit."""
    beyond = np.zeros(len(rows), bool)
    for number in range(nodes.BLOCKS):
        left = np.flatnonzero(~beyond)
        if len(left):
            blocks = (first[left] + number) % nodes.BLOCKS
            out = engine(circuit, rows[left], blocks, density=nodes.DENSITY[circuit])
            beyond[left] = out[..., 0].max(axis=(1, 2)) > limit[left]
    return beyond


def have_of(folder, circuit):
    """Nodes that ship or are in a part."""
    atlas, parts = shipped_atlas(circuit), cube.read_parts(folder, circuit)
    have = cube.empty(circuit) if atlas is None else cube.nodes_of(atlas, circuit)
    fresh = cube.computed(parts)
    have[fresh] = parts[fresh]
    return have


def fill(folder, engine, *, minutes, circuits=tuple(Circuit), stages=(-1, 0, 1, 2)):
    """Compute what is missing, stage by stage, and write every stage of a circuit to a part."""
    begun = time.monotonic()
    for stage in stages:
        for circuit in circuits:
            have = have_of(folder, circuit)
            until = begun + 60.0 * minutes
            places = fill_stage(engine, circuit, have, stage=stage, until=until)
            edges = find_edges(engine, circuit, have, until=until) if stage >= 0 else places[:0]
            if len(places) or len(edges):
                done = np.unique(np.concatenate([places, edges]), axis=0)
                cube.write_part(folder / f"{circuit.name.lower()}-{uuid.uuid4().hex}.npz", have, done)
            print(f"{time.monotonic() - begun:.0f} s: {circuit.name.lower()}, stage {stage}: {len(places)} nodes")


def assemble(folder):
    """Write the files that ship."""
    for circuit in Circuit:
        have = have_of(folder, circuit)
        print(f"{circuit.name.lower()}: {cube.computed(have).mean():.1%} of the nodes computed, the others bridged")
        cube.write_atlas(FOLDER / f"{circuit.name.lower()}.npz", cube.make_atlas(have, circuit))


def main():
    parser = argparse.ArgumentParser(description="fill the atlas in parts, or assemble the parts")
    parser.add_argument("parts", type=Path, help="folder of finished parts")
    parser.add_argument("--minutes", type=float, help="compute for about so long; without it the parts are assembled")
    parser.add_argument("--graphics", action="store_true", help="on a graphics processor (needs numba-cuda)")
    parser.add_argument("--deep", type=int, nargs=2, metavar=("K", "N"), help="the K-th of N parts, from 0")
    parser.add_argument("--rough", action="store_true", help="with --deep: those that disagree with their neighbours")
    parser.add_argument("--circuits", nargs="+", default=[circuit.name.lower() for circuit in Circuit])
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    if options.minutes is None:
        assemble(options.parts)
    else:
        engine = graphics_processor() if options.graphics else processors(options.workers)
        circuits = tuple(Circuit[name.upper()] for name in options.circuits)
        if options.deep:
            part, parts = options.deep
            stage = ROUGH if options.rough else DEEP
            of_all = {"minutes": options.minutes, "circuits": circuits, "stage": stage}
            deepen(options.parts, engine, part=part, parts=parts, **of_all)
        else:
            fill(options.parts, engine, minutes=options.minutes, circuits=circuits)


if __name__ == "__main__":
    main()
