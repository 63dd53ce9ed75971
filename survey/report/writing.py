"""Write one file whole or not at all."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from survey.errors import OutputError
from survey.report.folder import hold_file, refusal


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
        Where the file goes; its folder is made if missing. A pipe or a terminal is written to as it is.
    write
        Called with the place to write to, which has the same ending.

    Raises
    ------
    OutputError
        The disk does not take it, or another process is writing it; what was at ``path`` is still there.
    """
    if path.is_fifo() or path.is_char_device():
        with _refusals(path):
            write(path)
        return
    target = path.resolve()
    with hold_file(target) as staging, _refusals(path):
        write(staging / path.name)
        (staging / path.name).replace(target)


@contextmanager
def _refusals(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise refusal(path, error) from error
