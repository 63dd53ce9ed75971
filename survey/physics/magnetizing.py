"""The magnetizing curve: straight pieces, one unsaturated and one saturated slope."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def magnetizing_current(
    flux: npt.ArrayLike, *, exciting: float, knee: float, air_core_reactance: float
) -> npt.NDArray[np.float64]:
    """Current of a winding at a flux, ``i(x) = im x + (x - clip(x, -knee, knee)) / xs``.

    Parameters
    ----------
    flux
        Flux per unit of the rated crest flux of the winding.
    exciting
        Magnetizing current im at rated flux [per unit].
    knee
        Flux at which the core saturates [per unit of rated flux].
    air_core_reactance
        Reactance xs of the saturated winding [per unit].

    Returns
    -------
    numpy.ndarray
        Crest current [per unit], in the shape of ``flux``.

    Notes
    -----
    Two straight pieces are the usual least description of a core (knee and air-core reactance come from settings); the
    current is odd and rises everywhere, so every circuit here has one answer for a given flux.
    """
    x = np.asarray(flux, dtype=np.float64)
    return np.asarray(exciting * x + (x - np.clip(x, -knee, knee)) / air_core_reactance)


def magnetizing_component(exciting_current: npt.ArrayLike, core_loss: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Reactive part of the exciting current, ``im = sqrt(exc^2 - p^2)``.

    Parameters
    ----------
    exciting_current
        Exciting current [per unit of rated current].
    core_loss
        No-load loss [per unit of rating].

    Returns
    -------
    numpy.ndarray
        Magnetizing current [per unit]; zero where the exciting current does not exceed the core loss, which
        :func:`survey.physics.study.outside_model` reports as outside the model.
    """
    exciting = np.asarray(exciting_current, dtype=np.float64)
    loss = np.asarray(core_loss, dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(exciting**2 - loss**2, 0.0)))
