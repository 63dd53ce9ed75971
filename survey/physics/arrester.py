"""Arresters: the energy one may take, and how long it may take a power."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def thermal_limit_j(*, continuous_v: ArrayLike, energy_j_per_v: ArrayLike) -> NDArray[np.float64]:
    """Energy that an arrester takes before it runs away, J.

    ``continuous_v``: continuous operating voltage it is rated for [V]. ``energy_j_per_v``: energy per volt of that
    rating [J/V], the same figure as kJ/kV. Returns J; 8.4 kV at 2.2 kJ/kV: 18.5 kJ.
    """
    return np.asarray(np.asarray(continuous_v, float) * np.asarray(energy_j_per_v, float))[()]


def seconds_to_limit(*, power_w: ArrayLike, limit_j: ArrayLike) -> NDArray[np.float64]:
    """Time in which a mean power brings an arrester to its thermal limit, s.

    What it gives off meanwhile is left out: beyond some minutes the true time is longer.

    Parameters
    ----------
    power_w
        Mean power that it takes [W].
    limit_j
        Energy that it may take [J].

    Returns
    -------
    s; infinite where it takes nothing, NaN where power or limit is not known.
    """
    power, limit = np.broadcast_arrays(np.asarray(power_w, float), np.asarray(limit_j, float))
    without = np.where(np.isnan(power) | np.isnan(limit), np.nan, np.inf)
    return np.asarray(np.divide(limit, power, out=without, where=power > 0))[()]
