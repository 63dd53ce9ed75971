"""Many lines in flat arrays: a million cables as three arrays, not as a million objects."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from survey.arrays import Bools, Floats, Ints, Objects, Ragged, ranges


@dataclass(frozen=True, eq=False)
class PointSet(Sequence[Any]):
    """Points of owners; as a sequence, one shapely point per owner, ``None`` where there is none.

    Parameters
    ----------
    xy
        Places, shape (n_owners, 2), not finite where there is none.
    """

    xy: Floats

    @property
    def drawn(self) -> Bools:
        """Owners that have a place, shape (n_owners,)."""
        return np.isfinite(self.xy[:, 0]) & np.isfinite(self.xy[:, 1])

    def to_shapely(self) -> Objects:
        """One geometry per owner, shape (n_owners,)."""
        out = np.full(len(self), None, dtype=object)
        out[self.drawn] = shapely.points(self.xy[self.drawn])
        return out

    def __len__(self) -> int:
        return len(self.xy)

    @overload
    def __getitem__(self, k: int) -> BaseGeometry | None: ...
    @overload
    def __getitem__(self, k: slice) -> Sequence[BaseGeometry | None]: ...
    def __getitem__(self, k: int | slice) -> BaseGeometry | Sequence[BaseGeometry | None] | None:
        found = PointSet(np.atleast_2d(self.xy[k])).to_shapely()
        return list(found) if isinstance(k, slice) else found[0]

    def __iter__(self) -> Iterator[BaseGeometry | None]:
        return iter(self.to_shapely())


@dataclass(frozen=True, eq=False)
class LineSet(Sequence[Any]):
    """Drawn lines of owners; as a sequence, one shapely geometry per owner: line, multi-line or ``None``.

    Parameters
    ----------
    parts
        Number of lines of each owner; an owner without a line has none. Shape (n_owners,).
    points
        Number of points of each line, owner by owner, at least two. Shape (sum of parts,).
    xy
        The points, line by line. Shape (sum of points, 2).
    """

    parts: Ints
    points: Ints
    xy: Floats

    @classmethod
    def of(cls, geometries: Objects | LineSet | DrawnLater) -> LineSet:
        """Take one geometry per owner apart: line, multi-line, polygon outline, ``None`` or empty."""
        if isinstance(geometries, LineSet):
            return geometries
        if isinstance(geometries, DrawnLater):
            return geometries.whole()
        kinds = shapely.get_type_id(geometries)
        lines, parts = geometries, np.ones(len(geometries), dtype=np.int64)
        if not (kinds == shapely.GeometryType.LINESTRING).all():
            outlines = np.where(kinds == shapely.GeometryType.POLYGON, shapely.boundary(geometries), geometries)
            lines, owner = shapely.get_parts(outlines, return_index=True)
            parts = np.bincount(owner, minlength=len(geometries)).astype(np.int64)
        xy, line = shapely.get_coordinates(lines, return_index=True)
        return cls(parts, np.bincount(line, minlength=len(lines)).astype(np.int64), xy)

    @property
    def drawn(self) -> Bools:
        """Owners that have a line, shape (n_owners,)."""
        return self.parts > 0

    def taken(self, rows: Ints) -> LineSet:
        """The lines of some owners, in the order given."""
        line = ranges((np.cumsum(self.parts) - self.parts)[rows], self.parts[rows])
        point = ranges((np.cumsum(self.points) - self.points)[line], self.points[line])
        return LineSet(self.parts[rows], self.points[line], self.xy[point])

    def bounds(self) -> Floats:
        """Corners, shape (2, 2), or (0, 2) when there is no point."""
        columns = self.xy.T  # each by itself, which takes a tenth of the time of pairs
        return np.array([[end(x) for x in columns] for end in (np.min, np.max)]) if len(self.xy) else self.xy

    def to_shapely(self) -> Objects:
        """One geometry per owner, shape (n_owners,)."""
        out = np.full(len(self.parts), None, dtype=object)
        start = np.concatenate([[0], np.cumsum(self.points)])
        lines = shapely.from_ragged_array(shapely.GeometryType.LINESTRING, self.xy, (start,))
        first = np.cumsum(self.parts) - self.parts
        single = self.parts == 1
        out[single] = lines[first[single]]
        for k in np.flatnonzero(self.parts > 1):
            out[k] = shapely.multilinestrings(list(lines[first[k] : first[k] + self.parts[k]]))
        return out

    def __len__(self) -> int:
        return len(self.parts)

    @overload
    def __getitem__(self, k: int) -> BaseGeometry | None: ...
    @overload
    def __getitem__(self, k: slice) -> Sequence[BaseGeometry | None]: ...
    def __getitem__(self, k: int | slice) -> BaseGeometry | Sequence[BaseGeometry | None] | None:
        rows = np.arange(len(self))[k]
        found = self.taken(np.atleast_1d(rows)).to_shapely()
        return list(found) if isinstance(k, slice) else found[0]

    def __iter__(self) -> Iterator[BaseGeometry | None]:
        return iter(self.to_shapely())


@dataclass(frozen=True, eq=False)
class SharedLines:
    """One line an owner, made of pieces that several owners share, each piece held once.

    Parameters
    ----------
    pieces
        One line a piece.
    first
        Piece that the line of each owner begins with, -1 for none. Shape (n_owners,).
    following
        Piece that every owner goes on with after a piece, -1 at the end. Shape (n_pieces,).
    """

    pieces: LineSet
    first: Ints
    following: Ints

    @classmethod
    def of(cls, lines: Objects | LineSet | SharedLines) -> SharedLines:
        """Lines of owners that share nothing."""
        if isinstance(lines, SharedLines):
            return lines
        own = LineSet.of(lines)
        row = np.flatnonzero(own.drawn)
        first = np.full(len(own), -1, np.int64)
        first[row] = np.arange(len(row))
        return cls(own.taken(row), first, np.full(len(row), -1, np.int64))

    def taken(self, rows: Ints) -> SharedLines:
        """The lines of some owners, in the order given."""
        return SharedLines(self.pieces, self.first[rows], self.following)

    def points(self) -> Ints:
        """Number of points of every owner's line, shape (n_owners,)."""
        starts = np.concatenate([[0], np.cumsum(self.pieces.points)])
        last = np.cumsum(self.pieces.parts)
        total, ahead = starts[last] - starts[last - self.pieces.parts], np.append(self.following, -1)
        total = np.append(total, 0)
        while (ahead >= 0).any():  # each round looks twice as far
            total, ahead = total + total[ahead], ahead[ahead]
        return total[self.first]

    def used(self) -> tuple[Ints, Ints]:
        """Pairs of owner and piece, owner by owner, from the first piece on."""
        owner = np.flatnonzero(self.first >= 0)
        piece = self.first[owner]
        pairs = [(owner, piece)]
        while len(piece):
            piece = self.following[piece]
            owner, piece = owner[piece >= 0], piece[piece >= 0]
            pairs.append((owner, piece))
        owner, piece = (np.concatenate(part) for part in zip(*pairs, strict=True))
        order = np.argsort(owner, kind="stable")
        return owner[order], piece[order]

    def whole(self) -> LineSet:
        """Every owner's line by itself, in one part where its pieces are."""
        owner, piece = self.used()
        lines = self.pieces.taken(piece)
        owner = np.repeat(owner, lines.parts)
        if lines.parts.max(initial=1) > 1:
            return LineSet(np.bincount(owner, minlength=len(self)), lines.points, lines.xy)
        points = np.bincount(owner, weights=lines.points, minlength=len(self)).astype(np.int64)
        return LineSet((points > 0).astype(np.int64), points[points > 0], lines.xy)

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True, eq=False)
class DrawnLater:
    """Lines of owners that are drawn when they are asked for, some at a time, because all take too much room.

    Parameters
    ----------
    of
        What each owner is drawn of.
    draw
        Gives the coordinates of what is asked for, line by line, and the number of points of each, 0 for no line.
    """

    of: Ragged
    draw: Callable[[Ints], tuple[Floats, Ints]]

    def taken(self, rows: Ints) -> LineSet:
        """The lines of some owners, in the order given."""
        parts = self.of.taken(rows)
        xy, points = self.draw(parts.flat)
        drawn = points > 0
        return LineSet(np.bincount(parts.owner[drawn], minlength=len(rows)), points[drawn], xy)

    def whole(self) -> LineSet:
        """All lines."""
        return self.taken(np.arange(len(self.of)))

    def __len__(self) -> int:
        return len(self.of)
