"""Which switching operations the study tries: states of the poles, angles, residual flux.

Closing: pole by pole from dead, with residual flux. Opening: pole by pole from the balanced steady state (a fuse that
blows is an opening). A sequence is a crew's whole work at a switching point: first pole, second pole, from what the
first left and at its own angle, and third pole, after which no phase is left open beside a closed one.
"""

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.physics.families import Circuit

POLE_A: Final = 1
POLE_B: Final = 2
POLE_C: Final = 4
ALL_POLES: Final = 7

RESIDUAL_FLUX: Final = 0.6
"""Residual flux tried, per unit of rated (common practice, no source)."""
RESIDUAL_PATTERNS: Final = ((0, 0, 0), (1, -1, 0), (-1, 1, 0), (0, 1, -1), (0, -1, 1), (1, 0, -1), (-1, 0, 1))

AB: Final = POLE_A | POLE_B
BC: Final = POLE_B | POLE_C
CA: Final = POLE_C | POLE_A

Chain = tuple[int, int, int, int]
TURNED_ALIKE: Final[tuple[Chain, ...]] = (
    (0, POLE_A, AB, 7),
    (0, POLE_A, CA, 7),
    (ALL_POLES, AB, POLE_A, 4),
    (ALL_POLES, AB, POLE_B, 4),
)
OUTER_WORST: Final[tuple[Chain, ...]] = (
    (0, POLE_A, CA, 4),
    (0, POLE_C, CA, 4),
    (0, POLE_A, AB, 2),
    (0, POLE_B, AB, 2),
    (0, POLE_B, BC, 2),
    (0, POLE_C, BC, 2),
    (ALL_POLES, CA, POLE_A, 2),
    (ALL_POLES, CA, POLE_C, 2),
    (ALL_POLES, AB, POLE_A, 1),
    (ALL_POLES, AB, POLE_B, 1),
    (ALL_POLES, BC, POLE_B, 1),
    (ALL_POLES, BC, POLE_C, 1),
)
EVERY_ORDER: Final[tuple[Chain, ...]] = tuple((chain[0], chain[1], chain[2], 2) for chain in OUTER_WORST)
CHAINS: Final = {
    Circuit.DELTA: TURNED_ALIKE,
    Circuit.FLOATING_WYE: TURNED_ALIKE,
    Circuit.FIVE_LEGGED: OUTER_WORST,
    Circuit.OPEN_DELTA: EVERY_ORDER,
}
"""Closed poles before, between and after, and how many draws. In delta and floating wye the three phases are alike, and
only the direction in which a crew goes round counts; in a five-legged core the middle leg (b) is unlike the others, and
in an open delta the corner between the windings (b) is: every order is tried there."""

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
        Which block of the endless row of draws to take: no two blocks share one, and blocks together cover angles
        and waiting times as evenly as one long row.

    Returns
    -------
    states
        Closed poles before, between and after as bit masks, shape (sequences, 3).
    draws
        Angle of the first operation [rad], waiting time before the second [cycles, 0-1], residual flux of three
        windings [per unit of rated], shape (sequences, 5).
    """
    states: list[tuple[int, int, int]] = []
    draws: list[tuple[float, ...]] = []
    for place, (before, between, after, count) in enumerate(CHAINS[circuit]):
        for k in range(block * count * density, (block + 1) * count * density):
            # chains start apart, or two of them would try the same angles
            number = k + 1 + CHAIN_SHIFT * place
            pattern = RESIDUAL_PATTERNS[k % len(RESIDUAL_PATTERNS)] if before == 0 else RESIDUAL_PATTERNS[0]
            states.append((before, between, after))
            angle, wait = 2.0 * np.pi * (number * COVER[0] % 1.0), number * COVER[1] % 1.0
            draws.append((angle, wait, *(RESIDUAL_FLUX * part for part in pattern)))
    return np.array(states, dtype=np.int64), np.array(draws, dtype=np.float64)


@cache
def sequence_weights(circuit: Circuit) -> npt.NDArray[np.float64]:
    """Weight of every sequence in a share: closing and opening count half each, and every order of poles the same.

    Returns
    -------
    numpy.ndarray
        Adding up to one, shape (sequences,) of :func:`switching_plan` at density 1.
    """
    chains = CHAINS[circuit]
    orders = {start: sum(chain[0] == start for chain in chains) for start in (0, ALL_POLES)}
    weights = [np.full(count, 0.5 / (orders[before] * count)) for before, _, _, count in chains]
    return np.concatenate(weights)
