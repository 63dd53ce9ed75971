"""How far each score depends on what is not known well: a low-high interval from stated uncertainties.

Capacitance, no-load loss and exciting current of the site's worst circuit are moved to both ends of their uncertainty
(settings; wider where a default stood in), and the hazard is worked out again there. The interval always contains the
score. Where the connection was assumed the low end is 0: it may be one that cannot ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.assess.score import hazard_from_screen, hazard_from_study

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.assess.circuits import Circuits
    from survey.physics.study import CurveLibrary
    from survey.settings import ScoreSettings, UncertaintySettings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Doubt:
    """Share of each circuit that rests on defaults, 0-1, shape (n_circuits,): of capacitance, loss, exciting current."""

    capacitance: Floats
    loss: Floats
    exciting: Floats


@dataclass(frozen=True)
class Box:
    """Ends of each circuit's b, p and im, per unit; each (low, high), shape (n_circuits,)."""

    b: tuple[Floats, Floats]
    p: tuple[Floats, Floats]
    im: tuple[Floats, Floats]

    def corners(self) -> list[tuple[Floats, Floats, Floats]]:
        """All eight combinations of ends."""
        return list(product(self.b, self.p, self.im))


def box_of(circuits: Circuits, doubt: Doubt, *, settings: UncertaintySettings) -> Box:
    """Ends of every circuit's quantities; between the recorded and the default uncertainty by the share of defaults."""

    def ends(value: Floats, share: Floats, known: float, default: float) -> tuple[Floats, Floats]:
        factor = (1 + known) * ((1 + default) / (1 + known)) ** share
        return value / factor, value * factor

    return Box(
        b=ends(circuits.b, doubt.capacitance, settings.capacitance, settings.capacitance_default),
        p=ends(circuits.p, doubt.loss, settings.no_load_loss, settings.no_load_loss_default),
        im=ends(circuits.im, doubt.exciting, settings.exciting, settings.exciting_default),
    )


def studied_interval(
    circuits: Circuits,
    box: Box,
    *,
    rows: NDArray[np.int64],
    library: CurveLibrary,
    score: ScoreSettings,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Floats, Floats]:
    """Least and largest hazard at no load of the circuits ``rows`` over the corners of their box, shape (n_rows,)."""
    corners = box.corners()
    stacked = [np.concatenate([corner[k][rows] for corner in corners]) for k in range(3)]
    peak, share = library.near(
        np.tile(circuits.family[rows], len(corners)), b=stacked[0], p=stacked[1], im=stacked[2], progress=progress
    )
    hazard = hazard_from_study(peak, share, settings=score).reshape(len(corners), -1)
    return hazard.min(axis=0), hazard.max(axis=0)


def screened_interval(circuits: Circuits, box: Box, *, rows: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """The same by the screening margin alone; over the limit rises with b and falls with im, or p for five-legged."""
    over = circuits.over_limit[rows]
    wide = np.where(circuits.family[rows] == 2, box.p[1][rows] / circuits.p[rows], box.im[1][rows] / circuits.im[rows])
    wide = wide * box.b[1][rows] / circuits.b[rows]
    return hazard_from_screen(over / wide), hazard_from_screen(over * wide)
