"""Severity, score, risk, priority and band: short formulas, each monotone in what it is made of.

- severity: what an operation does to the equipment, 0-100 on logarithmic scales, which no circuit tops. With surge
  arresters by the seconds until one is at its thermal limit, without them by the sustained peak; where nobody knows
  which, the worse of the two. Bands are thirds of it, cut where the settings say and for the reason given there;
- hazard = severity at no load or at the load that counts, whichever is larger; it gives the band;
- score = hazard lowered by what protects: the dependable load takes off what it really calms, at most the share
  ``load_trust``; a three-pole device between takes off the share ``gang_trust``;
- risk of a site by a point = operations a year x share of sequences that ring x severity / 100, lowered in the same
  way, x consequence; that of a site is the sum over its points (:mod:`survey.assess.risk`);
- consequence = 1 + wc n / (n + customers_half) + wr S / (S + rating_half_kva) + wk critical, for n customers and a
  rating of S;
- priority = 20 log10(1 + risk / 0.0001): 100 at ten severity-weighted ringing operations a year.

Without the study severity comes from the screening margin: 100 log10(charging over the limit that clears) / 2.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from survey.arrays import Floats, Ints, Objects

if TYPE_CHECKING:
    from survey.settings import ScoreSettings

BANDS = ("low", "moderate", "high", "severe")
HIGH_FROM, SEVERE_FROM, FULL = 100.0 / 3, 200.0 / 3, 100.0
"""Severity at which the upper bands begin; moderate begins above 0."""
FULL_PEAK_PU, LONGEST_S, SHORTEST_S = 10.0, 86_400.0, 0.01
"""Ends of the scales: ten times normal voltage; a day, in which every arrester finds its balance; a quarter cycle."""
LEAST_RISK = 1e-4
YES, UNKNOWN, NO = 1, 0, -1
"""Whether arresters stand on a section."""


def severity_of_peak(peak_pu: ArrayLike, *, voltage_limit_pu: float, settings: ScoreSettings) -> Floats:
    """How bad a sustained open-phase voltage is for what no arrester guards, 0-100; 0 up to the voltage limit.

    ``peak_pu``: crest, per unit of nominal line-to-ground crest. ``voltage_limit_pu``: voltage limit, per unit.
    """
    known = np.log([voltage_limit_pu, settings.high_peak_pu, settings.severe_peak_pu, FULL_PEAK_PU])
    peak = np.log(np.maximum(np.asarray(peak_pu, float), 1e-3))
    return np.asarray(np.interp(peak, known, [0.0, HIGH_FROM, SEVERE_FROM, FULL]))


def severity_of_seconds(seconds: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """How bad it is that an arrester is at its thermal limit after so many seconds, 0-100; 0 from a day on."""
    known = -np.log([LONGEST_S, settings.high_s, settings.severe_s, SHORTEST_S])
    with np.errstate(divide="ignore"):
        quick = -np.log(np.asarray(seconds, float))
    return np.asarray(np.interp(quick, known, [0.0, HIGH_FROM, SEVERE_FROM, FULL]))


def severity(
    peak_pu: ArrayLike, seconds: ArrayLike, *, arrester: ArrayLike, voltage_limit_pu: float, settings: ScoreSettings
) -> Floats:
    """How bad an operation is, 0-100.

    ``peak_pu``: sustained peak without arresters, per unit. ``seconds``: until an arrester is at its thermal limit,
    with arresters on; infinite where none conducts. ``arrester``: :data:`YES`, :data:`UNKNOWN` or :data:`NO`.
    """
    bare = severity_of_peak(peak_pu, voltage_limit_pu=voltage_limit_pu, settings=settings)
    # what arresters hold is over the limit at most
    guarded = np.fmax(np.minimum(bare, HIGH_FROM - 1e-6), severity_of_seconds(seconds, settings=settings))
    found = np.asarray(arrester)
    return np.where(found == YES, guarded, np.where(found == NO, bare, np.fmax(bare, guarded)))


def severity_of_screen(over_limit: ArrayLike) -> Floats:
    """Severity, 0-100, from the charging power over the largest that the screen clears (0 up to 1, 100 at 100)."""
    ratio = np.maximum(np.asarray(over_limit, float), 1.0)
    return np.asarray(100.0 * np.clip(np.log10(ratio) / 2.0, 0.0, 1.0))


def lowered_by_load(bare: ArrayLike, loaded: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """What it is with the dependable load on, never below the share of the no-load one that is not trusted away."""
    floor = np.asarray(bare, float) * (1.0 - settings.load_trust)
    return np.maximum(np.asarray(loaded, float), floor)


def lowered_by_gang(value: ArrayLike, gang: ArrayLike, *, settings: ScoreSettings) -> Floats:
    """What it is with a three-pole device between the site and its switching point."""
    return np.asarray(np.asarray(value, float) * np.where(np.asarray(gang, bool), 1.0 - settings.gang_trust, 1.0))


def consequence(customers: ArrayLike, critical: ArrayLike, *, rating_va: ArrayLike, settings: ScoreSettings) -> Floats:
    """What depends on a site, 1 and more.

    ``customers``: number of customers served. ``critical``: a critical customer is served. ``rating_va``: three-phase
    rating [VA].
    """

    def part(value: ArrayLike, half: float) -> Floats:
        number = np.asarray(value, float)
        return np.asarray(number / (number + half))

    customers_part = settings.customers_weight * part(customers, settings.customers_half)
    rating_part = settings.rating_weight * part(rating_va, settings.rating_half_kva * 1e3)
    return 1.0 + customers_part + rating_part + settings.critical_weight * np.asarray(critical, float)


def priority(risk: ArrayLike) -> Floats:
    """Risk on its fixed scale, 0-100: 20 log10(1 + risk / 0.0001), 100 at a risk of ten and over."""
    return np.minimum(20.0 * np.log10(1.0 + np.asarray(risk, float) / LEAST_RISK), 100.0)


def band_of(hazard: ArrayLike) -> Ints:
    """Position in :data:`BANDS`; a hazard at a cut point belongs to the upper band, but 0 to the lowest."""
    cuts = np.round([1e-9, HIGH_FROM, SEVERE_FROM], 9)
    return np.searchsorted(cuts, np.round(np.asarray(hazard, float), 9), side="right").astype(np.int64)


def band_names(hazard: Floats) -> Objects:
    """Names of the bands, ``""`` where there is no hazard to go by."""
    return np.array([*BANDS, ""], object)[np.where(np.isnan(hazard), len(BANDS), band_of(hazard))]
