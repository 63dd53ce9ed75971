"""The plain way, for comparison and for the order of a plan: always take what removes most risk for its money next."""

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, ranges
from survey.errors import ModelError
from survey.planning.milp import Optimum, Programme, Share, Terms
from survey.planning.residual import Problem
from survey.settings import PlanSettings

SLACK = 1e-9
WORTH = 1e-9
"""Less risk removed than this is nothing."""
BEYOND = 1.5
"""The curve goes on to so many times the budget."""


@dataclass(frozen=True)
class Steps:
    """Candidates in the order they were taken, and what each left: ``risk[0]`` is before the first.

    ``short``: districts whose least share was not reached.
    """

    candidate: Ints
    risk: Floats
    spent: Floats
    short: tuple[str, ...] = ()

    def at(self, budget: float) -> float:
        """Risk left when the money ends at ``budget``."""
        return float(self.risk[np.searchsorted(self.spent, budget * (1 + 1e-9), side="right") - 1])


class Gains:
    """Risk that each candidate would remove now, kept up to date while candidates are taken.

    ``among``: candidates that are asked about, shape (n,). ``gain``: risk that each
    would remove, -inf for those taken or not asked about. ``risk``: what is left.
    """

    def __init__(self, problem: Problem, among: Bools) -> None:
        self.problem = problem
        self.chosen = np.zeros(problem.n, bool)
        self.touched = problem.touched()
        self.rate = problem.rates(self.chosen)
        self.risk = float(problem.chains.weight @ self.rate)
        self.gain = np.full(problem.n, -np.inf)
        owner, group = self.touched.owner, self.touched.flat
        order = np.argsort(group, kind="stable")
        self._by_group = owner[order]
        self._group_start = np.searchsorted(group[order], np.arange(len(self.rate) + 1))
        self._update(np.flatnonzero(among))

    def _update(self, candidate: Ints) -> None:
        count = np.diff(self.touched.start)[candidate]
        first = self.touched.start[candidate]
        at = ranges(first, count)
        group = self.touched.flat[at]
        after = self.problem.rates(self.chosen, group=group, flip=np.repeat(candidate, count))
        saved = self.problem.chains.weight[group] * (self.rate[group] - after)
        self.gain[candidate] = np.bincount(
            np.repeat(np.arange(len(candidate)), count), weights=saved, minlength=len(candidate)
        )

    def take(self, candidate: int) -> None:
        """Install one."""
        self.chosen[candidate] = True
        self.gain[candidate] = -np.inf
        group = self.touched[candidate]
        before, self.rate[group] = self.rate[group], self.problem.rates(self.chosen, group=group)
        self.risk += float(self.problem.chains.weight[group] @ (self.rate[group] - before))
        near = [self._by_group[self._group_start[g] : self._group_start[g + 1]] for g in group]
        again = np.unique(np.concatenate([*near, np.empty(0, np.int64)]).astype(np.int64))
        again = again[np.isfinite(self.gain[again])]
        if len(again):
            self._update(again)


def choose_greedily(problem: Problem, terms: Terms) -> Steps:
    """Take the best gain for its money that still fits until nothing helps or fits.

    What must be done comes first, then districts that are short of their least share.
    """
    gains = Gains(problem, ~terms.never)
    steps = _Log(gains, terms.cost)
    for candidate in np.flatnonzero(terms.must):
        steps.take(int(candidate))
    while True:
        short = [share for share in terms.shares if _spent_on(share, gains, terms) < share.least * (1 - SLACK)]
        fits = np.isfinite(gains.gain) & (steps.spent[-1] + terms.cost <= terms.budget * (1 + SLACK))
        for share in terms.shares:
            fits &= ~share.members | (_spent_on(share, gains, terms) + terms.cost <= share.most * (1 + SLACK))
        first = fits & np.logical_or.reduce([share.members for share in short]) if short else np.zeros_like(fits)
        fits = first if first.any() else fits & (gains.gain > WORTH)
        if not fits.any():
            return replace(steps.done(), short=tuple(share.name for share in short))
        steps.take(_best(gains.gain, terms.cost, fits))


def _spent_on(share: Share, gains: Gains, terms: Terms) -> float:
    return float(terms.cost[share.members & gains.chosen].sum())


def order_by_value(problem: Problem, chosen: Bools, *, cost: Floats) -> Steps:
    """The chosen candidates, always next the one that removes most risk for its money."""
    gains = Gains(problem, chosen)
    steps = _Log(gains, cost)
    left = chosen.copy()
    while left.any():
        candidate = _best(gains.gain, cost, left)
        left[candidate] = False
        steps.take(candidate)
    return steps.done()


def _best(gain: Floats, cost: Floats, among: Bools) -> int:
    """The greatest gain for its money; of equal ones the first."""
    rows = np.flatnonzero(among)
    ratio = gain[rows] / np.maximum(cost[rows], 1e-12)
    return int(rows[np.argmax(ratio)])


class _Log:
    def __init__(self, gains: Gains, cost: Floats) -> None:
        self.gains, self.cost = gains, cost
        self.taken: list[int] = []
        self.risk, self.spent = [gains.risk], [0.0]

    def take(self, candidate: int) -> None:
        self.gains.take(candidate)
        self.taken.append(candidate)
        self.risk.append(self.gains.risk)
        self.spent.append(self.spent[-1] + float(self.cost[candidate]))

    def done(self) -> Steps:
        return Steps(np.array(self.taken, np.int64), np.array(self.risk), np.array(self.spent))


@dataclass(frozen=True)
class Curve:
    """Risk against budget.

    ``budget`` budgets, rising, shape (n,); ``optimum`` risk left by the exact choice for each; ``gap`` largest distance
    of each to the true optimum; ``installs``, ``spent`` number of installs of the exact choice, and their cost;
    ``greedy`` risk left by the greedy choice for each.
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
