"""For every site: its own section, and the section upstream with the greatest hazard.

Nearest is not always worst: an elbow at the transformer itself hides the cutout that exposes the whole lateral. Of all
sections up the way whose rating is no more than ``worst_kva`` the one with the greatest score is the worst (beyond
that some load is always on); the nearest always takes part.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Ints, at_rows
from survey.assess.behaviour import Figures
from survey.assess.circuits import Circuits, SectionValues
from survey.assess.score import lowered_by_gang, lowered_by_load
from survey.assess.windings import Windings
from survey.network.walk.walks import Walks
from survey.settings import Settings


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
    walks: Walks, windings: Windings, *, values: SectionValues, circuits: Circuits, figures: Figures, settings: Settings
) -> Choice:
    """Walk up the sections of every site, level by level, and keep the one with the greatest score."""
    n_sections = len(values.rating_va)
    family = np.where(windings.usable, windings.family, -1)
    plain = np.fmax(figures.hazard, figures.loaded)
    lowered = lowered_by_load(figures.hazard, figures.loaded, settings=settings.score)
    nearest = circuits.index(walks.section, family, n_sections=n_sections)
    best, best_section, score = nearest.copy(), np.full(len(nearest), -1), np.full(len(nearest), -np.inf)
    for site, section, gang in points_above(walks, np.flatnonzero(nearest >= 0), values=values, settings=settings):
        here = circuits.index(section, family[site], n_sections=n_sections)
        value = lowered_by_gang(at_rows(lowered, here), gang, settings=settings.score)
        better = value > score[site] + 1e-9
        won = site[better]
        best[won], best_section[won], score[won] = here[better], section[better], value[better]
    score[best_section < 0] = np.nan
    return Choice(nearest, best, best_section, at_rows(plain, best), score)


def points_above(
    walks: Walks, site: Ints, *, values: SectionValues, settings: Settings
) -> Iterator[tuple[Ints, Ints, Bools]]:
    """Yield the single-pole points of sites, level by level, the nearest first, then those up to ``worst_kva``.

    ``site``: rows of sites that have a nearest point. Yields sites that have a point at this level, its section, and
    whether a three-pole device stands between the two.
    """
    section, gang = walks.section[site], walks.gang[site] >= 0
    # a way up passes no section twice, so that there are no more levels than sections
    for _ in range(len(values.rating_va)):
        yield site, section, gang
        gang = gang | walks.gang_above[section]
        section = walks.upstream[section]
        on = section >= 0
        on[on] = values.rating_va[section[on]] <= settings.limits.worst_kva * 1e3
        site, section, gang = site[on], section[on], gang[on]
        if not len(site):
            return


def stopped_by_one(
    walks: Walks, choice: Choice, *, values: SectionValues, largest_va: Floats, settings: Settings
) -> Bools:
    """Sites whose points further up are left out, by ``worst_kva``, because of the rating of one record alone."""
    last = np.full(len(choice.nearest), -1, np.int64)
    for site, section, _ in points_above(walks, np.flatnonzero(choice.nearest >= 0), values=values, settings=settings):
        last[site] = section
    above = at_rows(walks.upstream, last, none=-1)
    room = settings.limits.worst_kva * 1e3
    return (above >= 0) & (at_rows(values.rating_va - largest_va, above, none=np.inf) <= room)
