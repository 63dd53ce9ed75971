"""A lock on an open file that goes with the process that holds it, however it ends."""

import sys
from typing import IO


def try_lock(file: IO[bytes]) -> bool:
    """Lock an open file for this process; False when another process, or another opening of it, holds it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True
