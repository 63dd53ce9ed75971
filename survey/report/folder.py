"""The output folder, replaced whole or not at all.

A run holds a *partial folder* beside OUT (inside it when OUT's parent cannot be used) from its start to its end. A file
in it is locked by the operating system, so that a second run into the same OUT is refused, and so that the lock of
a killed run is gone with it. Results are written there first. Then:

- OUT is missing: the partial results are renamed to OUT, one step of the file system;
- OUT exists: a journal is written, then each old file is moved aside and its new one moved in; on any failure, Ctrl-C
  included, the old ones are moved back. No file system replaces several files in one step: a run that is killed
  (not merely interrupted) within these few milliseconds is put right by the next run, which finds the journal.

Files in OUT that are not the survey's are never touched.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from survey.errors import OutputError
from survey.locks import try_lock as _try_lock

_LOCK, _NEW, _OLD, _JOURNAL = "lock", "new", "old", "journal.json"
_SUFFIX = ".survey-partial"

_NEXT_STEPS = {
    errno.ENOSPC: "the disk is full; free some space or give another folder",
    errno.EDQUOT: "the disk quota is used up; free some space or give another folder",
    errno.EACCES: "it may not be written to; change its permissions or give another folder",
    errno.EPERM: "it may not be written to; change its permissions or give another folder",
    errno.EROFS: "the disk is read-only; give another folder",
    errno.EEXIST: "a part of the path is a file; give another folder",
    errno.ENOTDIR: "a part of the path is a file; give another folder",
    errno.ENAMETOOLONG: "the name is too long; give a shorter one",
}


@dataclass(frozen=True)
class Reservation:
    """The right to replace the survey in an output folder, held by one run at a time.

    Parameters
    ----------
    folder
        The output folder, absolute.
    partial
        The partial folder.
    """

    folder: Path
    partial: Path

    @property
    def staging(self) -> Path:
        """Where results are written before they are moved into place."""
        return self.partial / _NEW


@contextmanager
def reserve_folder(folder: Path) -> Iterator[Reservation]:
    """Hold an output folder for one run; refuse early what could not be written later.

    Leftovers of a killed run are put right and removed on entry. On exit everything temporary is removed, and folders
    that were made for OUT as well when nothing was put there.

    Raises
    ------
    OutputError
        OUT is a file, cannot be written to, or another run holds it.
    """
    with _refusals(folder):
        target = folder.resolve()
        if target.exists() and not target.is_dir():
            msg = f"output {folder}: is a file; give a folder"
            raise OutputError(msg)
    with _refusals(folder), _parents(target):
        partial = _partial_path(target)
        with _locked(partial, folder=folder):
            reservation = Reservation(target, partial)
            _recover(reservation)
            _clear(partial)
            reservation.staging.mkdir()
            yield reservation


@contextmanager
def _refusals(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise refusal(folder, error) from error


def refusal(folder: Path, error: OSError) -> OutputError:
    """Word a failure of the file system for the person who runs the survey."""
    step = _NEXT_STEPS.get(error.errno or 0, f"{error.strerror or error}; give another folder")
    return OutputError(f"output {folder}: cannot be written: {step}")


@contextmanager
def _parents(target: Path) -> Iterator[None]:
    """Make the missing parents of OUT, and take them away again when OUT did not come to be."""
    missing = [parent for parent in target.parents if not parent.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        yield
    finally:
        for parent in missing:
            with contextlib.suppress(OSError):
                parent.rmdir()


def _partial_path(target: Path) -> Path:
    """Beside OUT; inside it when OUT is a mount point, or its parent may not be written to."""
    parent = target.parent
    if target.is_dir() and (target.stat().st_dev != parent.stat().st_dev or not os.access(parent, os.W_OK | os.X_OK)):
        return target / _SUFFIX
    return parent / f".{target.name}{_SUFFIX}"


@contextmanager
def _locked(partial: Path, *, folder: Path) -> Iterator[None]:
    file = _lock_file(partial, folder=folder)
    try:
        yield
    finally:
        _remove(partial, file)


def _lock_file(partial: Path, *, folder: Path) -> IO[bytes]:
    """Lock the file in the partial folder, and again when a run that was just ending removed it meanwhile."""
    while True:
        partial.mkdir(exist_ok=True)
        try:
            file = (partial / _LOCK).open("ab")
        except FileNotFoundError:
            continue
        if not _try_lock(file):
            file.close()
            msg = f"output {folder}: another survey is being written there; wait for it or give another folder"
            raise OutputError(msg)
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(file.fileno()), (partial / _LOCK).stat()):
                return file
        file.close()


def _remove(partial: Path, file: IO[bytes]) -> None:
    """Remove the partial folder while its lock is held, but for a journal that the next run needs."""
    with file:
        if (partial / _JOURNAL).exists():
            return
        _clear(partial)
        if sys.platform != "win32":
            (partial / _LOCK).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        (partial / _LOCK).unlink(missing_ok=True)
        partial.rmdir()


def _clear(partial: Path) -> None:
    for name in (_NEW, _OLD):
        shutil.rmtree(partial / name, ignore_errors=True)
    (partial / _JOURNAL).unlink(missing_ok=True)


def commit(reservation: Reservation, *, names: Sequence[str]) -> None:
    """Move the staged files into OUT: all of ``names``, or none.

    Raises
    ------
    OutputError
        OUT has a folder of one of these names, or the file system failed; OUT is as it was.
    """
    with _refusals(reservation.folder):
        if not reservation.folder.exists():
            reservation.staging.rename(reservation.folder)
            return
        _refuse_folders(reservation.folder, names)
        _write_journal(reservation, names)
        try:
            _swap(reservation, names)
        except BaseException:
            _recover(reservation)
            raise
        (reservation.partial / _JOURNAL).unlink()


def _refuse_folders(folder: Path, names: Sequence[str]) -> None:
    for name in names:
        if (folder / name).is_dir() and not (folder / name).is_symlink():
            msg = f"output {folder}: '{name}' there is a folder; move it away or give another folder"
            raise OutputError(msg)


def _write_journal(reservation: Reservation, names: Sequence[str]) -> None:
    """Say which files are replaced and which are new, so that any later run can undo a half-made move."""
    (reservation.partial / _OLD).mkdir()
    journal = {name: os.path.lexists(reservation.folder / name) for name in names}
    draft = reservation.partial / f"{_JOURNAL}.draft"
    with draft.open("w", encoding="utf-8") as file:
        json.dump(journal, file)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(reservation.partial / _JOURNAL)


def _swap(reservation: Reservation, names: Sequence[str]) -> None:
    for name in names:
        place = reservation.folder / name
        if os.path.lexists(place):
            place.rename(reservation.partial / _OLD / name)
        (reservation.staging / name).rename(place)


def _recover(reservation: Reservation) -> None:
    """Undo a move that its journal says was not finished."""
    path = reservation.partial / _JOURNAL
    if not path.exists():
        return
    for name, was_there in json.loads(path.read_text(encoding="utf-8")).items():
        place, old = reservation.folder / name, reservation.partial / _OLD / name
        if os.path.lexists(old):
            old.replace(place)
        elif not was_there:
            place.unlink(missing_ok=True)
    path.unlink()


def half_moved(folder: Path) -> bool:
    """Whether a run is moving its files into the folder, or was killed while it did."""
    return (_partial_path(folder.resolve()) / _JOURNAL).exists()


@contextmanager
def hold_file(path: Path) -> Iterator[Path]:
    """Hold one output file, as :func:`reserve_folder` holds a folder; yields an empty folder to write it in.

    Raises
    ------
    OutputError
        The folder of the file cannot be written to, or another process holds the file.
    """
    with _refusals(path), _parents(path):
        partial = path.parent / f".{path.name}{_SUFFIX}"
        with _locked(partial, folder=path):
            _clear(partial)
            (partial / _NEW).mkdir()
            yield partial / _NEW
