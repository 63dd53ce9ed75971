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
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

MANY_FILES: Final = 24
LEFT_AFTER_S: Final = 600.0
DAMAGE: Final = (OSError, ValueError, KeyError, EOFError, RuntimeError, struct.error, zipfile.BadZipFile, zlib.error)
"""What half a file or a changed byte brings about; a ``RuntimeError`` where it seems encrypted or packed otherwise."""


@dataclass(frozen=True)
class Points:
    """Finished points of one circuit.

    Parameters
    ----------
    keys
        Grid places, rising, shape (n,).
    sustained
        Sustained peak of every operation [per unit], shape (n, operations).
    temporary
        Largest temporary peak [per unit], shape (n,).
    """

    keys: npt.NDArray[np.int64]
    sustained: npt.NDArray[np.float32]
    temporary: npt.NDArray[np.float32]

    @classmethod
    def empty(cls, operations: int) -> Points:
        """No points."""
        return cls(np.empty(0, np.int64), np.empty((0, operations), np.float32), np.empty(0, np.float32))

    def merged(self, other: Points) -> Points:
        """Both together; a point in both is kept once."""
        keys, first = np.unique(np.concatenate([self.keys, other.keys]), return_index=True)
        sustained = np.concatenate([self.sustained, other.sustained])[first]
        return Points(keys, sustained, np.concatenate([self.temporary, other.temporary])[first])

    def missing(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The keys that are not there, rising, each once."""
        return np.setdiff1d(keys, self.keys)

    def rows(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Row of every key; all must be there."""
        return np.searchsorted(self.keys, keys)


class PointStore:
    """Points of one circuit under one set of parameters and one version of the code.

    Parameters
    ----------
    folder
        Folder of this store, made when first written.
    operations
        Number of operations of a point.
    """

    def __init__(self, folder: Path, *, operations: int) -> None:
        self.folder = folder
        self.operations = operations

    def load(self) -> Points:
        """All points on disk; damaged files are removed."""
        self._clear()
        points = Points.empty(self.operations)
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
                np.savez_compressed(file, keys=points.keys, sustained=points.sustained, temporary=points.temporary)
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
                points = Points(data["keys"], data["sustained"], data["temporary"])
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
        count = len(points.keys)
        return (
            points.keys.dtype == np.int64
            and points.sustained.shape == (count, self.operations)
            and points.temporary.shape == (count,)
            and bool(np.isfinite(points.sustained).all() and np.isfinite(points.temporary).all())
        )
