"""Hand memory that a stage has freed back to the operating system, so that peaks of stages do not add up."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Release unused memory of Arrow's pool and, with the GNU C library, of the allocator. Costs milliseconds."""
    import pyarrow as pa

    pa.default_memory_pool().release_unused()
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
