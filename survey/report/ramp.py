"""One legend for the map, the sheets and the plan: colour is the hazard, shape the band or status, size the rank.

The ramp is *inferno*, run from light to dark (S. van der Walt and N. Smith, 2015, CC0, with matplotlib):
perceptually uniform, and its lightness falls steadily, so it reads the same to colour-blind eyes and in grey.
Its two ends are left out: the lightest tenth is lost on paper, the darkest looks like ink.
Bands are told apart by shape, never by colour alone.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Floats

BANDS = ("low", "moderate", "high", "severe")
RAMP_STOPS = (
    "000004 08051d 180c3c 2f0a5b 450a69 5c126e 71196e 87216b 9b2964 b1325a "
    "c43c4e d74b3f e55c30 f1711f f8870e fca108 fbba1f f6d543 f1ed71 fcffa4"
)
"""*inferno* in twenty steps, from dark to light."""
RAMP_STEPS = 101
RAMP_LIGHT, RAMP_DARK = 0.90, 0.16
NO_HAZARD = "#77736b"
PAPER = "#fbf9f3"


@dataclass(frozen=True)
class Mark:
    """How a band, or a status without a band, is drawn.

    ``key``: band or status as in the tables. ``label``: what a person reads. ``shape``: ``dot``, ``circle``,
    ``triangle``, ``diamond``, ``ring``, ``loop`` (a ring in a ring), ``plus``, ``square`` or ``cross``. ``size_px``:
    width on the screen, CSS pixels. ``matplotlib``: the same shape as a matplotlib marker.
    """

    key: str
    label: str
    shape: str
    size_px: float
    matplotlib: str


BAND_MARKS = (
    Mark("low", "Low", "dot", 6.0, "."),
    Mark("moderate", "Moderate", "circle", 9.0, "o"),
    Mark("high", "High", "triangle", 13.0, "^"),
    Mark("severe", "Severe", "diamond", 15.0, "D"),
)
STATUS_MARKS = (
    Mark("not_susceptible", "Not susceptible", "ring", 6.0, "o"),
    Mark("no_single_pole", "No single-pole point", "plus", 8.0, "+"),
    Mark("looped", "On a ring, undecided", "loop", 10.0, "o"),
    Mark("unreached", "No way to a supply", "cross", 8.0, "x"),
    Mark("not_assessable", "Not assessable", "square", 7.0, "s"),
)
BAND_HAZARDS = (0.0, 17.0, 50.0, 83.0)
"""Middle hazard of each band: the colour of its sample in a legend."""
RANK_SIZES: tuple[tuple[int | None, float, str], ...] = (
    (10, 1.35, "first 10"),
    (100, 1.0, "to 100"),
    (None, 0.75, "beyond"),
)
"""Marks of assessed sites are so many times their size up to a rank."""


def rank_size(rank: int) -> float:
    """How many times its size a site's mark is, by its rank (from 1)."""
    return next(factor for last, factor, _ in RANK_SIZES if last is None or rank <= last)


@cache
def ramp_table() -> NDArray[np.uint8]:
    """Red, green and blue of hazards 0, 1 ... 100; shape (101, 3)."""
    stops = np.array([list(bytes.fromhex(stop)) for stop in RAMP_STOPS.split()])
    place = np.linspace(RAMP_LIGHT, RAMP_DARK, RAMP_STEPS) * (len(stops) - 1)
    known = np.arange(len(stops))
    channels = [np.interp(place, known, stops[:, channel]) for channel in range(3)]
    return np.rint(np.stack(channels, axis=1)).astype(np.uint8)


def ramp_hex() -> list[str]:
    """``#rrggbb`` of hazards 0, 1 ... 100."""
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in ramp_table().tolist()]


def hazard_colours(hazard: Floats) -> list[str]:
    """``#rrggbb`` of each hazard (0-100); missing ones get the neutral grey ``NO_HAZARD``. Shape (n,)."""
    known = np.isfinite(hazard)
    step = np.rint(np.clip(np.where(known, hazard, 0), 0, RAMP_STEPS - 1)).astype(np.int64)
    table = np.asarray(ramp_hex(), dtype=object)
    return list(np.where(known, table[step], NO_HAZARD))


def drawn_as(band: str, status: str) -> str:
    """Key of a site's mark: its band where one was decided (also with its ring opened), else its status."""
    decided = status in {"assessed", ""} or (status == "looped" and band)
    return band if decided else status


def mark_of(band: str, status: str) -> Mark:
    """The mark of a site."""
    marks = {mark.key: mark for mark in (*BAND_MARKS, *STATUS_MARKS)}
    return marks.get(drawn_as(band, status), STATUS_MARKS[-1])
