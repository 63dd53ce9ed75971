"""What arrays of every room have in common: their types, groups of sorted rows, and many short lists in two arrays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Objects = NDArray[np.object_]
AnyRows = TypeVar("AnyRows", bound=Any)
"""A dataclass of arrays with a row each."""


def ranges(first: Ints, count: Ints) -> Ints:
    """``first[k], first[k] + 1 ...``, ``count[k]`` numbers for every k, end to end."""
    return np.repeat(first - np.cumsum(count) + count, count) + np.arange(count.sum())


def heads(*keys: Ints) -> Bools:
    """Rows of sorted keys that differ from the row before in some key, the first one among them."""
    new = np.ones(len(keys[0]), bool)
    new[1:] = np.logical_or.reduce([key[1:] != key[:-1] for key in keys])
    return new


def read_at(data: NDArray[np.uint8], places: Ints, kind: str) -> NDArray[Any]:
    """Numbers of one kind, as numpy names it, that begin at places of many bytes; each may begin anywhere."""
    room = len(data) - np.dtype(kind).itemsize + 1
    return np.ndarray((room,), kind, data, strides=(1,))[places]


def distinct(rows: Ints) -> Ints:
    """Row numbers, rising, each once: counted where they are many of those there are, since sorting takes longer."""
    few = len(rows) == 0 or len(rows) * 16 < int(rows.max())
    return np.unique(rows) if few else np.flatnonzero(np.bincount(rows))


def taken(rows: AnyRows, which: Ints | slice) -> AnyRows:
    """Some rows of a dataclass of arrays."""
    return type(rows)(**{field.name: getattr(rows, field.name)[which] for field in fields(rows)})


def put(rows: AnyRows, which: Ints, values: AnyRows) -> AnyRows:
    """The same with some rows replaced."""
    merged = {}
    for field in fields(rows):
        merged[field.name] = getattr(rows, field.name).copy()
        merged[field.name][which] = getattr(values, field.name)
    return type(rows)(**merged)


def at_rows(value: NDArray[Any], row: Ints, *, none: Any = np.nan) -> NDArray[Any]:  # noqa: ANN401 - of the values
    """Values at rows, ``none`` at -1."""
    return np.append(value, none)[row]


def ratio(upper: Floats | float, lower: Floats, *, none: float = np.nan) -> Floats:
    """Quotient, ``none`` where the lower is zero or absent."""
    top, bottom = np.broadcast_arrays(np.asarray(upper, float), np.asarray(lower, float))
    return np.divide(top, bottom, out=np.full(bottom.shape, none), where=bottom > 0)


@dataclass(frozen=True, eq=False)
class Ragged(Sequence[Ints]):
    """Item k is ``flat[start[k]:start[k + 1]]``.

    Parameters
    ----------
    flat
        All items one after the other, shape (n_values,).
    start
        First value of each item and one past the last, shape (n_items + 1,).
    """

    flat: Ints
    start: Ints

    @classmethod
    def of(cls, items: Sequence[Ints]) -> Ragged:
        """Index arrays laid end to end."""
        if isinstance(items, Ragged):
            return items
        start = np.cumsum([0, *map(len, items)])
        return cls(np.concatenate([np.zeros(0, np.int64), *items]), start)

    @classmethod
    def from_pairs(cls, owner: Ints, value: Ints, *, n: int) -> Ragged:
        """Items from pairs (owner, value) sorted by owner; owners without a value get an empty item."""
        return cls(value, np.searchsorted(owner, np.arange(n + 1)).astype(np.int64))

    @classmethod
    def grouped(cls, owner: Ints, value: Ints, *, n: int) -> Ragged:
        """Items from pairs in any order; values of one owner keep theirs."""
        order = np.argsort(owner, kind="stable")
        return cls.from_pairs(owner[order], value[order], n=n)

    @property
    def counts(self) -> Ints:
        """Number of values of each item, shape (n_items,)."""
        return np.diff(self.start)

    @property
    def owner(self) -> Ints:
        """Item of each value, shape (n_values,)."""
        return np.repeat(np.arange(len(self)), self.counts)

    def taken(self, rows: Ints) -> Ragged:
        """Some of the items, in the order given."""
        count = self.counts[rows]
        return Ragged(self.flat[ranges(self.start[rows], count)], np.concatenate([[0], np.cumsum(count)]))

    def __len__(self) -> int:
        return len(self.start) - 1

    @overload
    def __getitem__(self, k: int) -> Ints: ...
    @overload
    def __getitem__(self, k: slice) -> Sequence[Ints]: ...
    def __getitem__(self, k: int | slice) -> Ints | Sequence[Ints]:
        if isinstance(k, slice):
            return [self[i] for i in range(*k.indices(len(self)))]
        if not -len(self) <= k < len(self):
            raise IndexError(k)
        k %= len(self)
        return self.flat[self.start[k] : self.start[k + 1]]

    def __iter__(self) -> Iterator[Ints]:
        return iter(np.split(self.flat, self.start[1:-1])) if len(self) else iter(())
