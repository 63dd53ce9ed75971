"""The atlas against direct simulation: ``python tests/benchmarks/bench_atlas.py``.

The simulated sections stand in ``atlas_reference.csv`` beside this file: 600 random sections of each family (p 0.08 to
0.6 %, im 0.1 to 2.5 %, b 3e-5 to 1.5; every third within a factor of 1.5 of where its peak first crosses 1.25 per
unit), each with ten sets of about 3,000 operations without load. The largest of all 30,000 is the settled peak that the
atlas is held against; how far one set of 3,000 is from it says what a user's own simulation would give. Ten sets of
some 700 with arresters, ten of 440 with load. ``--simulate`` makes the figures of the sections in the table anew, with
``--graphics`` on a graphics processor (a minute a family).
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

import numpy as np

from survey.physics.atlas import shipped_atlas
from survey.physics.atlas_answer import STEP_OF_LOAD
from survey.physics.curves import CurveParameters
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights
from survey.physics.study import CurveLibrary

sys.path.insert(0, str(Path(__file__).parents[1] / "atlas"))
from nodes import BLOCKS, CLAMPED_DENSITY, DENSITY, Found

TABLE = Path(__file__).with_name("atlas_reference.csv")
SETS = 10
"""Independent sets of draws; their peaks are kept one by one."""
INPUTS = ("circuit", "b", "p", "im", "load", "near_onset")
PEAKS = tuple(f"peak_{k}_pu" for k in range(1, SETS + 1))
OUTPUTS = (
    *PEAKS,
    "likelihood",
    "likelihood_1",
    "clamped_pu",
    "arrester_power_pu",
    "arrester_power_1_pu",
    "peak_loaded_pu",
    "likelihood_loaded",
    "load_held_pu",
)
CLAMPED_FROM_PU = 1.7
"""An arrester takes nothing of what ends below."""
BATCH = 4200
LIMIT_PU = 1.25
STEPS_TRIED = (1, 0, -1, -2, -3, -4)
"""Steps of load around what the look-up says is needed, at which 3,000 operations are simulated."""


def random_sections(circuit, count, seed):
    """Inputs of sections, every third near the onset as the atlas has it: how those of the table were drawn, seed 1."""
    rng = np.random.default_rng([int(circuit), seed])
    p, im = 10 ** rng.uniform(-3.1, -2.22, count), 10 ** rng.uniform(-3.0, -1.6, count)
    b = 10 ** rng.uniform(-4.5, 0.18, count)
    load = np.where(np.arange(count) % 3 == 1, 10 ** rng.uniform(-2.5, -0.7, count), 0)
    curves = shipped_atlas(circuit).fine
    for k in range(0, count, 3):
        _, peak = curves.find("peak", b=curves.b, g=np.full(len(curves.b), p[k]), im=np.full(len(curves.b), im[k]))
        b[k] = curves.b[(peak > LIMIT_PU).argmax()] * 1.5 ** rng.uniform(-1, 1)
    return b, p, im, load


def sets_of(engine, circuit, rows, *, blocks, density):
    """Peak, share above the limit and arrester power of every set of draws that no node has, each of (n, sets)."""
    weights, n = np.repeat(sequence_weights(circuit), density) / density, len(rows)
    numbers = np.repeat(BLOCKS + np.arange(SETS * blocks), n)
    many = np.tile(rows, (SETS * blocks, 1))
    parts = [
        Found.of(engine(circuit, many[at : at + BATCH], numbers[at : at + BATCH], density=density))
        for at in range(0, len(many), BATCH)
    ]
    peaks, powers = (
        np.concatenate([getattr(part, name) for part in parts]).reshape(SETS, blocks, n, -1)
        for name in ("peaks", "powers")
    )
    return peaks.max(axis=(1, 3)).T, ((peaks > LIMIT_PU) @ weights).mean(axis=1).T, powers.max(axis=(1, 3)).T


def simulated(engine, circuit, b, p, im, load):
    """Columns of the table."""
    rows, clamped = (CurveParameters().rows(b, p, im=im, clamped=held) for held in (False, True))
    density = DENSITY[circuit]
    peaks, shares, _ = sets_of(engine, circuit, rows, blocks=7, density=density)
    some, hot = np.flatnonzero(load > 0), np.flatnonzero(peaks.max(axis=1) > CLAMPED_FROM_PU)
    held, _, powers = sets_of(engine, circuit, clamped[hot], blocks=2, density=2 * CLAMPED_DENSITY)
    loaded = CurveParameters().rows(b[some], (p + load)[some], im=im[some])
    peaks_loaded, shares_loaded, _ = sets_of(engine, circuit, loaded, blocks=1, density=density)
    out = np.full((len(OUTPUTS), len(b)), np.nan)
    out[:SETS], out[SETS : SETS + 2] = peaks.T, (shares.mean(axis=1), shares[:, 0])
    out[SETS + 2 : SETS + 5, hot] = held.max(axis=1), powers.max(axis=1), powers[:, 0]
    out[SETS + 5 : SETS + 7, some] = peaks_loaded.max(axis=1), shares_loaded.mean(axis=1)
    rings = np.flatnonzero(peaks.max(axis=1) > LIMIT_PU)
    out[SETS + 7, rings] = load_held(engine, circuit, b[rings], p[rings], im[rings])
    return out


def load_held(engine, circuit, b, p, im):
    """Least load of the steps tried from which on 3,000 operations stay under the limit; infinite: none of them."""
    kinds = np.full(len(b), int(circuit))
    needed = CurveLibrary(cache_dir=None).look_up(kinds, b=b, p=p, im=im, load=0.0).load_needed_pu
    held, still = np.full(len(b), np.inf), np.ones(len(b), bool)
    for step in STEPS_TRIED:
        g = np.maximum((p + needed) * STEP_OF_LOAD**step, p)
        rows = CurveParameters().rows(b, g, im=im)
        out = [engine(circuit, rows, np.full(len(b), BLOCKS + k), density=DENSITY[circuit]) for k in range(7)]
        still &= np.max([part[..., 0].max(axis=(1, 2)) for part in out], axis=0) <= LIMIT_PU
        held[still] = g[still] - p[still]
    return held


def simulate_table(engine, table):
    """Write the table with figures made anew for its sections."""
    columns = [np.nan_to_num(table[name]) for name in INPUTS[1:]]
    with TABLE.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(INPUTS + OUTPUTS)
        for circuit in Circuit:
            inputs = [column[table["circuit"] == circuit] for column in columns]
            for row in zip(*inputs, *simulated(engine, circuit, *inputs[:4]), strict=True):
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


def settled(table, sets=SETS):
    """Largest peak of the first sets of draws."""
    return np.max([table[name] for name in PEAKS[:sets]], axis=0)


def repeats(table):
    """Sections whose sets of 3,000 operations agree within one per cent: there the voltage is one figure."""
    peaks = [table[name] for name in PEAKS]
    return np.max(peaks, axis=0) <= 1.01 * np.min(peaks, axis=0)


def line(title, found, simulated_peak, chosen, *, shares=None):
    """One line of the report."""
    parts = "".join(f"{100 * part:7.1f}" for part in agreement(found[chosen], simulated_peak[chosen]))
    within = "" if shares is None else f"{100 * share_within(*(share[chosen] for share in shares)):15.1f}"
    print(f"{title:44}{chosen.sum():9d}{parts}{within}")


def report(table):
    """Print how the look-up and one set of 3,000 operations agree with all sets, and the look-up with one set."""
    found, peak = compared(table), settled(table)
    shares = found.likelihood, table["likelihood"]
    print(f"{'':44}{'sections':>9}{'in 5 %':>7}{'-2 %':>7}{'-5 %':>7}{'+5 %':>7}{'+15 %':>7}{'share in 0.05':>15}")
    for circuit in Circuit:
        kind, name = table["circuit"] == circuit, circuit.name.lower()
        near, rings = kind & (table["near_onset"] == 1), kind & (peak > LIMIT_PU)
        same = kind & repeats(table)
        for title, chosen in (("", kind), (", near the onset", near), (", ringing", rings), (", repeats", same)):
            line(name + title, found.peak_pu, peak, chosen, shares=shares)
        one = table[PEAKS[0]]
        line("  look-up against one set", found.peak_pu, one, kind, shares=(shares[0], table["likelihood_1"]))
        line("  one set against all", one, peak, kind, shares=(table["likelihood_1"], shares[1]))
        line("  one set against another", table[PEAKS[1]], one, kind)
        halves = [np.max([table[name] for name in half], axis=0) for half in (PEAKS[::2], PEAKS[1::2])]
        line("  five sets against the other five", *halves, kind)
        for sets in (2, 5):
            line(f"  the largest of {sets} against all", settled(table, sets), peak, kind)
        missed, alarms = rings & (found.peak_pu <= LIMIT_PU), kind & ~rings & (found.peak_pu > LIMIT_PU)
        loaded = kind & np.isfinite(table["peak_loaded_pu"])
        within = 100 * share_within(found.likelihood_loaded[loaded], table["likelihood_loaded"][loaded])
        print(f"  ringing missed {missed.sum()}, calm taken for ringing {alarms.sum()}; shares at load {within:.0f} %")
        report_load(found, table, kind)
        power = kind & (np.nan_to_num(table["arrester_power_pu"]) > 1e-3)
        for title, watts in (("look-up", found.arrester_power_pu), ("one set", table["arrester_power_1_pu"])):
            ratio = watts[power] / table["arrester_power_pu"][power]
            print(
                f"  arresters, above 0.1 % of rating, {title}: within 25 %"
                f" {100 * np.mean(abs(np.log(np.maximum(ratio, 1e-9))) < np.log(1.25)):.0f} %,"
                f" more than 25 % under {100 * np.mean(ratio < 0.75):.1f} %"
            )


def report_load(found, table, kind):
    """Print whether the load that the look-up says is needed is enough, and by how many steps too much."""
    asked = kind & (table["load_held_pu"] >= 0) & found.load_cures & (found.load_needed_pu > 0)
    needed, held = (load[asked] + table["p"][asked] for load in (found.load_needed_pu, table["load_held_pu"]))
    with np.errstate(divide="ignore"):
        more = np.log(needed / held) / np.log(STEP_OF_LOAD)
    least = " / ".join(f"{100 * np.mean(more <= steps + 0.5):.0f}" for steps in (1, 2, 3))
    print(f"  load needed: not enough {100 * np.mean(more < -0.5):.1f} %; at most 1 / 2 / 3 steps too much {least} %")


def main():
    parser = argparse.ArgumentParser(description="the atlas against direct simulation")
    parser.add_argument("--simulate", action="store_true", help="make the figures of the table's sections first")
    parser.add_argument("--graphics", action="store_true", help="on a graphics processor (needs numba-cuda)")
    options = parser.parse_args()
    if options.simulate:
        import fill

        engine = fill.graphics_processor() if options.graphics else fill.processors(2)
        simulate_table(engine, read_table())
    report(read_table())


if __name__ == "__main__":
    main()
