"""Variables of the programme that stand under the same constraints are one, since they take the same value."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array, hstack

from survey.arrays import Floats, Ints


@dataclass(frozen=True)
class LevelRows:
    """Rows ``(installs) + t >= least``, one variable ``t`` in each.

    Parameters
    ----------
    installs
        Coefficients of the candidates, shape (n_rows, n_candidates).
    level
        Variable of each row.
    least
        Right-hand side of each row.
    gain
        Weight of each variable in the objective; a variable without a row is 0 and not looked at.
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
