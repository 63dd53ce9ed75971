"""Large results of a stage in a file that is mapped: of what the next stage does not look at, nothing is in memory."""

from __future__ import annotations

import contextlib
import io
import mmap
import pickle
import tempfile
import weakref
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa

from survey.cache_folder import default_cache_dir

Thing = TypeVar("Thing")

LEAST_BYTES: Final = 64 << 20
"""Less than this is not worth a file."""
ALIGNMENT: Final = 64
_mapped: Final[weakref.WeakSet[mmap.mmap]] = weakref.WeakSet()


def laid_aside(thing: Thing, *, least: int = LEAST_BYTES, access: int = mmap.ACCESS_COPY) -> Thing:
    """The same thing, its arrays in a file without a name, in the survey's cache folder; small ones stay as they are.

    Nobody may write to the arrays: what is written is lost at the next :func:`let_go`.

    Parameters
    ----------
    thing
        Anything that ``pickle`` takes; where the disk or memory does not, it stays where it is.
    least
        Bytes of all arrays from which on it is worth a file.
    access
        As of :class:`mmap.mmap`; compiled loops know arrays that can be written to.
    """
    arrays: list[pickle.PickleBuffer] = []
    core = io.BytesIO()
    _Pickler(core, protocol=5, buffer_callback=arrays.append).dump(thing)
    parts = [array.raw() for array in arrays]
    fresh = [part for part in parts if not _is_mapped(part)]
    if sum(part.nbytes for part in fresh) < max(least, 1):
        return thing
    with contextlib.suppress(OSError, MemoryError):
        folder = default_cache_dir()
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            for part in fresh:
                file.write(part)
                file.write(bytes(-part.nbytes % ALIGNMENT))
            file.flush()
            mapping = mmap.mmap(file.fileno(), 0, access=access)
        _mapped.add(mapping)
        whole, ends = memoryview(mapping), np.cumsum([0, *(part.nbytes + -part.nbytes % ALIGNMENT for part in fresh)])
        views = (whole[end : end + part.nbytes] for part, end in zip(fresh, ends.tolist(), strict=False))
        buffers = [part if _is_mapped(part) else next(views) for part in parts]
        same: Thing = pickle.loads(core.getbuffer(), buffers=buffers)  # noqa: S301 - written above
        return same
    return thing


class _Pickler(pickle.Pickler):
    """Leaves columns of text where they are, which pandas copies first, even if they lie in one part."""

    def reducer_override(self, thing: Any) -> Any:  # noqa: ANN401 - as pickle has it
        """What a column of text is made of again."""
        if not isinstance(thing, pd.arrays.ArrowStringArray):
            return NotImplemented
        text = pa.array(thing)
        parts = text.chunks if isinstance(text, pa.ChunkedArray) else [text]
        made: Any = type(thing)  # stubs of pandas know no dtype here
        return (partial(made, dtype=thing.dtype), tuple(parts)) if len(parts) == 1 else NotImplemented


def _is_mapped(part: memoryview) -> bool:
    """Whether an array lies in a file already."""
    start = _address(part)
    return any(0 <= start - _address(mapping) < len(mapping) for mapping in _mapped)


def _address(memory: memoryview | mmap.mmap) -> int:
    return int(np.frombuffer(memory, np.uint8).ctypes.data)


def let_go() -> None:
    """Have the operating system take back what is in memory of the files; it comes again when it is looked at."""
    if hasattr(mmap, "MADV_DONTNEED"):
        for mapping in tuple(_mapped):
            mapping.madvise(mmap.MADV_DONTNEED)
