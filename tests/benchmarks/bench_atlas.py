"""The atlas against direct simulation: ``python tests/benchmarks/bench_atlas.py``.

The simulated sections stand in ``atlas_reference.csv`` beside this file: 600 random sections of each family (p 0.08 to
0.6 %, im 0.1 to 2.5 %, b 3e-5 to 1.5; every third within a factor of 1.5 of where its peak first crosses 1.25 per
unit), about 3,000 operations each without load, and as many again with other draws: the larger peak of both is what the
atlas is held against, and how far they are apart says how well it is known; some 450 with arresters, 1,700 with load.
``--simulate SECTIONS`` makes the table anew, with
``--graphics`` on a graphics processor (nine seconds a family; two others take an hour).
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

import numpy as np

from survey.physics.atlas import shipped_atlas
from survey.physics.curves import CurveParameters
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights
from survey.physics.study import CurveLibrary

sys.path.insert(0, str(Path(__file__).parents[1] / "atlas"))
from nodes import BLOCKS, CLAMPED_DENSITY, DENSITY, Found

TABLE = Path(__file__).with_name("atlas_reference.csv")
INPUTS = ("circuit", "b", "p", "im", "load", "near_onset")
OUTPUTS = (
    "peak_pu",
    "peak_again_pu",
    "likelihood",
    "likelihood_again",
    "typical_pu",
    "clamped_pu",
    "arrester_power_pu",
    "peak_loaded_pu",
    "likelihood_loaded",
)
LIMIT_PU = 1.25


def random_sections(circuit, count, seed):
    """Inputs of sections, every third near the onset as the atlas has it."""
    rng = np.random.default_rng([int(circuit), seed])
    p, im = 10 ** rng.uniform(-3.1, -2.22, count), 10 ** rng.uniform(-3.0, -1.6, count)
    b = 10 ** rng.uniform(-4.5, 0.18, count)
    load = np.where(np.arange(count) % 3 == 1, 10 ** rng.uniform(-2.5, -0.7, count), 0)
    curves = shipped_atlas(circuit).fine
    for k in range(0, count, 3):
        _, peak = curves.find("peak", b=curves.b, g=np.full(len(curves.b), p[k]), im=np.full(len(curves.b), im[k]))
        b[k] = curves.b[(peak > LIMIT_PU).argmax()] * 1.5 ** rng.uniform(-1, 1)
    return b, p, im, load


def peaks_and_shares(engine, circuit, rows, *, blocks):
    """Peak of every sequence, shape (n, sequences), and share above the limit, over blocks of draws no node has."""
    density = DENSITY[circuit]
    found = [Found.of(engine(circuit, rows, np.full(len(rows), k), density=density)).peaks for k in blocks]
    weights = np.repeat(sequence_weights(circuit), density) / density
    return np.concatenate(found, axis=1), np.mean([(peaks > LIMIT_PU) @ weights for peaks in found], axis=0)


def simulated(engine, circuit, b, p, im, load):
    """Columns of the table."""
    rows, clamped = (CurveParameters().rows(b, p, im=im, clamped=held) for held in (False, True))
    peaks, share = peaks_and_shares(engine, circuit, rows, blocks=range(BLOCKS, BLOCKS + 7))
    again, share_again = peaks_and_shares(engine, circuit, rows, blocks=range(2 * BLOCKS, 2 * BLOCKS + 7))
    held = [
        Found.of(engine(circuit, clamped, np.full(len(b), k), density=2 * CLAMPED_DENSITY))
        for k in range(BLOCKS, BLOCKS + 2)
    ]
    some = np.flatnonzero(load > 0)
    loaded = CurveParameters().rows(b[some], (p + load)[some], im=im[some])
    peaks_loaded, share_loaded = peaks_and_shares(engine, circuit, loaded, blocks=range(BLOCKS, BLOCKS + 4))
    out = np.full((len(OUTPUTS), len(b)), np.nan)
    typical = [np.median(row[row > LIMIT_PU]) if (row > LIMIT_PU).any() else np.nan for row in peaks]
    of_held = np.max([one.peaks.max(axis=1) for one in held], 0), np.max([one.powers.max(axis=1) for one in held], 0)
    out[:7] = peaks.max(axis=1), again.max(axis=1), share, share_again, typical, *of_held
    out[7:, some] = peaks_loaded.max(axis=1), share_loaded
    return out


def simulate_table(engine, count, seed):
    """Write the table of simulated sections."""
    with TABLE.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(INPUTS + OUTPUTS)
        for circuit in Circuit:
            inputs = random_sections(circuit, count, seed)
            near = np.arange(count) % 3 == 0
            for row in zip(*inputs, near, *simulated(engine, circuit, *inputs), strict=True):
                writer.writerow([circuit.name.lower(), *("" if np.isnan(v) else f"{v:.5g}" for v in row)])


def read_table():
    """Columns of the table, NaN where empty; circuits as their numbers."""
    with TABLE.open(newline="") as file:
        rows = list(csv.DictReader(file))
    table = {name: np.array([float(row[name] or "nan") for row in rows]) for name in (*INPUTS[1:], *OUTPUTS)}
    return table | {"circuit": np.array([int(Circuit[row["circuit"].upper()]) for row in rows])}


def compared(table):
    """Look every section of the table up."""
    load = np.nan_to_num(table["load"])
    return CurveLibrary(cache_dir=None).look_up(table["circuit"], b=table["b"], p=table["p"], im=table["im"], load=load)


def agreement(found, simulated_peak):
    """Parts of the sections within 5 %, more than 2 and 5 % under, more than 5 and 15 % over."""
    error = found / simulated_peak - 1.0
    return [np.mean(part) for part in (abs(error) <= 0.05, error < -0.02, error < -0.05, error > 0.05, error > 0.15)]


def share_within(found, other):
    """Part of the sections whose shares are within 0.05."""
    return np.mean(np.abs(found - other) <= 0.05)


def largest(table):
    """Largest peak of both simulations."""
    return np.maximum(table["peak_pu"], table["peak_again_pu"])


def line(title, found, share, table, chosen, *, peak=None):
    """One line of the report."""
    simulated_peak = largest(table) if peak is None else peak
    parts = "".join(f"{100 * part:7.1f}" for part in agreement(found[chosen], simulated_peak[chosen]))
    within = 100 * share_within(share[chosen], table["likelihood"][chosen])
    print(f"{title:44}{chosen.sum():9d}{parts}{within:15.1f}")


def report(table):
    """Print how look-up and simulation agree, and how a second simulation does."""
    found = compared(table)
    print(f"{'':44}{'sections':>9}{'in 5 %':>7}{'-2 %':>7}{'-5 %':>7}{'+5 %':>7}{'+15 %':>7}{'share in 0.05':>15}")
    for circuit in Circuit:
        kind, name = table["circuit"] == circuit, circuit.name.lower()
        near, rings = kind & (table["near_onset"] == 1), kind & (largest(table) > LIMIT_PU)
        for title, chosen in (("", kind), (", near the onset", near), (", ringing", rings)):
            line(name + title, found.peak_pu, found.likelihood, table, chosen)
        again, share = table["peak_again_pu"], table["likelihood_again"]
        line("  one simulation against the other", again, share, table, kind, peak=table["peak_pu"])
        missed, alarms = rings & (found.peak_pu <= LIMIT_PU), kind & ~rings & (found.peak_pu > LIMIT_PU)
        loaded = kind & np.isfinite(table["peak_loaded_pu"])
        within = 100 * share_within(found.likelihood_loaded[loaded], table["likelihood_loaded"][loaded])
        print(f"  ringing missed {missed.sum()}, calm taken for ringing {alarms.sum()}; shares at load {within:.0f} %")
        power = kind & (table["arrester_power_pu"] > 1e-3)
        ratio = found.arrester_power_pu[power] / table["arrester_power_pu"][power]
        print(
            f"  arresters, above 0.1 % of rating: within 25 % {100 * np.mean(abs(np.log(ratio)) < np.log(1.25)):.0f} %,"
            f" more than 25 % under {100 * np.mean(ratio < 0.75):.1f} %"
        )


def main():
    parser = argparse.ArgumentParser(description="the atlas against direct simulation")
    parser.add_argument("--simulate", type=int, metavar="SECTIONS", help="sections of each family to simulate first")
    parser.add_argument("--graphics", action="store_true", help="on a graphics processor (needs numba-cuda)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.simulate:
        import fill

        engine = fill.graphics_processor() if options.graphics else fill.processors(2)
        simulate_table(engine, options.simulate, options.seed)
    report(read_table())


if __name__ == "__main__":
    main()
