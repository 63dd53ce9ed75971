"""How the ranking moves with what the model takes for every winding alike: resistance, saturation, arresters.

Each is moved by itself. Only the circuits that the leading sites hang on are simulated anew, each of them itself and
before anything is moved as well, so that orders are compared which differ in nothing else. Compared is the risk of the
normal state, without what the states of loops add.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints, taken
from survey.assess.assess import Assessment
from survey.assess.behaviour import Figures, curve_parameters, hazard_of
from survey.assess.circuits import Circuits
from survey.assess.risk import point_risks
from survey.memory import thread_pool
from survey.network import Network
from survey.physics.families import Circuit
from survey.settings import Settings

MOVED: dict[str, dict[str, float]] = {
    "nothing": {},
    "series_r_pu": {"series_r_pu": 0.05},
    "knee_pu": {"knee_pu": 1.3},
    "saturated_x_pu": {"saturated_x_pu": 0.4},
    "arrester_pu_low": {"arrester_pu": 1.6},
    "arrester_pu_high": {"arrester_pu": 2.1},
}
"""Upper ends of what is usual for small windings, and both ends of the clamps of arresters of one system voltage
(station and distribution class; readings of published discharge voltages). Nothing moved: what simulating anew does."""
FIRST = 20
IN_REACH = 3.0
"""Sites are seen down to this part of the risk of the last of the first ones (judgement), twice as many at least."""
DENSITY = 2
"""Times the draws of one node of the curves: 44 to 48 sequences a circuit."""
PARTS = 16
"""Pieces of work for the threads."""


def ranking_robustness(
    network: Network, assessment: Assessment, *, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Judge the leading sites again with each value moved by itself.

    ``progress``: called with studies done and studies to do. Returns one entry a value: ``moved`` (setting and value),
    ``rank_correlation`` (Spearman, of the leading sites), ``sites`` (their number), ``first`` (sites compared) and
    ``stay`` (how many of them stay among the first). The first entry, of nothing moved, compares with the survey's own
    order, all others with that one's.
    """
    before = assessment.risks.of_sites(len(network.site_node))
    sites = leading(before)
    pairs = np.isin(assessment.risks.site, sites)
    section, family = assessment.risks.section[pairs], assessment.windings.family[assessment.risks.site[pairs]]
    rows = np.unique(assessment.circuits.index(section, family, n_sections=len(assessment.totals.rating_va)))
    rows = rows[np.isfinite(assessment.figures.peak_pu[rows])]
    out = []
    for number, changed in enumerate(MOVED.values()):
        electrical = settings.electrical.model_copy(update=changed)
        moved = settings.model_copy(update={"electrical": electrical})
        risks = point_risks(
            network,
            assessment.windings,
            values=replace(assessment.totals, rating_va=assessment.counted_va),
            circuits=assessment.circuits,
            figures=simulated(assessment.circuits, assessment.figures, rows=rows, settings=moved),
            settings=moved,
        ).of_sites(len(before))
        out.append({"moved": changed, **compare_risks(before[sites], risks[sites])})
        before = before if changed else risks
        if progress is not None:
            progress(number + 1, len(MOVED))
    return out


def leading(risk: Floats) -> Ints:
    """The sites whose risk could bring them among the first: twice as many, and those in reach."""
    last = risk[_first(risk, FIRST)].min(initial=np.inf)
    return np.union1d(_first(risk, 2 * FIRST), np.flatnonzero((risk > 0) & (risk >= last / IN_REACH)))


def simulated(circuits: Circuits, figures: Figures, *, rows: Ints, settings: Settings) -> Figures:
    """The figures with what decides the risk of some circuits simulated anew, by themselves and not on a grid."""
    moved = {name: getattr(figures, name).copy() for name in ("hazard", "loaded", "share", "share_loaded")}
    under_load = rows[(circuits.held[rows] > 0) | (circuits.one_phase[rows] > 0)]
    without = np.zeros(len(rows))
    bare = replace(taken(circuits, rows), held=without, one_phase=without)
    moved["hazard"][rows], moved["share"][rows] = _sweep(bare, settings)
    moved["loaded"][rows], moved["share_loaded"][rows] = moved["hazard"][rows], moved["share"][rows]
    moved["loaded"][under_load], moved["share_loaded"][under_load] = _sweep(taken(circuits, under_load), settings)
    return replace(figures, **moved)


def _sweep(circuits: Circuits, settings: Settings) -> tuple[Floats, Floats]:
    """Hazard, and share of sequences over the limit, with the load that counts; each shape (n_circuits,)."""
    from survey.physics.curves import simulate
    from survey.physics.sequences import sequence_weights

    peak, power, share = np.zeros((3, len(circuits.b)))
    with thread_pool(2) as pool:
        for kind in Circuit:
            which = np.flatnonzero(circuits.family == kind)
            run = partial(simulate, kind, density=DENSITY)
            bare, clamped = (
                list(pool.map(run, np.array_split(_table(taken(circuits, which), settings, clamped=arresters), PARTS)))
                for arresters in (False, True)
            )
            sustained = np.concatenate(bare)[..., 0].max(axis=2)
            peak[which], power[which] = sustained.max(axis=1), np.concatenate(clamped)[..., 1].max(axis=(1, 2))
            weights = np.repeat(sequence_weights(kind) / DENSITY, DENSITY)
            share[which] = (sustained > settings.limits.voltage_pu) @ weights
    return hazard_of(circuits, peak, power * circuits.base_va, settings=settings), share


def _table(circuits: Circuits, settings: Settings, *, clamped: bool) -> Floats:
    """Parameter rows of the kernel; in five-legged cores single-phase load is load."""
    in_core = np.where(circuits.family == Circuit.FIVE_LEGGED, circuits.one_phase, 0.0)
    g, ground = circuits.p + circuits.held + in_core, circuits.one_phase - in_core
    return curve_parameters(settings).rows(circuits.b, g, im=circuits.im, one_phase=ground, clamped=clamped)


def compare_risks(one: Floats, other: Floats, *, first: int = FIRST) -> dict[str, Any]:
    """Compare two rankings of the same sites.

    ``one``, ``other``: risk of every site, shape (n_sites,). Returns ``sites`` with a risk in one of the two, their
    ``rank_correlation`` (absent for fewer than two), ``first`` and ``stay``.
    """
    either = (one > 0) | (other > 0)
    pair = pd.DataFrame({"one": one[either], "other": other[either]}).rank()
    found = float(pair["one"].corr(pair["other"])) if either.sum() > 1 else np.nan
    staying = np.intersect1d(_first(one, first), _first(other, first))
    return {
        "sites": int(either.sum()),
        "rank_correlation": None if np.isnan(found) else round(found, 4),
        "first": len(_first(one, first)),
        "stay": len(staying),
    }


def _first(risk: Floats, count: int) -> Ints:
    """The sites with most risk, none without any."""
    order = np.argsort(-risk, kind="stable")[:count]
    return order[risk[order] > 0]
