"""What each circuit does: from the study, or, without it, from the screening margin alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.assess.score import hazard_from_screen, hazard_from_study

if TYPE_CHECKING:
    from survey.assess.circuits import Circuits
    from survey.settings import Settings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Figures:
    """One row per circuit; shape (n_circuits,).

    ``peak_pu, peak_loaded_pu, temporary_pu`` crest per unit, ``likelihood, likelihood_loaded`` 0-1, ``load_needed_pu`` of
    the circuit's rating: NaN where not studied. ``hazard`` at no load and ``loaded`` with the dependable load, 0-100.
    ``outside``: outside the model, no figure can be given.
    """

    peak_pu: Floats
    peak_loaded_pu: Floats
    temporary_pu: Floats
    likelihood: Floats
    likelihood_loaded: Floats
    load_needed_pu: Floats
    hazard: Floats
    loaded: Floats
    outside: NDArray[np.bool_]


def screen_figures(circuits: Circuits) -> Figures:
    """Hazard by the screening margin; the study's figures stay absent."""
    absent = np.full(len(circuits.b), np.nan)
    hazard = hazard_from_screen(circuits.over_limit)
    return Figures(absent, absent, absent, absent, absent, absent, hazard, hazard, np.zeros(len(absent), bool))
