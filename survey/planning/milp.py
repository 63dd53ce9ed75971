"""The exact choice, as a mixed-integer programme for scipy's HiGHS.

An entry of a chain adds its value ``v`` to the risk, or the part ``h`` of it where a three-pole device stands between.
Of every entry a variable ``t`` says that ``h`` is left, another that the rest up to ``v`` is. With ``x`` a point that
becomes three-pole:

- ``h`` is left: ``t + x >= 1``: only replacing the point itself takes it off;
- the rest is left: ``t + x + (installs below and between) >= 1``: any of these takes it off;
- what is over ``worst_kva`` counts once all below it are three-pole, lowered: ``t + x - (sum of those below) >= 1 -
  their number``.

Minimise the sum of all ``t`` by what they stand for, with the cost of what is chosen within the budget. ``t`` may be
continuous: at the optimum each is 0 or 1 by itself once the installs are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array, hstack

from survey.arrays import Bools, Floats, Ints, ranges
from survey.errors import ModelError
from survey.planning.residual import Problem

TIME_OVER = 1
"""Of ``scipy.optimize.milp``: iteration or time limit reached (its reference page, status)."""

SAME = 1e-9
"""Less risk than this is none."""
SCALE = 1e4
"""The objective is solved so large, since HiGHS's tolerances are absolute."""


