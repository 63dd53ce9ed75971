"""Axes and figures of the atlas of curves that ships with the package."""

from __future__ import annotations

from typing import Final

import numpy as np

from survey.physics.curves import LIMITS_PU, FloatArray

ATLAS_VERSION: Final = 1
"""Version of the model behind the atlas. Raise it by hand whenever a result may change, and fill the atlas anew
(``python -m survey.physics.atlas_fill``): an atlas of another version is not used."""

B_AXIS: Final[FloatArray] = 1e-5 * 10.0 ** (np.arange(108) / 20)
FINE_G: Final = 13
"""Nodes of g without load, 10 a decade; those above are of loaded sections, 6 a decade."""
G_AXIS: Final[FloatArray] = np.concatenate([
    6e-4 * 10.0 ** (np.arange(FINE_G) / 10),
    6e-4 * 10.0 ** ((FINE_G - 1) / 10 + np.arange(1, 13) / 6),
])  # fmt: skip
IM_AXIS: Final[FloatArray] = 4e-4 * 10.0 ** (np.arange(11) / 5)

IM_SHIPPED: Final = slice(1, 10)
"""Nodes of im that the package ships; those at the ends are not filled yet."""

LIMIT_NAMES: Final = tuple(f"{limit:g}" for limit in LIMITS_PU)
FIGURES: Final = (
    "peak",
    *(f"share_{name}" for name in LIMIT_NAMES),
    *(f"typical_{name}" for name in LIMIT_NAMES),
    *(f"cycles_{name}" for name in LIMIT_NAMES),
    "edge",
    "clamped",
    "power",
)
"""What is kept of a node: largest sustained peak; at each of the limits share of sequences, median of those above (0:
none) and cycles above while settling; where on the way to the next node of b the peak jumps (part of the way, 0: it
does not); and with arresters largest peak and power."""
CHECKS: Final = ("draws", "firm", "first_repeating", "first_peak", "first_share", "first_clamped", "first_power")
"""How many draws a node took (in multiples of a plan; 0: it was bridged from its neighbours) and the peak that the
fourth highest sequence reaches; and of the first stretch of draws alone the largest peak that repeats, the largest
peak, the share above 1.25, and with arresters peak and power: a node can be recomputed in a second."""
