"""Risk against budget: the greedy way step by step, and the exact optimum at a number of budgets."""

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Floats, Ints
from survey.errors import ModelError
from survey.planning.greedy import choose_greedily
from survey.planning.milp import Optimum, Programme, Terms
from survey.settings import PlanSettings

BEYOND = 1.5
"""The curve goes on to so many times the budget."""


@dataclass(frozen=True)
class Curve:
    """Risk against budget.

    Parameters
    ----------
    budget
        Budgets, rising, shape (n,).
    optimum
        Risk left by the exact choice for each.
    gap
        Largest distance of each to the true optimum.
    installs, spent
        Number of installs of the exact choice, and their cost.
    greedy
        Risk left by the greedy choice for each.
    """

    budget: Floats
    optimum: Floats
    gap: Floats
    installs: Ints
    spent: Floats
    greedy: Floats


def draw_curve(programme: Programme, terms: Terms, *, at: Optimum, settings: PlanSettings) -> Curve:
    """Solve for budgets from what must be done to beyond the budget; shares go with the budget."""
    least = float(terms.cost[terms.must].sum())
    grid = np.linspace(least, max(terms.budget * BEYOND, least), settings.curve_points)
    if (terms.cost == 1.0).all():
        grid = np.rint(grid)
    budgets = np.unique(np.append(grid, terms.budget))
    found = [at if b == terms.budget else _solve(programme, _scaled(terms, b), settings) for b in budgets]
    greedy = _greedy(programme, terms, budgets)
    kept = [k for k, answer in enumerate(found) if answer is not None]
    answers = [answer for answer in found if answer is not None]
    return Curve(
        budget=budgets[kept],
        optimum=np.array([answer.risk for answer in answers]),
        gap=np.array([answer.gap for answer in answers]),
        installs=np.array([answer.chosen.sum() for answer in answers], np.int64),
        spent=np.array([float(terms.cost[answer.chosen].sum()) for answer in answers]),
        greedy=greedy[kept],
    )


def _greedy(programme: Programme, terms: Terms, budgets: Floats) -> Floats:
    """Risk left by the greedy choice for each budget; where all costs are one it is the same way, gone further."""
    if (terms.cost == 1.0).all() and not terms.shares:
        steps = choose_greedily(programme.whole, _scaled(terms, budgets[-1]))
        return np.array([steps.at(b) for b in budgets])
    return np.array([choose_greedily(programme.whole, _scaled(terms, b)).risk[-1] for b in budgets])


def _scaled(terms: Terms, budget: float) -> Terms:
    part = budget / terms.budget if terms.budget else 0.0
    shares = [replace(s, least=s.least * part, most=s.most * part) for s in terms.shares]
    return replace(terms, budget=float(budget), shares=shares)


def _solve(programme: Programme, terms: Terms, settings: PlanSettings) -> Optimum | None:
    """The optimum, or nothing where the districts' shares cannot be kept for this budget."""
    try:
        return programme.solve(terms, seconds=settings.seconds)
    except ModelError:
        return None
