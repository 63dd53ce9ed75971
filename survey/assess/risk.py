"""Risk: how often a site rings, weighted by how badly, and by what depends on it.

What each single-pole point up the way of a site adds to its risk: operations a year x share of sequences that ring x
severity, lowered by what protects, times consequence; in words, severity-weighted ringing operations a year.
"""

import csv
import re
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints
from survey.assess.behaviour import Figures
from survey.assess.choice import points_above
from survey.assess.circuits import Circuits, SectionValues
from survey.assess.score import consequence, lowered_by_gang, lowered_by_load
from survey.assess.windings import Windings
from survey.network import Network
from survey.settings import ScoreSettings, Settings


@dataclass(frozen=True)
class PointRisks:
    """Pairs of a site and a single-pole point up its way, the nearest first.

    ``site``, ``section`` row of the site, position of the point among the sections, shape (n_pairs,); ``risk`` what the
    point adds to the site's risk, a year, shape (n_pairs,); ``ops_year`` operations a year of the point of every
    section, shape (n_sections,).
    """

    site: Ints
    section: Ints
    risk: Floats
    ops_year: Floats

    def of_sites(self, n_sites: int) -> Floats:
        """Risk of every site, shape (n_sites,)."""
        return np.bincount(self.site, weights=self.risk, minlength=n_sites).astype(np.float64)

    def of_sections(self) -> Floats:
        """Sum over the sites of what the point of every section adds, shape (n_sections,)."""
        return np.bincount(self.section, weights=self.risk, minlength=len(self.ops_year)).astype(np.float64)


def point_risks(
    network: Network,
    windings: Windings,
    *,
    values: SectionValues,
    circuits: Circuits,
    figures: Figures,
    settings: Settings,
) -> PointRisks:
    """What every point adds to the risk of every site below it."""
    ops_year = operations_a_year(network.tables.switches, settings=settings.score)[network.sections.device]
    rate, weight = ringing_rate(figures, settings=settings.score), site_consequence(network, settings=settings.score)
    family, n_sections = np.where(windings.usable, windings.family, -1), len(values.rating_va)
    known = np.flatnonzero(circuits.index(network.walks.section, family, n_sections=n_sections) >= 0)
    pairs = []
    for site, section, gang in points_above(network.walks, known, values=values, settings=settings):
        rows = circuits.index(section, family[site], n_sections=n_sections)
        here = lowered_by_gang(np.append(rate, 0.0)[rows], gang, settings=settings.score)
        pairs.append((site, section, ops_year[section] * here * weight[site]))
    site, section, risk = (np.concatenate(part) for part in zip(*pairs, strict=True)) if pairs else _NONE
    return PointRisks(site, section, risk, ops_year)


_NONE = (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


def ringing_rate(figures: Figures, *, settings: ScoreSettings) -> Floats:
    """Severity-weighted share of sequences that ring, 0-1, lowered by the load that counts, shape (n_circuits,)."""
    bare, loaded = figures.share * figures.hazard / 100, figures.share_loaded * figures.loaded / 100
    return lowered_by_load(bare, loaded, settings=settings)


def site_consequence(network: Network, *, settings: ScoreSettings) -> Floats:
    """What depends on every site, 1 and more, shape (n_sites,)."""
    sites = network.tables.transformers
    customers = np.nan_to_num(sites["customers"].to_numpy(np.float64))
    rating = np.nan_to_num(sites["rating_va"].to_numpy(np.float64))
    return consequence(customers, sites["critical"].to_numpy(bool), rating_va=rating, settings=settings)


def operations_a_year(switches: pd.DataFrame, *, settings: ScoreSettings) -> Floats:
    """Operations a year of every switch: its own record, else by the first kind that its text names as a word."""
    recorded = switches["ops_year"].to_numpy(np.float64)
    code, kinds = switches["device"].factorize()
    by_kind = np.array([_usual(str(kind), settings) for kind in kinds] + [settings.ops_year_other])
    return np.where(np.isfinite(recorded), recorded, by_kind[code])


@lru_cache(maxsize=1)
def device_words() -> dict[str, str]:
    """Kind of device by other words for it, those of other languages too (``data/device_words.csv``)."""
    with files("survey").joinpath("data", "device_words.csv").open(encoding="utf-8") as stream:
        return {word: row["kind"] for row in csv.DictReader(stream) for word in row["words"].split("|")}


def _usual(device: str, settings: ScoreSettings) -> float:
    said = re.split(r"\W+", device.casefold())
    words = {*said, *(device_words()[word] for word in said if word in device_words())}
    return next((rate for kind, rate in settings.ops_year.items() if kind.casefold() in words), settings.ops_year_other)
