"""What each circuit does: from the study, or, without it, from the screening margin alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.assess.score import hazard_from_screen, hazard_from_study

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.assess.circuits import Circuits
    from survey.physics.curves import CurveParameters
    from survey.physics.study import CurveLibrary, StudyResult
    from survey.settings import ScoreSettings, Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Figures:
    """One row per circuit; shape (n_circuits,).

    ``peak_pu, peak_loaded_pu`` crest per unit, ``cycles_above``, ``likelihood, likelihood_loaded`` 0-1,
    ``load_needed_pu`` of the circuit's rating (infinite where no load up to the rating cures): NaN where not studied.
    ``hazard`` at no load and ``loaded`` with the dependable load, 0-100. ``outside``: outside the model and not cleared
    by the screen, so that nothing can be said.
    """

    peak_pu: Floats
    peak_loaded_pu: Floats
    cycles_above: Floats
    likelihood: Floats
    likelihood_loaded: Floats
    load_needed_pu: Floats
    hazard: Floats
    loaded: Floats
    outside: Bools


def screen_figures(circuits: Circuits) -> Figures:
    """Hazard by the screening margin; the study's figures stay absent."""
    absent = np.full(len(circuits.b), np.nan)
    hazard = hazard_from_screen(circuits.over_limit)
    return Figures(absent, absent, absent, absent, absent, absent, hazard, hazard, np.zeros(len(absent), bool))


def curve_parameters(settings: Settings) -> CurveParameters:
    """Resistance and magnetizing curve of the settings."""
    from survey.physics.curves import CurveParameters

    electrical = settings.electrical
    return CurveParameters(
        series_resistance=electrical.series_r_pu,
        knee=electrical.knee_pu,
        air_core_reactance=electrical.saturated_x_pu,
    )


def curve_library(settings: Settings, *, voltage_limit: float | None = None) -> CurveLibrary:
    """The library of curves that the settings ask for.

    Parameters
    ----------
    voltage_limit
        Limit of the sustained open-phase voltage, per unit; the settings' when not given.
    """
    from survey.physics.study import CurveLibrary

    return CurveLibrary(
        curve_parameters(settings),
        voltage_limit=settings.limits.voltage_pu if voltage_limit is None else voltage_limit,
        cache_dir="user" if settings.study.cache else None,
    )


def study_figures(
    circuits: Circuits, *, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> Figures:
    """Figures of the time-domain study, of the circuits that the screen clears too: it is not always the stricter.

    Parameters
    ----------
    progress
        Called with points done and points to do while curves are computed.
    """
    found = curve_library(settings).look_up(
        circuits.family, b=circuits.b, p=circuits.p, im=circuits.im, load=circuits.load, progress=progress
    )
    return _from_study(found, circuits.clears, settings.score)


def _from_study(found: StudyResult, clears: Bools, score: ScoreSettings) -> Figures:
    good = found.in_model

    def published(value: Floats) -> Floats:
        return np.where(good, value, np.nan)

    needed = np.where(found.load_cures, found.load_needed_pu, np.inf)
    hazard = hazard_from_study(found.peak_pu, found.likelihood, settings=score)
    loaded = hazard_from_study(found.peak_loaded_pu, found.likelihood_loaded, settings=score)
    return Figures(
        peak_pu=published(found.peak_pu),
        peak_loaded_pu=published(found.peak_loaded_pu),
        cycles_above=published(found.cycles_above),
        likelihood=published(found.likelihood),
        likelihood_loaded=published(found.likelihood_loaded),
        load_needed_pu=published(needed),
        hazard=np.where(good, hazard, 0.0),
        loaded=np.where(good, loaded, 0.0),
        outside=~good & ~clears,
    )
