"""The output folder, replaced whole or not at all.

A run holds a *partial folder* beside OUT (inside it when OUT's parent cannot be used) from its start to its end. A file
in it is locked by the operating system, so that a second run into the same OUT is refused, and so that the lock of
a killed run is gone with it. Results are written in ``new`` there. Then:

- OUT is missing: ``new`` is renamed to OUT, one step of the file system;
- OUT exists: the survey's own files in it are moved to ``old``, ``new`` is renamed to ``ready``, the files in ``ready``
  are moved into OUT. A run that is killed in between is put right by the next command: with ``ready`` there the move is
  finished, without it what is in ``old`` goes back. The folders themselves say how far it came.

A partial folder that was there before is not trusted: it must be a real folder of the same account and hold nothing
but files of a survey. Files in OUT that are not the survey's are never touched.
"""

import contextlib
import errno
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from survey.errors import OutputError
from survey.locks import try_lock as _try_lock
from survey.own_files import EARLIER, is_own
from survey.streams import undisturbed

_LOCK, _NEW, _READY, _OLD = "lock", "new", "ready", "old"
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


@dataclass
class Reservation:
    """The right to replace the survey in an output folder, held by one run at a time.

    ``folder`` the output folder, absolute; ``partial`` the partial folder; ``committed`` whether the new files stand in
    the output folder.
    """

    folder: Path
    partial: Path
    committed: bool = False

    @property
    def staging(self) -> Path:
        """Where results are written before they are moved into place."""
        return self.partial / _NEW


@contextmanager
def reserve_folder(folder: Path, *, names: Sequence[str] = ()) -> Iterator[Reservation]:
    """Hold an output folder for one run; refuse early what could not be written later.

    Leftovers of a killed run are put right and removed on entry. On exit everything temporary is removed, and folders
    that were made for OUT as well when nothing was put there.

    ``names``: files that will be put there, last the record, without which those that are there are somebody else's.

    Raises
    ------
    OutputError
        OUT is a file, cannot be written to, or another run holds it; a file there of one of the names, or what lies
        beside OUT, is of no run; or the run was interrupted after its files were put in place.
    """
    target = _resolved(folder)
    with _refusals(folder):
        if target.exists() and not target.is_dir():
            msg = f"output {folder}: is a file; give a folder"
            raise OutputError(msg)
        reservation = Reservation(target, _partial_path(target))
    try:
        with _refusals(folder), _parents(target), _locked(reservation.partial, folder=folder, own=is_own):
            put_right(reservation)
            _refuse_others(target, names, folder=folder)
            _clear(reservation.partial)
            reservation.staging.mkdir()
            yield reservation
    except KeyboardInterrupt as interrupt:
        if not reservation.committed:
            raise
        msg = f"interrupted; the new files in {folder} stand"
        raise OutputError(msg) from interrupt


def _refuse_others(target: Path, names: Sequence[str], *, folder: Path) -> None:
    """Refuse to replace files that bear one of the names, but have no record beside them."""
    if names and not os.path.lexists(target / names[-1]):
        for name in names:
            if os.path.lexists(target / name) and not (target / name).is_dir():
                msg = (
                    f"output {folder}: '{name}' there was not written by this command (no {names[-1]} beside it) and "
                    "would be replaced; move it away or give another folder"
                )
                raise OutputError(msg)


def _resolved(folder: Path) -> Path:
    with _refusals(folder):
        try:
            return folder.resolve()
        except RuntimeError as error:  # links that lead in a circle, in Python 3.11 and 3.12
            raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from error


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
def _locked(partial: Path, *, folder: Path, own: Callable[[str], bool]) -> Iterator[None]:
    file = _lock_file(partial, folder=folder, own=own)
    try:
        yield
    finally:
        _remove(partial, file)


def _lock_file(partial: Path, *, folder: Path, own: Callable[[str], bool]) -> IO[bytes]:
    """Lock the file in the partial folder, and again when a run that was just ending removed it meanwhile."""
    while True:
        try:
            partial.mkdir(mode=0o700)
        except FileExistsError:
            _refuse_foreign(partial, folder=folder, own=own)
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


def _refuse_foreign(partial: Path, *, folder: Path, own: Callable[[str], bool]) -> None:
    """Refuse a partial folder that is no leftover of a run of this account."""
    found = ""
    with contextlib.suppress(FileNotFoundError):  # of a run that is just ending
        there = partial.lstat()
        if not stat.S_ISDIR(there.st_mode):
            found = "is no folder of a survey"
        elif there.st_uid != _owner_of_new_files(partial.parent):
            found = "belongs to another account"
        elif strange := _strange(partial, own=own):
            found = f"holds '{strange}', which no survey put there"
    if found:
        msg = f"output {folder}: {partial} {found}; look at it and move it away, or give another folder"
        raise OutputError(msg)


def _owner_of_new_files(folder: Path) -> int:
    """Who owns what this process makes there: not everywhere the account it runs under (network drives)."""
    with tempfile.TemporaryFile(dir=folder) as file:
        return os.fstat(file.fileno()).st_uid


