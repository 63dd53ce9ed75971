"""Write one file whole or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from survey.errors import OutputError
from survey.report.folder import refusal

if TYPE_CHECKING:
    from collections.abc import Callable


def check_suffix(path: Path, accepted: tuple[str, ...], *, option: str) -> None:
    """Refuse a file name whose ending says nothing that can be written.

    Raises
    ------
    OutputError
        The ending is not one of ``accepted``, or the path is a folder.
    """
    if path.suffix.lower() not in accepted:
        msg = f"{option} {path}: found the ending {path.suffix!r}, expected one of {', '.join(accepted)}"
        raise OutputError(msg)
    if path.is_dir():
        msg = f"{option} {path}: is a folder; give a file"
        raise OutputError(msg)


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Let ``write`` fill a file beside ``path``, then move it into place.

    Parameters
    ----------
    path
        Where the file goes; its folder is made if missing.
    write
        Called with the place to write to, which has the same ending.

    Raises
    ------
    OutputError
        The disk does not take it; what was at ``path`` is still there.
    """
    aside = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(aside)
        Path(aside).replace(path)
    except OSError as error:
        raise refusal(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
