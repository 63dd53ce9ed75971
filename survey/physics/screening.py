"""Screening: ratios, limits, allowed length.

All quantities are per phase, reactances wye-equivalent (a delta leg is three times that). The base is the section's
own: S is the rating of its three-phase sites of one winding family, V the nominal line-to-line voltage.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from survey.physics.families import FAMILY_TABLE

ScreeningLimits = Mapping[str, float]
"""Limits at which a section is cleared, by :attr:`survey.physics.families.Family.limit` [-]."""
DEFAULT_LIMITS: Final[ScreeningLimits] = {family.limit: family.default for family in FAMILY_TABLE}


def charging_pu(
    *, capacitance_f: ArrayLike, voltage_v: ArrayLike, rating_va: ArrayLike, frequency_hz: ArrayLike
) -> NDArray[np.float64]:
    """Charging power of a section per unit of rating: b = 2 pi f C V^2 / S.

    ``capacitance_f``: capacitance of one phase to ground, cable and transformers' own, C [F]. ``voltage_v``: nominal
    line-to-line voltage, V [V]. ``rating_va``: rating of the sites, S [VA]. ``frequency_hz``: supply frequency, f [Hz].
    Returns pu; infinite where there is capacitance but no rating.
    """
    angular = 2 * np.pi * np.asarray(frequency_hz, float)
    charging = angular * np.asarray(capacitance_f, float) * np.asarray(voltage_v, float) ** 2
    return _ratio(charging, rating_va)


def xc_xm(*, magnetizing_pu: ArrayLike, charging_pu: ArrayLike) -> NDArray[np.float64]:
    """Ratio Xc/Xm of a section: im / b, exactly.

    Parameters
    ----------
    magnetizing_pu
        Magnetizing current, im [pu of the section's rating].
    charging_pu
        Charging power, b [pu of the section's rating].

    Returns
    -------
    Ratio per phase with Xm wye-equivalent; infinite without capacitance.
    """
    return _ratio(magnetizing_pu, charging_pu)


def charge_loss(*, charging_pu: ArrayLike, core_loss_pu: ArrayLike) -> NDArray[np.float64]:
    """Charging power over no-load loss of a section: b / p, exactly; both three-phase.

    Parameters
    ----------
    charging_pu
        Charging power, b [pu of the section's rating].
    core_loss_pu
        No-load loss, p [pu of the section's rating].

    Returns
    -------
    Ratio [-]; infinite where there is charging but no loss.
    """
    return _ratio(charging_pu, core_loss_pu)


def limit_charging_pu(
    family: ArrayLike, *, magnetizing_pu: ArrayLike, core_loss_pu: ArrayLike, limits: ScreeningLimits
) -> NDArray[np.float64]:
    """Largest charging power that the screening limit clears, per unit.

    b_limit = im / limit where Xc/Xm is the screen, limit p where charging over loss is.

    Parameters
    ----------
    family
        Winding family, text as in :data:`survey.physics.families.FAMILIES`.
    magnetizing_pu
        Magnetizing current, im [pu of the section's rating].
    core_loss_pu
        No-load loss, p [pu of the section's rating].
    limits
        The screening limits.

    Returns
    -------
    pu; NaN for text that is not a family.
    """
    magnetizing, loss = np.asarray(magnetizing_pu, float), np.asarray(core_loss_pu, float)
    names = np.asarray(family, dtype=str)
    allowed = np.full(np.broadcast_shapes(names.shape, magnetizing.shape, loss.shape), np.nan)
    for row in FAMILY_TABLE:
        limit = limits[row.limit]
        value = loss * limit if row.screen == "charge_loss" else magnetizing / limit
        allowed = np.where(names == row.name, value, allowed)
    return allowed[()]


def clears(
    family: ArrayLike,
    *,
    charging_pu: ArrayLike,
    magnetizing_pu: ArrayLike,
    core_loss_pu: ArrayLike,
    limits: ScreeningLimits,
) -> NDArray[np.bool_]:
    """Whether the screening limit clears a section; the limit itself clears.

    Parameters
    ----------
    family
        Winding family, text as in :data:`survey.physics.families.FAMILIES`; any other text never clears.
    charging_pu, magnetizing_pu, core_loss_pu
        b, im and p [pu of the section's rating].
    limits
        The screening limits.
    """
    allowed = limit_charging_pu(family, magnetizing_pu=magnetizing_pu, core_loss_pu=core_loss_pu, limits=limits)
    charging = np.asarray(charging_pu, float)
    rounding = 1e-12
    return np.asarray(charging <= allowed * (1 + rounding), dtype=np.bool_)[()]


def limit_capacitance_f(
    *, limit_charging_pu: ArrayLike, rating_va: ArrayLike, voltage_v: ArrayLike, frequency_hz: ArrayLike
) -> NDArray[np.float64]:
    """Capacitance of one phase at which a charging limit is met, F: C = b S / (2 pi f V^2).

    Parameters
    ----------
    limit_charging_pu
        Charging power allowed, b [pu of the section's rating].
    rating_va
        Rating of the sites, S [VA].
    voltage_v
        Nominal line-to-line voltage, V [V], above zero.
    frequency_hz
        Supply frequency, f [Hz].
    """
    allowed_va = np.asarray(limit_charging_pu, float) * np.asarray(rating_va, float)
    return np.asarray(allowed_va / (2 * np.pi * np.asarray(frequency_hz, float) * np.asarray(voltage_v, float) ** 2))[
        ()
    ]


def limit_length_m(
    *, limit_capacitance_f: ArrayLike, own_capacitance_f: ArrayLike, mix_f_m: ArrayLike
) -> NDArray[np.float64]:
    """Cable length at which a capacitance limit is met, m: (C_limit - C_own) / c, at least zero.

    Parameters
    ----------
    limit_capacitance_f
        Capacitance of one phase allowed [F].
    own_capacitance_f
        The transformers' own capacitance, all of the section's, C_own [F]; with what else is not cable.
    mix_f_m
        Capacitance per metre of the cable, or of the section's own mix, c [F/m].

    Returns
    -------
    m; infinite where the cable has no capacitance and there is room left.
    """
    room = np.maximum(np.asarray(limit_capacitance_f, float) - np.asarray(own_capacitance_f, float), 0.0)
    return _ratio(room, mix_f_m)


def _ratio(upper: ArrayLike, lower: ArrayLike) -> NDArray[np.float64]:
    """Quotient; infinite over zero, but zero where both are zero."""
    top, bottom = np.broadcast_arrays(np.asarray(upper, float), np.asarray(lower, float))
    over_zero = np.where(top > 0, np.inf, np.where(np.isnan(top), np.nan, 0.0))
    return np.asarray(np.divide(top, bottom, out=over_zero, where=bottom != 0))[()]
