"""The atlas against direct simulation: ``python tests/benchmarks/bench_atlas.py``.

The simulated sections stand in ``atlas_reference.csv`` beside this file: random sections (p 0.08 to 0.6 %, im 0.1 to
2.5 %, b 3e-5 to 1.5; every third within a factor of 1.5 of where its peak first crosses 1.25 per unit), about 2,900
operations each without load, 370 with arresters, 730 with load. ``--simulate SECTIONS`` makes the table anew (two
processors take about an hour for 100 a family).
"""

from __future__ import annotations

import argparse
import csv
import multiprocessing as mp
from pathlib import Path

import numpy as np

from survey.physics.atlas import shipped_atlas
from survey.physics.curves import NODE_CYCLES, CurveParameters, simulate
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights
from survey.physics.study import CurveLibrary

TABLE = Path(__file__).with_name("atlas_reference.csv")
INPUTS = ("circuit", "b", "p", "im", "load", "near_onset")
OUTPUTS = (
    "peak_pu",
    "likelihood",
    "typical_pu",
    "clamped_pu",
    "arrester_power_pu",
    "peak_loaded_pu",
    "likelihood_loaded",
)
SHIPPED = (Circuit.DELTA, Circuit.FLOATING_WYE, Circuit.FIVE_LEGGED)
LIMIT_PU = 1.25


def random_sections(circuit, count, seed):
    """Inputs of sections, every third near the onset as the atlas has it."""
    rng = np.random.default_rng([int(circuit), seed])
    atlas = shipped_atlas(circuit)
    p, im = 10 ** rng.uniform(-3.1, -2.22, count), 10 ** rng.uniform(-3.0, -1.6, count)
    b, load = (
        10 ** rng.uniform(-4.5, 0.18, count),
        np.where(np.arange(count) % 3 == 1, 10 ** rng.uniform(-2.5, -0.7, count), 0),
    )
    for k in range(0, count, 3):
        _, peak = atlas.find("peak", b=atlas.b, g=np.full(len(atlas.b), p[k]), im=np.full(len(atlas.b), im[k]))
        b[k] = atlas.b[(peak > LIMIT_PU).argmax()] * 1.5 ** rng.uniform(-1, 1)
    return [(circuit, b[k], p[k], im[k], load[k], int(k % 3 == 0)) for k in range(count)]


def sequences(circuit, b, g, im, *, clamped, density, block):
    """Peaks and powers of every sequence, and weights."""
    row = CurveParameters().rows(np.array([b]), np.array([g]), im=np.array([im]), clamped=clamped)
    found = simulate(circuit, row, density=density, block=block, cycles=NODE_CYCLES)[0].max(axis=1)
    return found[:, 0], found[:, 1], np.repeat(sequence_weights(circuit), density) / density


def simulated(section):
    """The row of one section."""
    circuit, b, p, im, load, _ = section
    parts = [sequences(circuit, b, p, im, clamped=False, density=16, block=block) for block in range(1, 5)]
    peaks = np.concatenate([part[0] for part in parts])
    share = np.mean([part[2] @ (part[0] > LIMIT_PU) for part in parts])
    ringing = peaks[peaks > LIMIT_PU]
    clamped, power, _ = sequences(circuit, b, p, im, clamped=True, density=8, block=2)
    loaded = ("", "")
    if load > 0:
        some, _, weights = sequences(circuit, b, p + load, im, clamped=False, density=16, block=1)
        loaded = (some.max(), weights @ (some > LIMIT_PU))
    typical = np.median(ringing) if len(ringing) else ""
    return (*section, peaks.max(), share, typical, clamped.max(), power.max(), *loaded)


def simulate_table(count, seed):
    """Write the table of simulated sections."""
    rows = [section for circuit in SHIPPED for section in random_sections(circuit, count, seed)]
    with mp.get_context("fork").Pool() as pool, TABLE.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(INPUTS + OUTPUTS)
        for row in pool.imap(simulated, rows):
            writer.writerow([row[0].name.lower(), *(f"{value:.6g}" if value != "" else "" for value in row[1:])])


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


def report(table):
    """Print how look-up and simulation agree."""
    found = compared(table)
    print(f"{'':34}{'sections':>9}{'in 5 %':>8}{'-2 %':>7}{'-5 %':>7}{'+5 %':>7}{'+15 %':>7}{'share in 0.05':>15}")
    for circuit in SHIPPED:
        kind = table["circuit"] == circuit
        groups = {
            "all": kind,
            "near the onset": kind & (table["near_onset"] == 1),
            "ringing": kind & (table["peak_pu"] > LIMIT_PU),
        }
        for name, chosen in groups.items():
            parts = "".join(f"{100 * part:7.1f}" for part in agreement(found.peak_pu[chosen], table["peak_pu"][chosen]))
            share = np.mean(abs(found.likelihood - table["likelihood"])[chosen] <= 0.05)
            print(f"{circuit.name.lower() + ', ' + name:34}{chosen.sum():9d}{parts}{100 * share:15.1f}")
        missed = kind & (table["peak_pu"] > LIMIT_PU) & (found.peak_pu <= LIMIT_PU)
        alarms = kind & (table["peak_pu"] <= LIMIT_PU) & (found.peak_pu > LIMIT_PU)
        loaded = kind & np.isfinite(table["peak_loaded_pu"])
        share = abs(found.likelihood_loaded - table["likelihood_loaded"])[loaded]
        power = kind & (table["arrester_power_pu"] > 1e-3)
        ratio = found.arrester_power_pu[power] / table["arrester_power_pu"][power]
        within = 100 * np.mean(abs(np.log(ratio)) < np.log(1.25))
        print(
            f"  ringing sections missed {missed.sum()}, calm ones taken for ringing {alarms.sum()}; with load "
            f"{100 * np.mean(share <= 0.05):.0f} % of shares in 0.05"
        )
        print(
            f"  arresters, above 0.1 % of rating: within 25 % {within:.0f} %, "
            f"more than 25 % under {100 * np.mean(ratio < 0.75):.1f} %"
        )


def main():
    parser = argparse.ArgumentParser(description="the atlas against direct simulation")
    parser.add_argument("--simulate", type=int, metavar="SECTIONS", help="sections of each family to simulate first")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    if options.simulate:
        simulate_table(options.simulate, options.seed)
    report(read_table())


if __name__ == "__main__":
    main()