@dataclass(frozen=True)
class LevelRows:
    """Rows ``(installs) + t >= least``, one variable ``t`` in each.

    ``installs`` coefficients of the candidates, shape (n_rows, n_candidates); ``level`` variable of each row; ``least``
    right-hand side of each row; ``gain`` weight of each variable in the objective; a variable without a row is 0 and
    not looked at.
    """

    installs: csr_array
    level: Ints
    least: Floats
    gain: Floats

    def matrix(self) -> csr_array:
        """All coefficients, candidates first."""
        rows = np.arange(len(self.level))
        ones = csr_array((np.ones(len(rows)), (rows, self.level)), shape=(len(rows), len(self.gain)))
        return csr_array(hstack([self.installs, ones], format="csr"))


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

    ``problem`` chains and candidates.
    """

    def __init__(self, problem: Problem) -> None:
        self.whole = problem
        self.problem, self.rest = problem.reduced()
        self._constraints()

    def _constraints(self) -> None:
        rows = _LevelRowsDraft()
        c, n = self.problem.chains, len(self.problem.chains.device)
        worth, large = c.weight[c.owner] * c.value, c.weight[c.owner] * c.extra
        # a large section counts once all below it are three-pole, which lowers it
        gain = np.concatenate([worth * c.keep, worth * (1.0 - c.keep), large * c.keep])
        self._add(rows, np.flatnonzero(worth > SAME), level_from=0, soft=False)
        self._add(rows, np.flatnonzero((worth > SAME) & ~_ever(c.gang, c.start)), level_from=n, soft=True)
        self._add_large(rows, np.flatnonzero(large > SAME), level_from=2 * n)
        everything = merged(rows.done(self.problem.n, gain))
        self.matrix, self.least, self.gain = everything.matrix(), everything.least, everything.gain

    def _add(self, rows: _LevelRowsDraft, entry: Ints, *, level_from: int, soft: bool) -> None:
        """Rows ``t + x (+ everything below and between) >= 1``."""
        row = rows.count + np.arange(len(entry))
        parts = [(row, self.problem.convert[entry])]
        if soft:
            parts.extend(self._beneath(entry, row))
        self._store(rows, parts, level=level_from + entry, least=np.ones(len(entry)))

    def _beneath(self, entry: Ints, row: Ints) -> list[tuple[Ints, Ints]]:
        """Pairs (row, candidate): what stands between the site and each entry, or below it on the chain."""
        c, between = self.problem.chains, self.problem.between
        first = c.start[c.owner[entry]]
        count = entry - first
        below = ranges(first, count)
        first_between, count_between = between.start[first], between.start[entry + 1] - between.start[first]
        return [
            (np.repeat(row, count), self.problem.convert[below]),
            (np.repeat(row, count_between), between.flat[ranges(first_between, count_between)]),
        ]

    def _add_large(self, rows: _LevelRowsDraft, entry: Ints, *, level_from: int) -> None:
        """Rows ``t + x - (those below) >= 1 - their number``, where all below can become three-pole."""
        c = self.problem.chains
        missing = np.concatenate([[0], np.cumsum(self.problem.convert < 0)])
        entry = entry[missing[entry] == missing[c.start[c.owner[entry]]]]
        first = c.start[c.owner[entry]]
        row = rows.count + np.arange(len(entry))
        count = entry - first
        below = (np.repeat(row, count), self.problem.convert[ranges(first, count)])
        parts = [(row, self.problem.convert[entry])]
        self._store(rows, parts, level=level_from + entry, least=np.asarray(1.0 - count, np.float64), minus=[below])

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

    def solve(self, terms: Terms, *, seconds: float | None = None) -> Optimum:
        """Choose.

        ``seconds``: give what is best by then. Raises ``ModelError``: no choice keeps all terms, or HiGHS found none in
        time.
        """
        n, n_levels = self.problem.n, len(self.gain)
        _refuse_contradictions(terms)
        if not n:
            return Optimum(np.zeros(0, bool), self.rest, 0.0)
        limits = [LinearConstraint(self.matrix, self.least, np.inf)] if self.matrix.shape[0] else []
        limits.append(self._spending(terms.cost, 0.0, terms.budget))
        limits += [self._spending(terms.cost * share.members, share.least, share.most) for share in terms.shares]
        scale = SCALE / max(float(self.gain.sum()), SAME)
        low, high = np.where(terms.must, 1.0, 0.0), np.where(terms.never, 0.0, 1.0)
        answer = milp(
            np.concatenate([np.zeros(n), self.gain * scale]),
            integrality=np.concatenate([np.ones(n), np.zeros(n_levels)]),
            bounds=Bounds(np.concatenate([low, np.zeros(n_levels)]), np.concatenate([high, np.ones(n_levels)])),
            constraints=limits,
            # the rows are merged already and the relaxation is all but whole: presolving takes longer than solving
            options={"mip_rel_gap": 0.0, "time_limit": np.inf if seconds is None else seconds, "presolve": False},
        )
        if answer.x is None:
            told = "the time is over" if answer.status == TIME_OVER else "they contradict each other"
            msg = f"plan: no choice keeps the budget, the lists and the districts' shares ({told}); loosen one"
            raise ModelError(msg)
        chosen = answer.x[:n] > 0.5
        bound = answer.mip_dual_bound if answer.mip_dual_bound is not None else answer.fun
        risk = self.rest + self.problem.risk(chosen)
        return Optimum(chosen, risk, max(0.0, risk - self.rest - float(bound) / scale))

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


def merged(rows: LevelRows) -> LevelRows:
    """The same programme with each distinct set of constraints, and each distinct row in it, once."""
    number = _numbered_rows(rows)
    pair = np.unique(np.stack([rows.level, number], axis=1), axis=0)
    start = np.searchsorted(pair[:, 0], np.arange(len(rows.gain) + 1))
    known: dict[bytes, int] = {}
    of_level = np.full(len(rows.gain), -1, np.int64)
    for level in np.flatnonzero(np.diff(start)):
        of_level[level] = known.setdefault(pair[start[level] : start[level + 1], 1].tobytes(), len(known))
    kept = np.flatnonzero(of_level >= 0)
    gain = np.bincount(of_level[kept], weights=rows.gain[kept], minlength=len(known)).astype(np.float64)
    again = np.unique(np.stack([of_level[rows.level], number], axis=1), axis=0, return_index=True)[1]
    return LevelRows(rows.installs[again], of_level[rows.level[again]], rows.least[again], gain)


def _numbered_rows(rows: LevelRows) -> Ints:
    """Number of every row, the same for the same coefficients and right-hand side."""
    installs = rows.installs
    installs.sum_duplicates()
    known: dict[tuple[bytes, bytes, float], int] = {}
    out = np.empty(len(rows.level), np.int64)
    for row, (a, b) in enumerate(zip(installs.indptr[:-1], installs.indptr[1:], strict=True)):
        key = (installs.indices[a:b].tobytes(), installs.data[a:b].tobytes(), float(rows.least[row]))
        out[row] = known.setdefault(key, len(known))
    return out
