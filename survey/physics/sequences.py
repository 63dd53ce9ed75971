"""Which switching operations the study tries: states of the poles, angles, residual flux.

Closing: pole by pole from dead, with residual flux. Opening: pole by pole from the balanced steady state (a fuse that
blows is an opening). Every sequence has two operations; the second starts from what the first left, at its own angle.
"""

from __future__ import annotations

from enum import IntEnum
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt


class Circuit(IntEnum):
    """Winding families of the study.

    A grounded wye on a three-legged core is taken as :attr:`FLOATING_WYE` (its fourth path is air); grounded wye on
    separate cores, open wye and open delta have no path between phases and are not studied.
    """

    DELTA = 0
    FLOATING_WYE = 1
    FIVE_LEGGED = 2


POLE_A: Final = 1
POLE_B: Final = 2
POLE_C: Final = 4
ALL_POLES: Final = 7

RESIDUAL_FLUX: Final = 0.6
"""Residual flux tried, per unit of rated (common practice, no source)."""
RESIDUAL_PATTERNS: Final = ((0, 0, 0), (1, -1, 0), (-1, 1, 0), (0, 1, -1), (0, -1, 1), (1, 0, -1), (-1, 0, 1))

CHAINS_SYMMETRIC: Final = (
    (0, POLE_A, POLE_A | POLE_B, 14),
    (ALL_POLES, POLE_A | POLE_B, POLE_A, 7),
)
CHAINS_FIVE_LEGGED: Final = (
    (0, POLE_A, POLE_A | POLE_C, 7),
    (0, POLE_A, POLE_A | POLE_B, 3),
    (0, POLE_B, POLE_A | POLE_B, 3),
    (0, POLE_B, POLE_B | POLE_C, 3),
    (ALL_POLES, POLE_A | POLE_C, POLE_A, 3),
    (ALL_POLES, POLE_A | POLE_B, POLE_B, 2),
    (ALL_POLES, POLE_B | POLE_C, POLE_B, 2),
)
"""Closed poles before, between and after, and how many draws. In delta and floating wye the three phases are alike; in
a five-legged core the middle leg (b) is not, nor is the order of rotation seen from it."""

CHAIN_SHIFT: Final = 1000
# fractional parts of the first two powers of the inverse of the real root of x^3 = x + 1: even cover of the unit square
COVER: Final = (0.7548776662466927, 0.5698402909980532)


@cache
def switching_plan(
    circuit: Circuit, *, density: int = 1, block: int = 0
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Sequences and draws of a circuit: the same on every machine and in every run.

    Parameters
    ----------
    circuit
        Winding family.
    density
        Multiplies the number of draws of every chain.
    block
        Which stretch of the endless row of draws to take: no two blocks share one, and blocks together cover angles
        and waiting times as evenly as one long row.

    Returns
    -------
    states
        Closed poles before, between and after as bit masks, shape (sequences, 3).
    draws
        Angle of the first operation [rad], waiting time before the second [cycles, 0-1], residual flux of three
        windings [per unit of rated], shape (sequences, 5).
    """
    chains = CHAINS_FIVE_LEGGED if circuit is Circuit.FIVE_LEGGED else CHAINS_SYMMETRIC
    states: list[tuple[int, int, int]] = []
    draws: list[tuple[float, ...]] = []
    for place, (before, between, after, count) in enumerate(chains):
        for k in range(block * count * density, (block + 1) * count * density):
            # chains start apart, or two of them would try the same angles
            number = k + 1 + CHAIN_SHIFT * place
            pattern = RESIDUAL_PATTERNS[k % len(RESIDUAL_PATTERNS)] if before == 0 else RESIDUAL_PATTERNS[0]
            states.append((before, between, after))
            angle, wait = 2.0 * np.pi * (number * COVER[0] % 1.0), number * COVER[1] % 1.0
            draws.append((angle, wait, *(RESIDUAL_FLUX * part for part in pattern)))
    return np.array(states, dtype=np.int64), np.array(draws, dtype=np.float64)
