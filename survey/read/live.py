"""Inputs that somebody else may be writing: what SQLite keeps beside a file, and files that change while they are read.

A GeoPackage that was not closed has its last changes in a file beside it (``-wal``, or ``-journal`` for those to be
undone). To open it where it is would write them into the input and take that file away (SQLite, "Write-Ahead Logging"
and "Atomic Commit", sections on recovery), so it is copied with them and read from the copy.
"""

import contextlib
import shutil
import sqlite3
import tempfile
import weakref
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from urllib.parse import quote

from survey.errors import FormatError
from survey.locks import try_lock

KEPT_BESIDE = ("-wal", "-journal")
MEMORY_BESIDE = "-shm"
PREFIX, LOCK = "survey-copy-", "lock"
WRITE_VERSION_AT, WAL_VERSION = 18, 2  # SQLite file format, section 1.3
GEOMETRY = """
    select g.column_name, g.geometry_type_name, s.organization, s.organization_coordsys_id, s.definition
    from gpkg_geometry_columns g left join gpkg_spatial_ref_sys s using (srs_id) where lower(g.table_name) = lower(?)
"""


class LiveCopy:
    """A copy in a folder of its own, which goes when nobody holds it any more, or the run ends.

    What lies beside the file is worked into it: a log merged, a journal rolled back. ``files`` the GeoPackage, then
    what lies beside it.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        remove_left_over()
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        lock = (folder / LOCK).open("wb")
        weakref.finalize(self, _remove, folder, lock)
        try_lock(lock)
        for file in files:
            shutil.copyfile(file, folder / file.name)
        self.file = folder / files[0].name
        with closing(sqlite3.connect(self.file)) as base:
            base.execute("pragma journal_mode=delete").fetchall()
            base.execute("select count(*) from sqlite_master").fetchall()


def _remove(folder: Path, lock: IO[bytes]) -> None:
    lock.close()
    shutil.rmtree(folder, ignore_errors=True)


def remove_left_over() -> None:
    """Remove the copies of runs that were killed: those whose lock nobody holds."""
    for lock in Path(tempfile.gettempdir()).glob(f"{PREFIX}*/{LOCK}"):
        with contextlib.suppress(OSError), lock.open("ab") as file:
            if try_lock(file):
                shutil.rmtree(lock.parent, ignore_errors=True)


def side_files(path: Path) -> list[Path]:
    """Files beside a GeoPackage that hold a part of its content."""
    return [beside for suffix in KEPT_BESIDE if (beside := path.with_name(path.name + suffix)).exists()]


def copy_if_live(path: Path, head: bytes) -> LiveCopy | None:
    """Copy of a GeoPackage that cannot be opened without something being written beside it, else ``None``.

    ``head``: first 100 bytes of the file. Raises ``FormatError``: there is no room for the copy, or the file is being
    written at this moment.
    """
    beside = side_files(path)
    keeps_log = len(head) > WRITE_VERSION_AT and head[WRITE_VERSION_AT] == WAL_VERSION
    if not beside and not keeps_log and not path.with_name(path.name + MEMORY_BESIDE).exists():
        return None
    files = [path, *beside]
    before = stamps(files)
    try:
        copy = LiveCopy(files)
    except OSError as error:
        msg = (
            f"{path}: is open in another program and cannot be copied ({error.strerror}); close it there, or make room"
        )
        raise FormatError(msg) from error
    except sqlite3.Error as error:
        refuse_changed(files, before=before)
        msg = f"{path}: was not closed and cannot be put right ({error}); open and close it where it was made"
        raise FormatError(msg) from error
    refuse_changed(files, before=before)
    return copy


def stamps(files: Sequence[Path]) -> list[tuple[int, int] | None]:
    """Size and time of last change [ns] of every file, ``None`` where it is not there."""
    return [_stamp(file) for file in files]


def _stamp(file: Path) -> tuple[int, int] | None:
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def refuse_changed(files: Sequence[Path], *, before: Sequence[tuple[int, int] | None]) -> None:
    """Refuse an input that is not what it was.

    Raises ``FormatError``: names the first such file.
    """
    for file, old, new in zip(files, before, stamps(files), strict=True):
        if new is None:
            msg = f"{file}: was taken away while it was read; put it back, then run again"
            raise FormatError(msg)
        if old != new:
            msg = f"{file}: was changed while it was read; wait until it is written, then run again"
            raise FormatError(msg)


@dataclass(frozen=True)
class View:
    """What the GeoPackage says of a view.

    ``fields`` names of its columns, geometry left out; none where the view cannot be understood; ``has_geometry``
    whether it is drawn; ``crs`` text of its coordinate system, empty where none is named.
    """

    fields: tuple[str, ...]
    has_geometry: bool
    crs: str


def read_views(path: Path) -> dict[str, View]:
    """All views of a GeoPackage, by name.

    Raises ``sqlite3.Error``: the file is no database, or damaged.
    """
    with closing(sqlite3.connect(f"file:{quote(str(path))}?mode=ro&immutable=1", uri=True)) as base:
        names = [str(row[0]) for row in base.execute("select name from sqlite_master where type = 'view'")]
        return {name: _view(base, name) for name in names}


def _view(base: sqlite3.Connection, name: str) -> View:
    try:
        columns = [str(row[0]) for row in base.execute("select name from pragma_table_info(?)", [name])]
        drawn = base.execute(GEOMETRY, [name]).fetchone()
    except sqlite3.Error:  # it names a table that is not there
        return View((), has_geometry=False, crs="")
    if drawn is None:
        return View(tuple(columns), has_geometry=False, crs="")
    geometry, _, organization, code, definition = drawn
    known = str(organization).upper() == "EPSG"
    text = f"EPSG:{code}" if known else "" if str(definition).casefold() in {"undefined", "none"} else str(definition)
    return View(tuple(column for column in columns if column != geometry), has_geometry=True, crs=text)
