"""Inputs and outputs kept apart: what is read is never written to, whatever the paths are called.

Files are compared by what they are on the disk, so that links and names in another case are seen through.
"""

import os
from collections.abc import Iterable
from pathlib import Path

from survey.errors import OutputError, permitted
from survey.own_files import RECORD_FILE, is_own


@permitted()
def refuse_overlap(out: Path, *, export: Path) -> None:
    """Refuse an output folder that is the export, lies in it or holds it.

    Raises
    ------
    OutputError
        Says which, and the file.
    """
    if _lies_in(out, export):
        msg = f"output {out}: is the export {export}, or lies in it; give a folder of its own"
        raise OutputError(msg)
    for file in _files(export):
        if _lies_in(file, out):
            msg = f"output {out}: holds the export {file}; give a folder of its own"
            raise OutputError(msg)


def refuse_inputs(out: Path, *, inputs: Iterable[Path | None]) -> None:
    """Refuse an output folder in which a file that is read would be replaced or moved.

    Raises ``OutputError``: names the file.
    """
    for file in inputs:
        if file is not None and is_own(file.name) and _same(Path(os.path.realpath(file)).parent, out):
            msg = f"output {out}: {file} is read and would be replaced there; give another folder"
            raise OutputError(msg)


def refuse_onto(out: Path, *, export: Path) -> None:
    """Refuse an output file that is the export, a part of it, lies in its folder, or is one of a survey's own.

    Raises
    ------
    OutputError
        Names both.
    """
    if _lies_in(out, export) or any(_same(out, file) for file in _files(export)):
        msg = f"output {out}: belongs to the export {export}; give another file"
        raise OutputError(msg)
    if is_own(out.name) and (out.parent / RECORD_FILE).exists():
        msg = f"output {out}: belongs to the survey in {out.parent}; give another file"
        raise OutputError(msg)


def _files(export: Path) -> list[Path]:
    """The export, and what its folder only points to."""
    return [export, *(file for file in export.iterdir() if file.is_symlink())] if export.is_dir() else [export]


def _lies_in(path: Path, folder: Path) -> bool:
    real = Path(os.path.realpath(path))
    return any(_same(place, folder) for place in (real, *real.parents))


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there
        return False