def _strange(partial: Path, *, own: Callable[[str], bool]) -> str:
    """Name of something in a partial folder that no run put there, else an empty text."""
    for entry in _entries(partial):
        if entry.name == _LOCK and entry.is_file(follow_symlinks=False):
            continue
        if entry.name not in {_NEW, _READY, _OLD} or not entry.is_dir(follow_symlinks=False):
            return entry.name
        for file in _entries(entry.path):
            # SQLite keeps files beside one that is written, under its name and an ending
            known = own(file.name) or own(file.name.rpartition("-")[0])
            if not known or file.is_dir(follow_symlinks=False):
                return f"{entry.name}/{file.name}"
    return ""


def _entries(folder: Path | str) -> list[os.DirEntry[str]]:
    """Entries of a folder, each with what it is at this moment."""
    with os.scandir(folder) as entries:
        return list(entries)


def _remove(partial: Path, file: IO[bytes]) -> None:
    """Remove the partial folder while its lock is held, but for files that the next run must put in place."""
    with file:
        if _half_moved(partial):
            return
        _clear(partial)
        if sys.platform != "win32":
            (partial / _LOCK).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        (partial / _LOCK).unlink(missing_ok=True)
        partial.rmdir()


def _half_moved(partial: Path) -> bool:
    return (partial / _READY).is_dir() or (partial / _OLD).is_dir()


def _clear(partial: Path) -> None:
    shutil.rmtree(partial / _NEW, ignore_errors=True)


def commit(reservation: Reservation, *, names: Sequence[str], earlier: Sequence[str] = ()) -> None:
    """Move the staged files into OUT: all of ``names``, or none. Ctrl-C waits meanwhile.

    ``reservation``: the hold of OUT. ``names``: the staged files. ``earlier``: files in OUT that were made from the
    survey that goes; they are moved into a folder of their own. Raises ``OutputError``: OUT has a folder of one of
    these names, or the file system failed; OUT is as it was, or the message says that the next command puts it right.
    """
    folder = reservation.folder
    with _refusals(folder), undisturbed():
        if not folder.exists():
            reservation.staging.rename(folder)
            reservation.committed = True
            return
        _refuse_folders(folder, names, earlier=earlier)
        try:
            (reservation.partial / _OLD).mkdir()
            for name in (*names, *earlier):
                if os.path.lexists(folder / name):
                    (folder / name).rename(reservation.partial / _OLD / name)
            reservation.staging.rename(reservation.partial / _READY)
        finally:
            put_right(reservation)


def _refuse_folders(folder: Path, names: Sequence[str], *, earlier: Sequence[str]) -> None:
    for name in (*names, *earlier):
        if (folder / name).is_dir() and not (folder / name).is_symlink():
            msg = f"output {folder}: '{name}' there is a folder; move it away or give another folder"
            raise OutputError(msg)
    aside = folder / EARLIER
    if earlier and os.path.lexists(aside) and (aside.is_symlink() or not aside.is_dir()):
        msg = f"output {folder}: '{EARLIER}' there is no folder; move it away or give another folder"
        raise OutputError(msg)


def put_right(reservation: Reservation) -> None:
    """Finish the move of a run that was ended in the middle of it; undo it where not all was ready.

    Raises ``OutputError``: the file system failed again.
    """
    ready, old = reservation.partial / _READY, reservation.partial / _OLD
    try:
        if _half_moved(reservation.partial):
            reservation.folder.mkdir(exist_ok=True)
        if ready.is_dir():
            _move_all(ready, reservation.folder)
            _settle(old, reservation.folder)
            ready.rmdir()
            reservation.committed = True
        elif old.is_dir():
            _move_all(old, reservation.folder)
            old.rmdir()
    except OSError as error:
        msg = (
            f"output {reservation.folder}: its files are half replaced ({error.strerror or error}); "
            "mend that, and the next command on this folder puts it right"
        )
        raise OutputError(msg) from error


def _move_all(source: Path, target: Path) -> None:
    for path in sorted(source.iterdir()):
        path.replace(target / path.name)


def _settle(old: Path, folder: Path) -> None:
    """Remove the files that were replaced; keep apart those that were made from them."""
    for path in sorted(old.iterdir() if old.is_dir() else ()):
        if os.path.lexists(folder / path.name):
            path.unlink()
        else:
            (folder / EARLIER).mkdir(exist_ok=True)
            path.replace(folder / EARLIER / path.name)
    with contextlib.suppress(FileNotFoundError):
        old.rmdir()


def half_moved(folder: Path) -> bool:
    """Whether a run is moving its files into the folder, or was killed while it did."""
    return _half_moved(_partial_path(_resolved(folder)))


@contextmanager
def hold_file(path: Path) -> Iterator[Path]:
    """Hold one output file, as :func:`reserve_folder` holds a folder; yields an empty folder to write it in.

    Raises ``OutputError``: the folder of the file cannot be written to, or another process holds the file.
    """
    with _refusals(path), _parents(path):
        partial = path.parent / f".{path.name}{_SUFFIX}"
        with _locked(partial, folder=path, own=lambda name: name == path.name):
            _clear(partial)
            (partial / _NEW).mkdir()
            yield partial / _NEW
