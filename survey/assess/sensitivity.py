"""How far each score depends on what is not known well: a low-high interval from stated uncertainties.

Capacitance, no-load loss and exciting current of the site's worst circuit are moved to the ends of their uncertainty
(settings; wider where a default stood in), and the hazard is worked out again there. The interval always contains the
score. Where the connection was assumed the low end is 0: it may be one that cannot ring. For the sites beside it the
high end is worked out without it: if it is of another kind, those that remain are alone with all of the cable.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from survey.arrays import Floats, Ints, at_rows, ratio, taken
from survey.assess.behaviour import Figures, curve_library, hazard_of
from survey.assess.choice import Choice
from survey.assess.circuits import Circuits, SectionValues
from survey.assess.score import lowered_by_load, severity_of_screen
from survey.assess.windings import Windings
from survey.physics.families import FAMILY_TABLE
from survey.settings import Settings, UncertaintySettings

ROUNDING = 1e-9


@dataclass(frozen=True)
class Doubt:
    """How far each circuit rests on assumptions, shape (n_circuits,).

    Shares, 0-1, of ``capacitance``, ``loss`` and ``exciting`` current that are defaults; ``alone`` how many times
    larger the charging per unit is without the sites whose connection was assumed, 1 where it is on record for all.
    """

    capacitance: Floats
    loss: Floats
    exciting: Floats
    alone: Floats


@dataclass(frozen=True)
class Box:
    """Ends of each circuit's b, p and im, per unit; each (low, high), shape (n_circuits,)."""

    b: tuple[Floats, Floats]
    p: tuple[Floats, Floats]
    im: tuple[Floats, Floats]

    def corners(self) -> list[tuple[Floats, Floats, Floats]]:
        """The combinations that pull one way: little charging and much loss, much charging and little loss, each im."""
        calm, wild = (self.b[0], self.p[1]), (self.b[1], self.p[0])
        return [(*pair, im) for pair in (calm, wild) for im in self.im]


@dataclass(frozen=True)
class Interval:
    """Ends per site, shape (n_sites,), NaN without a circuit: of the score, and of the hazard that gives the band."""

    score_low: Floats
    score_high: Floats
    hazard_low: Floats
    hazard_high: Floats


def score_interval(
    choice: Choice,
    windings: Windings,
    *,
    totals: SectionValues,
    circuits: Circuits,
    figures: Figures,
    settings: Settings,
    progress: Callable[[int, int], None] | None = None,
) -> Interval:
    """Low and high end of every site's score, the worst point being the one chosen.

    ``progress``: called with points done and points to do while curves are computed.
    """
    box = box_of(circuits, doubts(totals, circuits), settings=settings.uncertainty)
    worst = choice.worst
    rows = np.unique(worst[at_rows(~figures.outside, worst, none=False).astype(bool)])
    if settings.study.run and len(rows):
        ends = studied_interval(circuits, box, rows=rows, settings=settings, progress=progress)
    else:
        ends = screened_interval(circuits, box, rows=rows)
    before = at_rows(lowered_by_load(figures.hazard, figures.loaded, settings=settings.score), worst)
    gang = np.where(choice.score > 0, ratio(choice.score, before, none=1.0), 1.0)
    hazard, score = [], []
    for end, pick in zip(ends, (np.fmin, np.fmax), strict=True):
        moved = figures.hazard.copy()
        moved[rows] = end
        loaded = figures.loaded * ratio(moved, figures.hazard, none=1.0)
        lowered = lowered_by_load(moved, loaded, settings=settings.score)
        hazard.append(pick(at_rows(np.fmax(moved, loaded), worst), choice.hazard))
        score.append(pick(at_rows(lowered, worst) * gang, choice.score))
    may_not_ring = windings.assumed_connection & np.isfinite(score[0])
    return Interval(
        score_low=np.where(may_not_ring, 0.0, score[0]),
        score_high=score[1],
        hazard_low=np.where(may_not_ring, 0.0, hazard[0]),
        hazard_high=hazard[1],
    )


def doubts(totals: SectionValues, circuits: Circuits) -> Doubt:
    """Share of every circuit's capacitance, loss and magnetizing power that rests on defaults."""
    at = (circuits.family, circuits.section)
    known = totals.family_va[at] - totals.family_doubtful_va[at]
    usual = ratio(totals.family_va[at], totals.family_sites[at], none=1.0)
    remaining = np.where(known > ROUNDING * totals.family_va[at], known, usual)  # all in doubt: one of them remains
    return Doubt(
        capacitance=ratio(totals.stand_in_f[circuits.section], totals.cap_f[circuits.section], none=0.0),
        loss=ratio(totals.family_assumed_loss_w[at], totals.family_loss_w[at], none=0.0),
        exciting=ratio(totals.family_assumed_magnetizing_va[at], totals.family_magnetizing_va[at], none=0.0),
        alone=np.where(totals.family_doubtful_va[at] > 0, ratio(totals.family_va[at], remaining, none=1.0), 1.0),
    )


def box_of(circuits: Circuits, doubt: Doubt, *, settings: UncertaintySettings) -> Box:
    """Ends of every circuit's quantities; between the recorded and the default uncertainty by the share of defaults."""

    def ends(value: Floats, share: Floats, known: float, default: float) -> tuple[Floats, Floats]:
        factor = (1 + known) * ((1 + default) / (1 + known)) ** share
        return value / factor, value * factor

    little, much = ends(circuits.b, doubt.capacitance, settings.capacitance, settings.capacitance_default)
    return Box(
        b=(little, much * doubt.alone),
        p=ends(circuits.p, doubt.loss, settings.no_load_loss, settings.no_load_loss_default),
        im=ends(circuits.im, doubt.exciting, settings.exciting, settings.exciting_default),
    )


def studied_interval(
    circuits: Circuits, box: Box, *, rows: Ints, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> tuple[Floats, Floats]:
    """Least and largest hazard at no load of the circuits ``rows`` over the corners of their box, shape (n_rows,)."""
    corners, library = box.corners(), curve_library(settings)
    stacked = [np.concatenate([corner[k][rows] for corner in corners]) for k in range(3)]
    place = {"b": stacked[0], "p": stacked[1], "im": stacked[2]}
    tiled = taken(circuits, np.tile(rows, len(corners)))
    peak, _ = library.near(tiled.family, **place, progress=progress)
    power_w = library.near_power(tiled.family, **place, progress=progress) * tiled.base_va
    hazard = hazard_of(tiled, peak, power_w, settings=settings).reshape(len(corners), -1)
    return hazard.min(axis=0), hazard.max(axis=0)


def screened_interval(circuits: Circuits, box: Box, *, rows: Ints) -> tuple[Floats, Floats]:
    """The same by the screening margin alone; over the limit rises with b and falls with im, or p for five-legged."""
    over = circuits.over_limit[rows]
    by_loss = np.array([family.screen == "charge_loss" for family in FAMILY_TABLE])[circuits.family[rows]]
    wide = np.where(by_loss, box.p[1][rows] / circuits.p[rows], box.im[1][rows] / circuits.im[rows])
    less, more = circuits.b[rows] / box.b[0][rows], box.b[1][rows] / circuits.b[rows]
    return severity_of_screen(over / (wide * less)), severity_of_screen(over * wide * more)
