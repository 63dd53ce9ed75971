"""What each circuit does: from the study, or, without it, from the screening margin alone."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import reduce

import numpy as np

from survey.arrays import Bools, Floats, taken
from survey.assess.circuits import Circuits
from survey.assess.score import severity, severity_of_screen
from survey.physics.arrester import seconds_to_limit
from survey.physics.catalogue import Catalogue
from survey.physics.curves import CurveParameters
from survey.physics.study import CurveLibrary, StudyResult
from survey.settings import Settings


@dataclass(frozen=True)
class Figures:
    """One row per circuit; shape (n_circuits,).

    ``peak_pu, typical_pu`` crest per unit, ``cycles_above``, ``likelihood`` 0-1, ``arrester_w`` and ``arrester_s`` at
    no load; ``peak_loaded_pu`` at the least load; ``load_needed_pu`` of the circuit's rating (infinite where no load up
    to the rating cures): NaN where not studied. ``hazard`` at no load and ``loaded`` with the load that counts, 0-100;
    ``share, share_loaded`` of sequences that ring, 1 where not studied. ``outside``: outside the model and not cleared
    by the screen, so that nothing can be said.
    """

    peak_pu: Floats
    typical_pu: Floats
    cycles_above: Floats
    likelihood: Floats
    arrester_w: Floats
    arrester_s: Floats
    peak_loaded_pu: Floats
    load_needed_pu: Floats
    hazard: Floats
    loaded: Floats
    share: Floats
    share_loaded: Floats
    outside: Bools


def screen_figures(circuits: Circuits) -> Figures:
    """Hazard by the screening margin; the study's figures stay absent."""
    absent, certain = np.full(len(circuits.b), np.nan), np.ones(len(circuits.b))
    hazard = severity_of_screen(circuits.over_limit)
    figures = {field.name: absent for field in fields(Figures)}
    ranked = {"hazard": hazard, "loaded": hazard, "share": certain, "share_loaded": certain}
    return Figures(**figures | ranked | {"outside": np.zeros(len(absent), bool)})


def curve_parameters(settings: Settings) -> CurveParameters:
    """Resistance and magnetizing curve of the settings."""
    from survey.physics.curves import CurveParameters

    electrical = settings.electrical
    return CurveParameters(
        series_resistance=electrical.series_r_pu,
        knee=electrical.knee_pu,
        air_core_reactance=electrical.saturated_x_pu,
        arrester_pu=electrical.arrester_pu,
    )


def curve_library(settings: Settings) -> CurveLibrary:
    """The library of curves that the settings ask for."""
    from survey.physics.study import CurveLibrary

    return CurveLibrary(
        curve_parameters(settings),
        voltage_limit=settings.limits.voltage_pu,
        cache_dir="user" if settings.study.cache else None,
    )


def study_figures(
    circuits: Circuits,
    *,
    settings: Settings,
    less: Sequence[Floats] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Figures:
    """Figures of the time-domain study, of the circuits that the screen clears too: it is not always the stricter.

    ``less``: less charging that the circuits may have as well, each of shape (n_circuits,): no less hazard than with
    it, see :func:`steadied`. ``progress``: called with points done and points to do while curves are computed.
    """
    n, shares = len(circuits.b), 1 + len(less)
    # the least load is shown whoever carries it, but only a balanced one protects
    apart = np.flatnonzero(circuits.load != circuits.held)
    at = np.append(np.tile(np.arange(n), shares), apart)
    asked = replace(taken(circuits, at), b=np.concatenate([circuits.b, *less, circuits.b[apart]]))
    load = np.append(np.tile(circuits.held, shares), circuits.load[apart])
    values = {"b": asked.b, "p": asked.p, "im": asked.im, "load": load, "one_phase": asked.one_phase}
    found = curve_library(settings).look_up(asked.family, **values, progress=progress)
    shown_pu = found.peak_loaded_pu[:n].copy()
    shown_pu[apart] = found.peak_loaded_pu[n * shares :]
    parts = (slice(n * k, n * (k + 1)) for k in range(shares))
    figures = (
        _from_study(replace(circuits, b=asked.b[part]), taken(found, part), shown_pu=shown_pu, settings=settings)
        for part in parts
    )
    return reduce(steadied, figures)


def _from_study(circuits: Circuits, found: StudyResult, *, shown_pu: Floats, settings: Settings) -> Figures:
    good = found.in_model

    def published(value: Floats) -> Floats:
        return np.where(good, value, np.nan)

    power_w, loaded_w = (
        power * circuits.base_va for power in (found.arrester_power_pu, found.arrester_power_loaded_pu)
    )
    seconds = arrester_seconds(power_w, voltage_v=circuits.voltage_v, settings=settings)
    hazard = hazard_of(circuits, found.peak_pu, power_w, settings=settings)
    loaded = hazard_of(circuits, found.peak_loaded_pu, loaded_w, settings=settings)
    return Figures(
        peak_pu=published(found.peak_pu),
        typical_pu=published(found.typical_pu),
        cycles_above=published(found.cycles_above),
        likelihood=published(found.likelihood),
        arrester_w=published(power_w),
        arrester_s=published(seconds),
        peak_loaded_pu=published(shown_pu),
        load_needed_pu=published(np.where(found.load_cures, found.load_needed_pu, np.inf)),
        hazard=np.where(good, hazard, 0.0),
        loaded=np.where(good, loaded, 0.0),
        share=np.where(good, found.likelihood, 0.0),
        share_loaded=np.where(good, found.likelihood_loaded, 0.0),
        outside=~good & ~circuits.clears,
    )


def hazard_of(circuits: Circuits, peak_pu: Floats, power_w: Floats, *, settings: Settings) -> Floats:
    """Hazard by the peak without arresters and the power of one arrester with them, W, shape (n_circuits,)."""
    return severity(
        peak_pu,
        arrester_seconds(power_w, voltage_v=circuits.voltage_v, settings=settings),
        arrester=circuits.arrester,
        voltage_limit_pu=settings.limits.voltage_pu,
        settings=settings.score,
    )


def steadied(figures: Figures, shorter: Figures) -> Figures:
    """Figures with no less hazard than with a capacitance that the real one may have as well.

    What rings may ring less on longer cable in a window of lengths. A lower band is believed only where the study shows
    less over the whole range of the capacitance's uncertainty below it, which is looked at in three places.
    ``shorter``: figures of the same circuits at the low end of their capacitance.
    """
    return replace(
        figures,
        hazard=np.fmax(figures.hazard, shorter.hazard),
        loaded=np.fmax(figures.loaded, shorter.loaded),
    )


def arrester_seconds(power_w: Floats, *, voltage_v: Floats, settings: Settings) -> Floats:
    """Seconds until the usual arrester of the voltage is at its thermal limit; infinite where it takes nothing."""
    energy = settings.electrical.arrester_kj_per_kv
    limit_j = Catalogue.load().arrester_limit_j(voltage_v, energy_kj_per_kv=energy)
    return np.asarray(seconds_to_limit(power_w=power_w, limit_j=limit_j))
