"""The study's figures of sections, read off the atlas."""

from typing import Final

import numpy as np
import numpy.typing as npt

from survey.physics.atlas import Atlas, Place, limit_place, share_name
from survey.physics.atlas_axes import LIMIT_NAMES
from survey.physics.curves import FloatArray
from survey.physics.families import Circuit
from survey.physics.study_figures import PerUnitSections, StudyResult

FULL_LOAD: Final = 1.0
NEUTRAL_PULLED: Final = 2.0
NEUTRAL_FREE: Final = 0.02
"""Single-phase load over charging from which the atlas is not asked about a floating wye, and single-phase load from
which it is again."""
STEP_OF_LOAD: Final = 10.0 ** (1 / 20)
"""Ratio of neighbouring steps that the load needed is searched on."""


def loaded_g(sections: PerUnitSections) -> FloatArray:
    """Core loss, load and single-phase load together [per unit].

    A conductance from an open phase to ground calms at least as much as the same added to every winding: it damps that
    phase by all of itself, a winding's by a third to all (direct simulation of 200 sections of delta and floating wye:
    no section that rings was missed; but see :func:`neutral_pulled`). In a five-legged core the two are one.
    """
    return np.asarray(sections.p + np.minimum(sections.load + sections.one_phase, FULL_LOAD))


def neutral_pulled(circuit: Circuit, sections: PerUnitSections) -> npt.NDArray[np.bool_]:
    """Which sections' figures at load the atlas cannot give.

    Those of floating wyes whose single-phase load is large beside their charging: it gives a flux offset a way to stay,
    so that it stands for some 300 cycles and more (eight of 120 such sections, calm without, were at 1.3 to 1.8 per
    unit when it is measured), and is calmer afterwards than without. What is there meanwhile counts. More than 2 % of
    rating takes the offset away in time: of 60 such sections with more than 1 % none was above 0.65.
    """
    pulled = (sections.one_phase > NEUTRAL_PULLED * sections.b) & (sections.one_phase < NEUTRAL_FREE)
    return np.asarray(pulled & (circuit is Circuit.FLOATING_WYE))


def share_of(atlas: Atlas, place: Place, *, peak: FloatArray, limit: float) -> FloatArray:
    """Share of sequences above a limit, given the peak there; between two limits in proportion.

    Where a peak comes to the limit, all sequences that go one way come to it at once: a section above it has the share
    of the nodes that are above it too.
    """
    low, high, way = share_name(limit)
    below = np.nan_to_num(place.mean_of_some(atlas.fine.values[low]))
    above = np.nan_to_num(place.mean_of_some(atlas.fine.values[high])) if way else below
    return np.where(peak > limit, np.clip((1.0 - way) * below + way * above, 0.0, 1.0), 0.0)


def answer_from_atlas(atlas: Atlas, sections: PerUnitSections, *, limit: float) -> StudyResult:
    """Figures of sections that the atlas covers.

    ``atlas``: curves of the circuit. ``sections``: sections inside the atlas. ``limit``: voltage limit [per unit],
    within the atlas's limits.
    """
    n, g = len(sections.b), loaded_g(sections)
    loaded = np.flatnonzero(g > sections.p)
    at = np.append(np.arange(n), loaded)
    both = {"b": sections.b[at], "g": np.append(sections.p, g[loaded]), "im": sections.im[at]}
    place, peaks = atlas.fine.find("peak", **both)
    around, clamped = atlas.coarse.find("clamped", b=sections.b, g=sections.p, im=sections.im)
    powers = atlas.coarse.find("power", **both)[1]
    shares = share_of(atlas, place, peak=peaks, limit=limit)
    name, peak = LIMIT_NAMES[limit_place(limit)], peaks[:n]
    rings = peak > limit
    typical = np.clip(around.mean_of_some(atlas.coarse.values[f"typical_{name}"]), limit, peak)
    needed, cures = load_needed(atlas, sections, limit=limit, rings=rings)
    return StudyResult(
        peak_pu=peak,
        peak_loaded_pu=_changed(peaks, loaded),
        typical_pu=np.where(rings, np.where(np.isfinite(typical), typical, peak), np.nan),
        likelihood=shares[:n],
        likelihood_loaded=_changed(shares, loaded),
        load_needed_pu=needed,
        clamped_pu=np.minimum(clamped, peak),
        arrester_power_pu=powers[:n],
        arrester_power_loaded_pu=_changed(powers, loaded),
        cycles_above=around.largest(atlas.coarse.values[f"cycles_{name}"]),
        load_cures=cures,
        in_model=np.ones(n, dtype=bool),
    )


def _changed(both: FloatArray, loaded: npt.NDArray[np.int64]) -> FloatArray:
    """Values at no load, and at load where there is one: these stand behind the others."""
    n = len(both) - len(loaded)
    values = both[:n].copy()
    values[loaded] = both[n:]
    return values


def load_needed(
    atlas: Atlas, sections: PerUnitSections, *, limit: float, rings: npt.NDArray[np.bool_]
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Least load that keeps every sequence under the limit, one step in hand, and whether rated load does."""
    least = np.maximum(atlas.least_g(b=sections.b, im=sections.im, limit=limit), sections.p) * STEP_OF_LOAD
    cures = ~rings | (least <= sections.p + FULL_LOAD)
    needed = np.where(rings, np.clip(least - sections.p, 0.0, FULL_LOAD), 0.0)
    return np.where(cures, needed, FULL_LOAD), cures
