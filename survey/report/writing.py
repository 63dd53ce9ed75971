"""Write one small file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from survey.errors import OutputError


def write_text(text: str, path: Path) -> None:
    """Write a text file beside its place, then move it there.

    Raises
    ------
    OutputError
        The place cannot be written to.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.resolve().parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
            Path(name).chmod(0o644)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror}); give another place"
        raise OutputError(msg) from error
