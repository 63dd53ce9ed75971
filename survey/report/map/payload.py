"""The page's data: blobs of columns in base64, and which of them the size limit lets in."""

import base64
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from survey.memory import thread_pool

PAGE_LIMIT = 24_000_000
"""Most bytes of data in a page; 25 MB for the whole of it is the promise."""
PLAIN_LIMIT = 3_000_000
"""Data up to this many bytes are not compressed, so that any browser reads them and any machine writes the same."""
ALIGNMENT = 8


@dataclass(frozen=True)
class Blob:
    """Columns laid end to end.

    ``name`` what the columns describe: ``core``, ``cables`` or ``paths``; ``directory`` for each column: type, first
    byte, number of values; ``content`` the bytes.
    """

    name: str
    directory: dict[str, tuple[str, int, int]]
    content: bytes


def make_blob(name: str, blocks: Mapping[str, NDArray[Any] | list[str]]) -> Blob:
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


def _laid_out(values: NDArray[Any] | list[str]) -> tuple[str, int, bytes]:
    if isinstance(values, list):
        data = json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")
        return "json", len(data), data
    narrow = _narrow(values)
    kind = narrow.dtype
    return f"{kind.kind}{kind.itemsize}", len(values), narrow.astype(kind.newbyteorder("<"), copy=False).tobytes()


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


def pack_payload(blobs: Iterable[Blob], *, limit: int = PAGE_LIMIT) -> Payload:
    """Encode the blobs in their order until the limit; the first one is always in.

    Once a blob of a name does not fit, no later one of that name goes in, so that what is there is a leading part.
    """
    payload = Payload([], [], {})
    size = 0
    for blob, encoding, text in _encoded(blobs):
        if payload.scripts and (size + len(text) > limit or blob.name in payload.left_out):
            payload.left_out[blob.name] = payload.left_out.get(blob.name, 0) + 1
            continue
        size += len(text)
        payload.scripts.append(text)
        payload.index.append({"name": blob.name, "encoding": encoding, "directory": blob.directory})
    return payload


def _encoded(blobs: Iterable[Blob]) -> Iterator[tuple[Blob, str, str]]:
    """Each blob with its encoding and its text. Compression runs beside the packing of the blobs that follow."""
    kept: list[Blob] = []
    packed: list[Future[bytes]] = []
    size = 0
    with thread_pool(2) as pool:
        for blob in blobs:
            kept.append(blob)
            size += len(blob.content)
            if size > PLAIN_LIMIT:
                packed += [pool.submit(zlib.compress, waiting.content, 1) for waiting in kept[len(packed) :]]
        for number, blob in enumerate(kept):
            content = packed[number].result() if packed else blob.content
            yield blob, "deflate" if packed else "plain", base64.b64encode(content).decode("ascii")
