"""Hazard, score, priority and band: short formulas, each monotone in what it is made of.

- severity = (peak - 1) / (peak_full - 1), held within 0 and 1;
- hazard = 100 severity (1 - w + w likelihood), with w the likelihood weight, for no load and for the dependable load;
  the larger of the two gives the band;
- score = hazard lowered by what protects: the dependable load takes off what it really calms, at most the share
  ``load_trust``; a three-pole device between takes off the share ``gang_trust``;
- priority = score (1 + wc customers + wk critical) / (1 + wc + wk), customers counted up to ``customers_full``.

Without the study hazard comes from the screening margin: 100 log10(charging over the limit that clears) / 2.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from survey.settings import ScoreSettings

Floats = NDArray[np.float64]

BANDS = ("low", "moderate", "high", "severe")


def severity(peak_pu: ArrayLike, *, peak_full_pu: float) -> Floats:
    """How bad a sustained open-phase voltage is, 0-1.

    Parameters
    ----------
    peak_pu
        Crest, per unit of nominal line-to-ground crest.
    peak_full_pu
        Peak from which on it is as bad as can be, per unit.
    """
    return np.clip((np.asarray(peak_pu, float) - 1.0) / (peak_full_pu - 1.0), 0.0, 1.0)


def hazard_from_study(peak_pu: ArrayLike, likelihood: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """Hazard of operating single poles, 0-100, from the study's peak (per unit) and likelihood (0-1)."""
    weight = settings.likelihood_weight
    chance = 1.0 - weight + weight * np.asarray(likelihood, float)
    return np.asarray(100.0 * severity(peak_pu, peak_full_pu=settings.peak_full_pu) * chance)


def hazard_from_screen(over_limit: ArrayLike) -> Floats:
    """Hazard, 0-100, from the charging power over the largest that the screen clears (0 up to 1, 100 at 100)."""
    ratio = np.maximum(np.asarray(over_limit, float), 1.0)
    return np.asarray(100.0 * np.clip(np.log10(ratio) / 2.0, 0.0, 1.0))


def lowered_by_load(hazard: ArrayLike, loaded: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """Hazard with the dependable load on, never below the share of the no-load one that is not trusted away."""
    floor = np.asarray(hazard, float) * (1.0 - settings.load_trust)
    return np.maximum(np.asarray(loaded, float), floor)


def lowered_by_gang(hazard: ArrayLike, gang: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """Hazard with a three-pole device between the site and its switching point."""
    return np.asarray(np.asarray(hazard, float) * np.where(np.asarray(gang, bool), 1.0 - settings.gang_trust, 1.0))


def priority(score: ArrayLike, *, customers: ArrayLike, critical: ArrayLike, settings: ScoreSettings) -> Floats:
    """Score weighted by consequence, 0-100.

    Parameters
    ----------
    score
        0-100.
    customers
        Number of customers served.
    critical
        A critical customer is served.
    """
    many = np.clip(np.asarray(customers, float) / settings.customers_full, 0.0, 1.0)
    weight = 1.0 + settings.customers_weight * many + settings.critical_weight * np.asarray(critical, float)
    full = 1.0 + settings.customers_weight + settings.critical_weight
    return np.asarray(np.asarray(score, float) * weight / full)


def band_of(hazard: ArrayLike, *, settings: ScoreSettings) -> NDArray[np.int64]:
    """Position in :data:`BANDS`; a hazard at a cut point belongs to the upper band."""
    cuts = [settings.moderate_from, settings.high_from, settings.severe_from]
    return np.searchsorted(np.array(cuts), np.round(np.asarray(hazard, float), 9), side="right")
