"""For every site: its own section, and the section upstream with the greatest hazard.

Nearest is not always worst: an elbow at the transformer itself hides the cutout that exposes the whole lateral. Of all
sections up the way whose rating is no more than ``worst_kva`` the one with the greatest score is the worst (beyond
that some load is always on); the nearest always takes part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.assess.score import lowered_by_gang, lowered_by_load

if TYPE_CHECKING:
    from survey.assess.behaviour import Figures
    from survey.assess.circuits import Circuits, SectionValues
    from survey.assess.windings import Windings
    from survey.network.walk.walks import Walks
    from survey.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Choice:
    """One row per site; -1 and NaN where there is none. Shape (n_sites,).

    ``nearest`` and ``worst`` circuit of the site (row of the circuits), ``worst_section``, ``hazard`` (larger of
    no-load and loaded) and ``score`` (lowered by what protects) of the worst.
    """

    nearest: Ints
    worst: Ints
    worst_section: Ints
    hazard: Floats
    score: Floats


def choose_sections(
    walks: Walks,
    windings: Windings,
    *,
    values: SectionValues,
    circuits: Circuits,
    figures: Figures,
    settings: Settings,
) -> Choice:
    """Walk up the sections of every site, level by level, and keep the one with the greatest score."""
    n_sections = len(values.rating_va)
    family = np.where(windings.usable, windings.family, -1)
    plain = np.fmax(figures.hazard, figures.loaded)
    lowered = lowered_by_load(figures.hazard, figures.loaded, settings=settings.score)
    section = walks.section.copy()
    nearest = circuits.index(section, family, n_sections=n_sections)
    gang = walks.gang >= 0
    best = nearest.copy()
    best_section = np.where(nearest >= 0, section, -1)
    score = np.where(nearest >= 0, lowered_by_gang(_of(lowered, nearest), gang, settings=settings.score), np.nan)
    active = np.flatnonzero(nearest >= 0)
    while len(active):
        gang[active] |= walks.gang_above[section[active]]
        section[active] = walks.upstream[section[active]]
        active = active[section[active] >= 0]
        active = active[values.rating_va[section[active]] <= settings.limits.worst_kva * 1e3]
        here = circuits.index(section[active], family[active], n_sections=n_sections)
        value = lowered_by_gang(_of(lowered, here), gang[active], settings=settings.score)
        better = value > score[active] + 1e-9
        won = active[better]
        best[won], best_section[won], score[won] = here[better], section[won], value[better]
    return Choice(nearest, best, best_section, _of(plain, best), score)


def _of(value: Floats, row: Ints) -> Floats:
    """Values at rows, NaN at -1."""
    return np.append(value, np.nan)[row]
