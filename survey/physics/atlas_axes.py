"""Axes and figures of the atlas of curves that ships with the package."""

from typing import Final

import numpy as np

from survey.physics.curves import LIMITS_PU, FloatArray
from survey.physics.families import Circuit

ATLAS_VERSION: Final = 2
"""Version of the model behind the atlas. Raise it by hand whenever a result may change, and fill the atlas anew
(``tests/atlas/fill.py``): an atlas of another version is not used."""

B_AXIS: Final[FloatArray] = 1e-5 * 10.0 ** (np.arange(241) / 40)
FINE_G: Final = 31
"""Nodes of g without load, 20 a decade; those above are of loaded sections, 10 a decade."""
G_AXIS: Final[FloatArray] = np.concatenate([
    3e-4 * 10.0 ** (np.arange(FINE_G) / 20),
    3e-4 * 10.0 ** ((FINE_G - 1) / 20 + np.arange(1, 23) / 10),
])  # fmt: skip
IM_AXIS: Final[FloatArray] = 4e-4 * 10.0 ** (np.arange(21) / 10)
FINER_IM: Final = np.arange(2.5, 18.0)
"""Places between those nodes of im where a five-legged core, whose onset moves most with im, has nodes too."""
FIVE_LEGGED_IM: Final[FloatArray] = 4e-4 * 10.0 ** (np.sort(np.append(np.arange(21), FINER_IM)) / 10)


LIMIT_NAMES: Final = tuple(f"{limit:g}" for limit in LIMITS_PU)
FINE_FIGURES: Final = ("peak", "edge", *(f"share_{name}" for name in LIMIT_NAMES))
"""What is kept of every node: largest sustained peak; where on the way to the next node of b the peak jumps (part of
the way, 0: it does not); share of sequences at each of the limits."""
COARSE_FIGURES: Final = (
    *(f"typical_{name}" for name in LIMIT_NAMES),
    *(f"cycles_{name}" for name in LIMIT_NAMES),
    "clamped",
    "power",
)
"""What is kept of every second node of each axis: at each of the limits median of the sequences above (0: none) and
cycles above while settling; with arresters largest peak and power."""
CHECKS: Final = ("first_repeating", "first_peak", "first_share", "first_clamped", "first_power")
"""Of the first plan of draws of the coarse nodes alone the largest peak that repeats, the largest peak, the share above
1.25, and with arresters peak and power: a node can be recomputed in a tenth of a second."""
FIGURES: Final = FINE_FIGURES + COARSE_FIGURES


def axes_of(circuit: Circuit, step: int = 1) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes of b, g and im [per unit] of a circuit; every ``step``-th."""
    im = FIVE_LEGGED_IM if circuit is Circuit.FIVE_LEGGED else IM_AXIS
    return B_AXIS[::step], G_AXIS[::step], im[::step]


def shape_of(circuit: Circuit, step: int = 1) -> tuple[int, int, int]:
    """How many nodes of g, im and b there are: the shape of a figure."""
    b, g, im = axes_of(circuit, step)
    return len(g), len(im), len(b)
