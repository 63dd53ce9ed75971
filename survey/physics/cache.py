"""Finished curve points on disk: whole files only, safe with two processes at once, rebuilt when damaged.

A store is a folder of small files. Every save adds one under a name of its own, written aside and moved into place, so
that nobody reads half a file and nobody overwrites another's work. A file that cannot be read is removed, and so is
one aside whose writer was killed.
"""

from __future__ import annotations

import contextlib
import struct
import time
import uuid
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

COLUMNS: Final = ("sustained", "power", "cycles")
MANY_FILES: Final = 24
LEFT_AFTER_S: Final = 600.0
DAMAGE: Final = (OSError, ValueError, KeyError, EOFError, RuntimeError, struct.error, zipfile.BadZipFile, zlib.error)
"""What half a file or a changed byte brings about; a ``RuntimeError`` where it seems encrypted or packed otherwise."""


@dataclass(frozen=True)
class Points:
    """Finished points of one circuit.

    ``keys`` grid places, rising, shape (n,); ``sustained`` sustained peak of every switching sequence [per unit], shape
    (n, sequences); ``power`` largest mean power of one arrester in every sequence [per unit of rating], shape (n,
    sequences); ``cycles`` largest number of cycles above each of some limits while a response settles, shape (n,
    limits).
    """

    keys: npt.NDArray[np.int64]
    sustained: npt.NDArray[np.float32]
    power: npt.NDArray[np.float32]
    cycles: npt.NDArray[np.float32]

    @classmethod
    def empty(cls, sequences: int, limits: int) -> Points:
        """No points."""
        widths = (sequences, sequences, limits)
        return cls(np.empty(0, np.int64), *(np.empty((0, width), np.float32) for width in widths))

    @classmethod
    def joined(cls, parts: Sequence[Points]) -> Points:
        """All together; a point in more than one is kept once."""
        keys, first = np.unique(np.concatenate([part.keys for part in parts]), return_index=True)
        return cls(keys, *(np.concatenate([getattr(part, name) for part in parts])[first] for name in COLUMNS))

    def merged(self, other: Points) -> Points:
        """Both together; a point in both is kept once."""
        return Points.joined([self, other])

    def missing(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The keys that are not there, rising, each once."""
        return np.setdiff1d(keys, self.keys)

    def rows(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Row of every key; all must be there."""
        return np.searchsorted(self.keys, keys)


class PointStore:
    """Points of one circuit under one set of parameters and one version of the code.

    ``folder`` folder of this store, made when first written; ``sequences``, ``limits`` number of switching sequences of
    a point, and of limits that cycles are counted above.
    """

    def __init__(self, folder: Path, *, sequences: int, limits: int) -> None:
        self.folder = folder
        self.sequences = sequences
        self.limits = limits

    def load(self) -> Points:
        """All points on disk; damaged files are removed."""
        self._clear()
        points = Points.empty(self.sequences, self.limits)
        files = sorted(self.folder.glob("*.npz"))
        for file in files:
            part = self._read(file)
            points = points if part is None else points.merged(part)
        if len(files) > MANY_FILES and self.save(points):
            for file in files:
                file.unlink(missing_ok=True)
        return points

    def save(self, points: Points) -> bool:
        """Add a file of points; False when the disk does not take it (the survey goes on without)."""
        target = self.folder / f"{uuid.uuid4().hex}.npz"
        aside = target.with_suffix(".part")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with aside.open("wb") as file:
                np.savez_compressed(file, keys=points.keys, **{name: getattr(points, name) for name in COLUMNS})
            aside.replace(target)
        except OSError:
            with contextlib.suppress(OSError):
                aside.unlink(missing_ok=True)
            return False
        return True

    def _clear(self) -> None:
        """Remove what is aside for longer than any writer needs."""
        for aside in self.folder.glob("*.part"):
            with contextlib.suppress(OSError):
                if time.time() - aside.stat().st_mtime > LEFT_AFTER_S:
                    aside.unlink()

    def _read(self, file: Path) -> Points | None:
        try:
            with file.open("rb") as opened, np.load(opened, allow_pickle=False) as data:
                points = Points(data["keys"], *(data[name] for name in COLUMNS))
        except FileNotFoundError:  # another process has just put its files together
            return None
        except DAMAGE:
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)
            return None
        if not self._sound(points):
            file.unlink(missing_ok=True)
            return None
        return points

    def _sound(self, points: Points) -> bool:
        count, widths = len(points.keys), (self.sequences, self.sequences, self.limits)
        tables = [getattr(points, name) for name in COLUMNS]
        return points.keys.dtype == np.int64 and all(
            table.shape == (count, width) and bool(np.isfinite(table).all())
            for table, width in zip(tables, widths, strict=True)
        )
