"""Cables: geometry to capacitance, capacitance to charging.

One formula, one function; SI in and out; scalars or arrays that broadcast against each other.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

VACUUM_PERMITTIVITY_F_M = 8.8541878128e-12
"""Electric constant, F/m. Source: CODATA 2018."""


def coaxial_capacitance_f_m(
    *, over_insulation_m: ArrayLike, over_conductor_m: ArrayLike, permittivity: ArrayLike
) -> NDArray[np.float64]:
    """Capacitance of one shielded core to its screen, F/m.

    C = 2 pi e0 er / ln(D / d). The insulation screen is at ground potential all round, whatever the neutral outside it
    is made of, so this holds for concentric-neutral, tape and wire screens alike. The form for discrete neutral
    strands that some textbooks use understates C by about a third, the unsafe side.

    Parameters
    ----------
    over_insulation_m
        Diameter over the insulation, D [m].
    over_conductor_m
        Diameter over the conductor screen, d [m].
    permittivity
        Relative permittivity of the insulation, er [-].

    Returns
    -------
    F/m; NaN where D does not exceed d or a value is not positive.

    References
    ----------
    Circuit law of the coaxial capacitor; reproduces the line codes of the IEEE PES distribution test feeders.
    """
    outer, inner, er = np.broadcast_arrays(
        *(np.asarray(v, float) for v in (over_insulation_m, over_conductor_m, permittivity))
    )
    possible = (inner > 0) & (outer > inner) & (er > 0)
    ratio = np.divide(outer, inner, out=np.full(outer.shape, math.e), where=possible)
    return np.where(possible, 2 * np.pi * VACUUM_PERMITTIVITY_F_M * er / np.log(ratio), np.nan)[()]


def over_screen_m(*, conductor_m: ArrayLike, screen_m: ArrayLike) -> NDArray[np.float64]:
    """Diameter over a layer of even thickness, m: d + 2 t.

    ``conductor_m``: diameter beneath the layer, d [m]: bare conductor for a conductor screen, conductor screen for the
    insulation. ``screen_m``: thickness of the layer, t [m].
    """
    return np.asarray(np.asarray(conductor_m, float) + 2 * np.asarray(screen_m, float))[()]


def capacitive_reactance_ohm(*, capacitance_f: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Reactance of one phase's capacitance to ground, ohm.

    Xc = 1 / (2 pi f C); infinite where C is zero.

    Parameters
    ----------
    capacitance_f
        Capacitance of one phase to ground, C [F].
    frequency_hz
        Supply frequency, f [Hz].
    """
    susceptance = 2 * np.pi * np.asarray(frequency_hz, float) * np.asarray(capacitance_f, float)
    reactance = np.divide(1.0, susceptance, out=np.full(np.shape(susceptance), np.inf), where=susceptance != 0)
    return np.asarray(reactance)[()]
