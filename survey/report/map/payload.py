"""The page's data: blobs of columns in base64, and which of them the size limit lets in."""

import base64
import json
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from survey.memory import thread_pool

PAGE_LIMIT = 24_000_000
"""Most bytes of data in a page; 25 MB for the whole of it is the promise."""
PLAIN_LIMIT = 3_000_000
"""Data up to this many bytes are not compressed, so that any browser reads them and any machine writes the same."""
ALIGNMENT = 8
_ESCAPED = np.isin(np.arange(256), [*range(32), ord('"'), ord("\\")])
"""Bytes that JSON writes otherwise."""


@dataclass(frozen=True)
class Blob:
    """Columns laid end to end.

    ``name`` what the columns describe: ``core``, ``cables`` or ``paths``; ``directory`` for each column: type, first
    byte, number of values; ``content`` the bytes.
    """

    name: str
    directory: dict[str, tuple[str, int, int]]
    content: bytes


def make_blob(name: str, blocks: Mapping[str, NDArray[Any] | pa.StringArray]) -> Blob:
    """Lay the columns out, each at a multiple of eight bytes."""
    directory: dict[str, tuple[str, int, int]] = {}
    chunks: list[bytes] = []
    place = 0
    for key, values in blocks.items():
        kind, count, data = _laid_out(values)
        directory[key] = (kind, place, count)
        padded = data + bytes(-len(data) % ALIGNMENT)
        chunks.append(padded)
        place += len(padded)
    return Blob(name, directory, b"".join(chunks))


def _laid_out(values: NDArray[Any] | pa.StringArray) -> tuple[str, int, bytes]:
    if isinstance(values, pa.StringArray):
        data = _json_list(values)
        return "json", len(data), data
    narrow = _narrow(values)
    kind = narrow.dtype
    return f"{kind.kind}{kind.itemsize}", len(values), narrow.astype(kind.newbyteorder("<"), copy=False).tobytes()


def _json_list(texts: pa.StringArray) -> bytes:
    """Texts as JSON; joined as they stand where they can."""
    if len(texts) == 0 or _ESCAPED[np.frombuffer(texts.buffers()[2] or b"", np.uint8)].any():
        return json.dumps(texts.to_pylist(), ensure_ascii=False, separators=(",", ":")).encode()
    whole = pa.ListArray.from_arrays(pa.array([0, len(texts)], pa.int32()), texts)
    return b'["' + pc.binary_join(whole, '","')[0].as_buffer().to_pybytes() + b'"]'


def _narrow(values: NDArray[Any]) -> NDArray[Any]:
    """64-bit whole numbers as the narrowest type that a browser has an array for; others have theirs for a reason."""
    if values.dtype.kind == "b":
        return values.astype(np.uint8)
    if values.dtype != np.int64:
        return values
    low, high = values.min(initial=0), values.max(initial=0)
    kinds: tuple[type[np.integer[Any]], ...] = (np.uint8, np.uint16, np.int16, np.int32)
    return values.astype(next(k for k in kinds if np.iinfo(k).min <= low and high <= np.iinfo(k).max))


@dataclass(frozen=True)
class Payload:
    """What goes into the page.

    ``scripts`` base64 text of each blob that fits; ``index`` for each blob its name, encoding and directory; for the
    page's own scripts; ``left_out`` number of blobs left out, by name.
    """

    scripts: list[str]
    index: list[dict[str, Any]]
    left_out: dict[str, int]


@dataclass(frozen=True)
class Draft:
    """A blob to be.

    ``name`` of the blob; ``make`` makes it, when it may go in.
    """

    name: str
    make: Callable[[], Blob]


def pack_payload(drafts: Iterable[Draft], *, limit: int = PAGE_LIMIT) -> Payload:
    """Make and encode the blobs in their order until the limit; the first one is always in.

    Once a blob of a name does not fit, no later one of that name goes in, so that what is there is a leading part.
    """
    payload, rest = Payload([], [], {}), iter(drafts)
    first = _first_blobs(rest)
    if sum(len(blob.content) for blob in first) <= PLAIN_LIMIT:  # there are no more
        for blob in first:
            _put(payload, blob, "plain", blob.content, limit=limit)
        return payload
    for blob, content in _compressed(first, rest, left_out=payload.left_out):
        _put(payload, blob, "deflate", content, limit=limit)
    return payload


def _first_blobs(drafts: Iterator[Draft]) -> list[Blob]:
    """Blobs up to the one with which they are too many to stay as they are."""
    blobs: list[Blob] = []
    size = 0
    for draft in drafts:
        blobs.append(draft.make())
        size += len(blobs[-1].content)
        if size > PLAIN_LIMIT:
            break
    return blobs


def _compressed(first: list[Blob], rest: Iterator[Draft], *, left_out: dict[str, int]) -> Iterator[tuple[Blob, bytes]]:
    """Each blob and its compressed content; a blob is made beside the compression of the one before.

    ``left_out``: what comes after a blob of the same name that did not fit is counted there and not made.
    """
    with thread_pool(2) as pool:
        under_way = deque((blob, pool.submit(zlib.compress, blob.content, 1)) for blob in first)
        for draft in rest:
            if draft.name in left_out:
                left_out[draft.name] += 1
                continue
            blob = draft.make()
            under_way.append((blob, pool.submit(zlib.compress, blob.content, 1)))
            while len(under_way) > 1:
                blob, content = under_way.popleft()
                yield blob, content.result()
        for blob, content in under_way:
            yield blob, content.result()


def _put(payload: Payload, blob: Blob, encoding: str, content: bytes, *, limit: int) -> None:
    text = base64.b64encode(content).decode("ascii")
    room = limit - sum(map(len, payload.scripts))
    if payload.scripts and (len(text) > room or blob.name in payload.left_out):
        payload.left_out[blob.name] = payload.left_out.get(blob.name, 0) + 1
        return
    payload.scripts.append(text)
    payload.index.append({"name": blob.name, "encoding": encoding, "directory": blob.directory})
