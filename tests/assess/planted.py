"""Records thrown out of line one at a time: does any neighbour's band fall without a word?

``python tests/assess/planted.py --records 2000`` plants that many (``--study`` with the time-domain study: from the
atlas, and where that ends each circuit simulated itself, since curves of a thousandth of a rating take minutes each).
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.extend([str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "network")])

from build import named, tables
from exports import survey_tables

from survey.assess.score import BANDS
from survey.findings import FindingList
from survey.physics.curves import LOWEST
from survey.physics.sequences import sequence_weights
from survey.physics.study import CurveLibrary, StudyResult, direct
from survey.settings import build_settings

SQRT3 = 3**0.5
PLANTS = [
    *((field, factor) for field in ("rating_va", "no_load_loss_w", "exciting_pu") for factor in (1000, 10, SQRT3)),
    *((field, 1 / factor) for field in ("rating_va", "no_load_loss_w", "exciting_pu") for factor in (1000, 10, SQRT3)),
    *(("voltage_v", factor) for factor in (1000, 10, SQRT3, 1 / 1000, 1 / 10, 1 / SQRT3)),
    ("voltage_v", 480.0),
    ("voltage_v", 208.0),
]
"""Field and factor; a voltage above 100 is the secondary's, put in place of the primary's."""
RATINGS_VA = (75e3, 112.5e3, 150e3, 225e3, 300e3, 500e3, 750e3)
KINDS = (("delta", ""), ("floating_wye", ""), ("grounded_wye", "five_legged"), ("grounded_wye", "separate"))


def random_network(rng: random.Random):
    """A feeder of laterals behind cutouts, elbows along them, sites at their nodes; some banks, some kv missing."""
    cables, switches, sites = [], [], []
    for k in range(rng.randint(2, 4)):
        build, kv = rng.choice(["oh", "ug"]), rng.choice([12.47, 12.47, np.nan])
        cables.append(named(f"m{k}", f"n{k}", f"n{k + 1}", rng.uniform(50, 900), build=build))
        above = f"n{k + 1}"
        for j in range(rng.randint(1, 5)):
            node = f"l{k}_{j}"
            cables.append(named(f"c{k}_{j}", above, node, rng.choice([5, 20, 60, 150, 400]), kv=kv))
            kind = rng.choice(["", "three", ""]) if j else ""
            if j == 0 or rng.random() < 0.4:
                switches.append((f"w{k}_{j}", above, *([kind] if kind else []), f"guards=c{k}_{j}"))
            if j == 0 or rng.random() < 0.8:
                sites.append((f"t{k}_{j}", node, 12.47))
            above = node if rng.random() < 0.7 else above
    made = tables(cables, sites=sites, switches=switches, sources=[("g", "n0")])
    return replace(made, transformers=with_records(made.transformers, rng), switches=with_devices(made.switches))


def with_records(table: pd.DataFrame, rng: random.Random) -> pd.DataFrame:
    """Sites with random records."""
    n = len(table)
    rating = np.array([rng.choice(RATINGS_VA) for _ in range(n)])
    kinds = [rng.choice(KINDS) for _ in range(n)]
    loss_pu = np.array([rng.uniform(0.0012, 0.0035) for _ in range(n)])
    return table.assign(
        feeder="F",
        district="",
        rating_va=rating,
        connection=[c for c, _ in kinds],
        core=[c for _, c in kinds],
        no_load_loss_w=loss_pu * rating,
        exciting_pu=loss_pu * np.array([rng.uniform(1.3, 4) for _ in range(n)]),
        min_load_w=0.0,
        minload_3p="",
        arrester=[rng.choice(["yes", "no", "unknown"]) for _ in range(n)],
        customers=np.nan,
        critical=False,
        units=[rng.choice([1, 1, 3]) for _ in range(n)],
        usable=True,
    )


def with_devices(table: pd.DataFrame) -> pd.DataFrame:
    """Switches with all that the assessment asks for."""
    return table.assign(device="cutout", address="", arrester="unknown", ops_year=np.nan)


@dataclass(frozen=True)
class Found:
    """Band and notes of every site, by id."""

    bands: dict[str, int]
    notes: dict[str, str]


def answer_directly(library, circuit, sections, **_):
    """Stands in for curves on a grid; the load needed, which no band rests on, stays unknown."""
    answer = StudyResult.blank(len(sections.b))
    answer.in_model[:] = True
    weights = sequence_weights(circuit)
    for k, (b, p, im, load, one_phase) in enumerate(zip(*vars(sections).values(), strict=True)):
        for end, held in (("", {}), ("_loaded", {"load": load, "one_phase": one_phase})):
            bare, clamped = (
                direct(circuit, b=max(b, LOWEST[0]), p=p, im=im, clamped=arresters, **held)
                for arresters in (False, True)
            )
            of_sequence = bare[:, 0].reshape(-1, 2).max(axis=1)
            getattr(answer, f"peak{end}_pu")[k] = of_sequence.max()
            getattr(answer, f"likelihood{end}")[k] = (of_sequence > library.voltage_limit) @ weights
            getattr(answer, f"arrester_power{end}_pu")[k] = clamped[:, 1].max()
    return answer


def surveyed(network, *, study: bool) -> Found:
    """Survey the tables."""
    settings = build_settings({"study": {"run": study}})
    sites = survey_tables(network, settings=settings, findings=FindingList()).result.sites
    place = {band: k for k, band in enumerate(BANDS)}
    bands = {s: place[b] for s, b in zip(sites["site_id"], sites["band"], strict=True) if b in place}
    return Found(bands, dict(zip(sites["site_id"], sites["notes"], strict=True)))


def planted(network, site: int, field: str, factor: float):
    """The network with one record thrown out of line."""
    table = network.transformers.copy()
    value = factor if field == "voltage_v" and factor > 100 and factor != 1000 else table[field].iloc[site] * factor
    table.loc[table.index[site], field] = value
    # what reading does with an exciting current that is not above the loss
    low = table["exciting_pu"] <= table["no_load_loss_w"] / table["rating_va"] * (1 + 1e-6)
    table.loc[low, "exciting_pu"] = np.nan
    return replace(network, transformers=table)


def silent(before: Found, after: Found, bad: str) -> list[str]:
    """Neighbours whose band fell, or who are gone, without a word on a record."""
    return [
        site
        for site, band in before.bands.items()
        if site != bad and after.bands.get(site, -1) < band and "record" not in after.notes.get(site, "")
    ]


def plant(records: int, *, seed: int, study: bool = False, per_network: int = 20):
    """Plant records in random networks; yield what was done wherever a neighbour was cleared silently.

    Yields
    ------
    Number planted so far, and words, ``""`` where all is well.
    """
    rng = random.Random(seed)
    done = 0
    while done < records:
        network = random_network(rng)
        before = surveyed(network, study=study)
        for _ in range(min(per_network, records - done)):
            site, (field, factor) = rng.randrange(len(network.transformers)), rng.choice(PLANTS)
            bad = str(network.transformers["site_id"].iloc[site])
            cleared = silent(before, surveyed(planted(network, site, field, factor), study=study), bad)
            done += 1
            yield done, f"seed {seed}, record {done}: {bad} {field} x {factor:.4g} clears {cleared}" if cleared else ""


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--records", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--study", action="store_true")
    asked = parser.parse_args()
    CurveLibrary._answer = answer_directly
    faults = []
    for _, words in plant(asked.records, seed=asked.seed, study=asked.study):
        if words:
            faults.append(words)
            sys.stdout.write(f"{words}\n")
            sys.stdout.flush()
    sys.stdout.write(f"{asked.records} records planted, {len(faults)} clear a neighbour silently\n")
    sys.exit(bool(faults))
