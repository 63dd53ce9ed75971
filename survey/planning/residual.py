"""What a choice of installs leaves: the risk of every group, by the four rules of :mod:`survey.planning.exposure`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, Ragged
from survey.loops import njit
from survey.planning.exposure import Chains


@dataclass(frozen=True)
class Problem:
    """Chains and what could be installed on them.

    ``chains`` the chains; ``convert`` candidate that replaces the point of each entry, -1 when there is none, shape
    (n_entries,); ``between`` for each entry the candidates that would stand between it and the entry before (or the
    site); ``n`` number of candidates.
    """

    chains: Chains
    convert: Ints
    between: Ragged
    n: int

    def touched(self) -> Ragged:
        """For each candidate the groups it can change, each once, rising."""
        owner = self.chains.owner
        candidate = np.concatenate([self.convert, self.between.flat])
        group = np.concatenate([owner, owner[self.between.owner]])
        good = candidate >= 0
        n_groups = len(self.chains.weight)
        pair = np.unique(candidate[good] * (n_groups + 1) + group[good])
        at = pair // (n_groups + 1)
        return Ragged.from_pairs(at, pair % (n_groups + 1), n=self.n)

    def reduced(self) -> tuple[Problem, float]:
        """The same for the groups that some candidate can change, and the risk of the others; without their sites."""
        c = self.chains
        group = np.unique(self.touched().flat)
        kept = np.zeros(len(c.weight), bool)
        kept[group] = True
        entry = kept[c.owner]
        start = np.concatenate([[0], np.cumsum(np.diff(c.start)[group])])
        nobody = np.empty(0, np.int64)
        chains = replace(
            c, start=start, device=c.device[entry], value=c.value[entry], extra=c.extra[entry], gang=c.gang[entry],
            weight=c.weight[group], site=nobody, group=nobody,
        )  # fmt: skip
        number = np.cumsum(entry) - 1
        item = entry[self.between.owner]
        between = Ragged.grouped(number[self.between.owner[item]], self.between.flat[item], n=len(chains.device))
        others = np.flatnonzero(~kept)
        rest = float(c.weight[others] @ self.rates(np.zeros(self.n, bool), group=others))
        return Problem(chains, self.convert[entry], between, self.n), rest

    def rates(self, chosen: Bools, *, group: Ints | None = None, flip: Ints | None = None) -> Floats:
        """Risk left of groups, for a weight of 1.

        ``chosen``: candidates that are installed, shape (n,). ``group``: groups asked about; all when not given.
        ``flip``: for each of them one candidate that is taken the other way round, or -1; shape of ``group``.
        """
        c = self.chains
        group = np.arange(len(c.weight)) if group is None else group
        flip = np.full(len(group), -1, np.int64) if flip is None else flip
        return _rates(
            group, flip, chosen, c.start, c.value, c.extra, c.gang, self.convert, self.between.start,
            self.between.flat, c.keep,
        )  # fmt: skip

    def risk(self, chosen: Bools) -> float:
        """Risk of all counted sites."""
        return float(self.chains.weight @ self.rates(chosen))


@njit(cache=True)
def _rates(  # noqa: PLR0913, PLR0917 - compiled: flat arrays only
    group: Ints,
    flip: Ints,
    chosen: Bools,
    start: Ints,
    value: Floats,
    extra: Floats,
    gang: Bools,
    convert: Ints,
    between_start: Ints,
    between: Ints,
    keep: float,
) -> Floats:
    out = np.zeros(len(group))
    for i in range(len(group)):
        flipped = flip[i]
        lowered, found = False, False
        for e in range(start[group[i]], start[group[i] + 1]):
            lowered = lowered or gang[e]
            for k in range(between_start[e], between_start[e + 1]):
                lowered = lowered or chosen[between[k]] != (between[k] == flipped)
            c = convert[e]
            if c >= 0 and chosen[c] != (c == flipped):
                lowered = True
                continue
            here = value[e] if found else value[e] + extra[e]
            out[i] += here * (keep if lowered else 1.0)
            found = True
    return out
