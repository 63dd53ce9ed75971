"""Memory: hand back to the operating system what a stage has freed, and know when there was not enough."""

import ctypes
import errno
import mmap
import os
import re
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from survey.errors import SurveyError

ROOM_OF_A_THREAD = 16 << 20
"""Its stack (8 MiB is usual), and as much for what it needs to come to life."""
WORDS_OF_LIBRARIES = re.compile(
    r"(cannot|can't|unable to|failed to) allocate|out of memory|bad_alloc|malloc of size|realloc of size"
    r"|can't start new thread|failed to map segment|wrapping \S+ failed",
    re.IGNORECASE,
)
"""How libraries below tell it that raise no ``MemoryError``."""
WORTH_GIVING_BACK: Final = 64 << 20
WORTH_INSIDE: Final = 512 << 20
"""Bytes that a survey has taken, from which on it gives back what it does not use: at the end of a stage, and inside
one, where what is given back is soon taken again. Judgement: the peak is the same, a twentieth of the time is saved."""
_before: Final = [0]
ERROR_LOST = re.compile(r"without exception set$")
"""Of a ``SystemError``: the interpreter had no room for the error itself."""


def reserve_little() -> None:
    """Have libraries take what they need, when they need it; a choice that was made outside stands.

    Arrow's own pool reserves a gigabyte at a time, which counts against a limit; threads of linear algebra, which
    is small here, wait in a loop for work (a tenth of a second of processor time before a survey begins). Both look
    once, when they are loaded.
    """
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def resident() -> int:
    """Bytes of this process in memory; 0 where the system does not tell."""
    told = Path("/proc/self/statm")
    return int(told.read_text().split()[1]) * mmap.PAGESIZE if told.exists() else 0


def begin() -> None:
    """A survey begins: what is in memory before is not its own."""
    _before[0] = resident()


def give_back(*, worth: int = WORTH_INSIDE) -> None:
    """Release unused memory of what is laid aside and, where the survey itself has taken so much, of the allocators.

    Arrow's own pool and the GNU C library's (Arrow's too, where it uses that) look through all of a process for what is
    unused: a tenth of a second in a large one.
    """
    import pyarrow as pa

    from survey.aside import let_go

    let_go()
    if resident() - _before[0] < worth:
        return
    pa.default_memory_pool().release_unused()
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def ask_for(room: int) -> None:
    """Raise ``MemoryError`` where that many bytes are not to be had. For what ends the process when it gets none."""
    import numpy as np

    np.empty(room, dtype=np.uint8)


def thread_pool(workers: int) -> ThreadPoolExecutor:
    """Threads that have begun, or a ``MemoryError``.

    Python waits for ever for a thread that dies of want of memory at its birth (``Thread.start`` waits for its sign),
    so what they need is asked for first and given back at once.

    Raises
    ------
    MemoryError
        There is not room enough.
    """
    ask_for(ROOM_OF_A_THREAD * workers)
    pool, all_there = ThreadPoolExecutor(workers), threading.Barrier(workers)
    try:
        for _ in range(workers):
            pool.submit(all_there.wait)
    except BaseException:
        all_there.abort()  # those that have begun must not wait for those that could not
        raise
    return pool


def ran_out(error: BaseException) -> bool:
    """Whether an error, or what brought it about, is that memory ran out."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, MemoryError) or (isinstance(seen, OSError) and seen.errno == errno.ENOMEM):
            return True
        if not isinstance(seen, SurveyError | LookupError) and WORDS_OF_LIBRARIES.search(str(seen)):
            return True
        if isinstance(seen, SystemError) and ERROR_LOST.search(str(seen)):
            return True
        seen = seen.__cause__ or seen.__context__
    return False
