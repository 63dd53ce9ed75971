"""The exact choice, as a mixed-integer programme for scipy's HiGHS.

For every group the values its score can take are levels ``L1 < L2 < ...``; a variable ``t_l`` says that the residual
is at least level l. With ``x`` a point that becomes three-pole and ``y`` a device that is added, and ``v`` the value
of an entry, ``h`` the same lowered by a three-pole device between:

- level up to ``h``:          ``t_l + x >= 1``: only replacing the point itself takes it off;
- level between ``h`` and ``v``: ``t_l + x + (installs below and between) >= 1``: any of these lowers it;
- an entry over ``worst_kva`` counts once all below it are three-pole: ``t_l + x - (sum of those below) >= 1 - their
  number``.

Minimise the sum of ``weight (L_l - L_(l-1)) t_l`` with the cost of what is chosen within the budget. ``t`` may be
continuous: at the optimum each is 0 or 1 by itself once the installs are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array

from survey.arrays import Bools, Floats, Ints, ranges
from survey.errors import ModelError
from survey.planning.merge import LevelRows, merged
from survey.planning.residual import Problem

if TYPE_CHECKING:
    from collections.abc import Sequence


SAME = 1e-9
"""Levels closer than this are one."""


@dataclass(frozen=True)
class Share:
    """Bounds on what is spent on some candidates, in money; ``name`` for refusals."""

    name: str
    members: Bools
    least: float = 0.0
    most: float = np.inf


@dataclass(frozen=True)
class Terms:
    """What may be chosen: ``cost`` per candidate, ``budget``, those that must or must not be, and shares."""

    cost: Floats
    budget: float
    must: Bools
    never: Bools
    shares: Sequence[Share] = ()


@dataclass(frozen=True)
class Optimum:
    """A choice, what it leaves by the programme, and the largest distance to the true optimum that is left."""

    chosen: Bools
    risk: float
    gap: float


@dataclass
class _LevelRowsDraft:
    """Rows under construction: every row is ``t + sum >= least``, with the level of its ``t``."""

    row: list[Ints] = field(default_factory=list)
    column: list[Ints] = field(default_factory=list)
    value: list[Floats] = field(default_factory=list)
    level: list[Ints] = field(default_factory=list)
    least: list[Floats] = field(default_factory=list)
    count: int = 0

    def done(self, n: int, gain: Floats) -> LevelRows:
        """All rows, for ``n`` candidates and levels of so much gain."""
        none, nothing = np.empty(0, np.int64), np.empty(0)
        place = (np.concatenate([*self.row, none]), np.concatenate([*self.column, none]))
        value = np.concatenate([*self.value, nothing])
        installs = csr_array(coo_array((value, place), shape=(self.count, n)))
        return LevelRows(installs, np.concatenate([*self.level, none]), np.concatenate([*self.least, nothing]), gain)


class Programme:
    """The programme of one problem; solved for any terms.

    Parameters
    ----------
    problem
        Chains and candidates.
    """

    def __init__(self, problem: Problem) -> None:
        self.whole = problem
        self.problem, self.rest = problem.reduced()
        self._levels()
        self._constraints()

    def _levels(self) -> None:
        """Levels of every group: the values of its entries, as they are and lowered, without zero and doubles."""
        c = self.problem.chains
        owner, low = c.owner, c.value * c.keep
        at, level = np.concatenate([owner, owner]), np.concatenate([c.value, low])
        at, level = at[level > SAME], level[level > SAME]
        order = np.lexsort((level, at))
        at, level = at[order], level[order]
        new = np.append(True, (np.diff(at) != 0) | (np.diff(level) > SAME))[: len(at)]
        self.level_group, self.level = at[new], level[new]
        below = np.where(
            np.append(True, np.diff(self.level_group) != 0)[: len(self.level)], 0.0, np.roll(self.level, 1)
        )
        self.gain = c.weight[self.level_group] * (self.level - below)
        self.level_start = np.searchsorted(self.level_group, np.arange(len(c.weight) + 1))

    def _constraints(self) -> None:
        rows = _LevelRowsDraft()
        c, problem = self.problem.chains, self.problem
        owner = c.owner
        position = np.arange(len(owner)) - c.start[owner]
        ever_gang = _ever(c.gang, c.start)
        counts = (position == 0) | ~_ever(~c.small & (position > 0), c.start)
        low = c.value * c.keep
        entry, level = self._pairs(np.where(ever_gang, low, c.value))
        ordinary = counts[entry]
        always = self.level[level] <= low[entry] + SAME
        self._add(rows, entry, level, ordinary & always, soft=False)
        self._add(rows, entry, level, ordinary & ~always, soft=True)
        self._add_large(rows, entry, level, ~ordinary & always, position=position)
        everything = merged(rows.done(problem.n, self.gain))
        self.matrix, self.least, self.gain = everything.matrix(), everything.least, everything.gain

    def _pairs(self, top: Floats) -> tuple[Ints, Ints]:
        """Every entry with every level of its group up to ``top``."""
        owner = self.problem.chains.owner
        count = np.diff(self.level_start)[owner]
        entry = np.repeat(np.arange(len(owner)), count)
        level = ranges(self.level_start[owner], count)
        good = self.level[level] <= top[entry] + SAME
        return entry[good], level[good]

    def _add(self, rows: _LevelRowsDraft, entry: Ints, level: Ints, where: Bools, *, soft: bool) -> None:
        """Rows ``t + x (+ everything below and between) >= 1``."""
        entry, level = entry[where], level[where]
        row = rows.count + np.arange(len(entry))
        parts = [(row, self.problem.convert[entry])]
        if soft:
            parts.extend(self._beneath(entry, row))
        self._store(rows, parts, level=level, least=np.ones(len(entry)))

    def _beneath(self, entry: Ints, row: Ints) -> list[tuple[Ints, Ints]]:
        """Pairs (row, candidate): what stands between the site and each entry, or below it on the chain."""
        c, between = self.problem.chains, self.problem.between
        first = c.start[c.owner[entry]]
        count = entry - first
        below = ranges(first, count)
        stretch_first, stretch_count = between.start[first], between.start[entry + 1] - between.start[first]
        return [
            (np.repeat(row, count), self.problem.convert[below]),
            (np.repeat(row, stretch_count), between.flat[ranges(stretch_first, stretch_count)]),
        ]

    def _add_large(self, rows: _LevelRowsDraft, entry: Ints, level: Ints, where: Bools, *, position: Ints) -> None:
        """Rows ``t + x - (those below) >= 1 - their number``, where all below can become three-pole."""
        c = self.problem.chains
        first = c.start[c.owner[entry]]
        missing = np.concatenate([[0], np.cumsum(self.problem.convert < 0)])
        where = where & (missing[entry] == missing[first])
        entry, level, first = entry[where], level[where], first[where]
        row = rows.count + np.arange(len(entry))
        count = position[entry]
        below = (np.repeat(row, count), self.problem.convert[ranges(first, count)])
        parts = [(row, self.problem.convert[entry])]
        self._store(rows, parts, level=level, least=np.asarray(1.0 - count, np.float64), minus=[below])

    def _store(
        self,
        rows: _LevelRowsDraft,
        plus: list[tuple[Ints, Ints]],
        *,
        level: Ints,
        least: Floats,
        minus: Sequence[tuple[Ints, Ints]] = (),
    ) -> None:
        for parts, sign in ((plus, 1.0), (minus, -1.0)):
            for row, column in parts:
                good = column >= 0
                rows.row.append(row[good])
                rows.column.append(column[good])
                rows.value.append(np.full(int(good.sum()), sign))
        rows.level.append(level)
        rows.least.append(np.asarray(least, float))
        rows.count += len(least)

    def solve(self, terms: Terms, *, gap: float = 0.0, seconds: float | None = None) -> Optimum:
        """Choose.

        Parameters
        ----------
        gap
            Relative distance to the optimum that is good enough; 0 is exact to HiGHS's own tolerance.
        seconds
            Give what is best by then.

        Raises
        ------
        ModelError
            No choice keeps all terms, or HiGHS found none in time.
        """
        n, n_levels = self.problem.n, len(self.gain)
        _refuse_contradictions(terms)
        if not n:
            return Optimum(np.zeros(0, bool), self.rest, 0.0)
        limits = [LinearConstraint(self.matrix, self.least, np.inf)] if self.matrix.shape[0] else []
        limits.append(self._spending(terms.cost, 0.0, terms.budget))
        limits += [self._spending(terms.cost * share.members, share.least, share.most) for share in terms.shares]
        low, high = np.where(terms.must, 1.0, 0.0), np.where(terms.never, 0.0, 1.0)
        answer = milp(
            np.concatenate([np.zeros(n), self.gain]),
            integrality=np.concatenate([np.ones(n), np.zeros(n_levels)]),
            bounds=Bounds(np.concatenate([low, np.zeros(n_levels)]), np.concatenate([high, np.ones(n_levels)])),
            constraints=limits,
            # the rows are merged already and the relaxation is all but whole: presolving takes longer than solving
            options={"mip_rel_gap": gap, "time_limit": np.inf if seconds is None else seconds, "presolve": False},
        )
        if answer.x is None:
            msg = (
                f"plan: no choice keeps the budget, the lists and the districts' shares ({answer.message}); loosen one"
            )
            raise ModelError(msg)
        chosen = answer.x[:n] > 0.5
        bound = answer.mip_dual_bound if answer.mip_dual_bound is not None else answer.fun
        risk = self.rest + self.problem.risk(chosen)
        return Optimum(chosen, risk, max(0.0, risk - self.rest - float(bound)))

    def _spending(self, cost: Floats, least: float, most: float) -> LinearConstraint:
        slack = 1e-9 * max(1.0, abs(most) if np.isfinite(most) else 1.0)
        row = csr_array(np.concatenate([cost, np.zeros(len(self.gain))])[None, :])
        return LinearConstraint(row, least - slack if least > 0 else -np.inf, most + slack)


def _refuse_contradictions(terms: Terms) -> None:
    spent = float(terms.cost[terms.must].sum())
    if spent > terms.budget * (1 + 1e-9):
        msg = (
            f"plan: what must be done costs {spent:g}, more than the budget of {terms.budget:g}; raise it or drop some"
        )
        raise ModelError(msg)
    for share in terms.shares:
        most = float(terms.cost[share.members & ~terms.never].sum())
        if share.least > most * (1 + 1e-9):
            msg = f"plan: district {share.name!r} is to get {share.least:g}, but its candidates cost {most:g} in all"
            raise ModelError(msg)


def _ever(flag: Bools, start: Ints) -> Bools:
    """Per entry: the flag is set on it or on one before it in its list."""
    total = np.concatenate([[0], np.cumsum(flag)])
    owner = np.repeat(np.arange(len(start) - 1), np.diff(start))
    return np.asarray(total[1:] - total[start[owner]] > 0)
