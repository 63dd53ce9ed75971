"""Transformers: own capacitance, core loss, magnetizing current and reactance.

One formula, one function; SI or per unit of rated in and out; scalars or arrays that broadcast against each other.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def own_capacitance_f(*, rating_va: ArrayLike, voltage_v: ArrayLike) -> NDArray[np.float64]:
    """Capacitance of one phase of a transformer's windings to ground, F.

    C [uF] = 0.000469 S^0.4 / V^0.25 with S in kVA and V in kV.

    Parameters
    ----------
    rating_va
        Three-phase rating, S [VA].
    voltage_v
        Rated primary line-to-line voltage, V [V].

    Returns
    -------
    F; NaN where rating or voltage is not positive.

    References
    ----------
    Walling 1992, in NRECA RER Project 90-8, 1993 (second-hand). 75 kVA: 1.404 nF at 12.47 kV, 1.088 nF at 34.5 kV.
    """
    kva, kv = np.asarray(rating_va, float) / 1e3, np.asarray(voltage_v, float) / 1e3
    possible = (kva > 0) & (kv > 0)
    capacitance = 0.000469e-6 * np.where(possible, kva, 1.0) ** 0.4 / np.where(possible, kv, 1.0) ** 0.25
    return np.where(possible, capacitance, np.nan)[()]


def magnetizing_pu(*, exciting_pu: ArrayLike, core_loss_pu: ArrayLike) -> NDArray[np.float64]:
    """Reactive part of the exciting current, per unit of rated current.

    im = sqrt(exc^2 - p^2): the loss current is in phase with the voltage, the magnetizing current a quarter behind.

    Parameters
    ----------
    exciting_pu
        Exciting current, exc [pu of rated].
    core_loss_pu
        No-load loss, p [pu of rating].

    Returns
    -------
    pu; NaN where the exciting current is not above the core loss. Records that give the loss current as exciting
    current are common, and such a value says nothing about the magnetizing current: it must not be taken as zero.
    """
    exciting, loss = np.broadcast_arrays(np.asarray(exciting_pu, float), np.asarray(core_loss_pu, float))
    possible = (exciting > loss) & (loss >= 0)
    exciting, loss = np.where(possible, exciting, 0.0), np.where(possible, loss, 0.0)
    return np.where(possible, np.sqrt(exciting**2 - loss**2), np.nan)[()]
