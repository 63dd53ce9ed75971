"""The network of an earlier survey of the same export, so that other limits or scores need not read and build it anew.

A file for each export and what the settings say of reading and building, in the survey's cache folder beside its
compiled code and as private as that; safe to delete. It is taken only where code, libraries and every input file are
the same. A line of JSON tells what the network was made of; the network follows as Python's ``pickle`` writes it, its
arrays as they lie in memory (PEP 574).
"""

import contextlib
import hashlib
import json
import os
import pickle
import time
import uuid
from collections.abc import Iterator
from importlib.resources import files as package_files
from io import BufferedReader
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyproj

import survey
from survey.aside import let_go
from survey.cache_folder import default_cache_dir
from survey.findings import Finding
from survey.network.model import Network
from survey.read.live import side_files, stamps
from survey.read.reader import fingerprints_of
from survey.settings import Settings

MOST_FILES: Final = 4
MOST_BYTES: Final = 2 << 30
"""Networks that are kept, and their bytes: a utility's own few exports; a million cables take half a GB. Judgement."""
ASIDE, LEFT_AFTER_S = ".part", 600.0
"""A file that is being written, and the seconds after which its writer has ended: far longer than any takes."""
LIBRARIES: Final = (np, pd, pa, pyproj)
ROOMS: Final = ("read", "network", "data", "")
"""Folders of the package that a network is made by."""
DAMAGE: Final = (
    OSError,
    ValueError,
    KeyError,
    EOFError,
    TypeError,
    AttributeError,
    ImportError,
    pickle.UnpicklingError,
)


class Kept(NamedTuple):
    """A network with what was found while it was read and while it was built."""

    network: Network
    of_reading: tuple[Finding, ...]
    of_building: tuple[Finding, ...]


class NetworkStore:
    """Keeps the network of one export under one way of reading and building it.

    ``path`` the export; ``settings`` with ``network.reuse`` off nothing is kept and nothing found.
    """

    def __init__(self, path: Path, *, settings: Settings) -> None:
        self.path = path
        self._on = settings.network.reuse
        asked = [str(path.resolve()), settings.input.model_dump_json(), settings.network.model_dump_json()]
        self._asked = "\n".join(asked)

    @property
    def file(self) -> Path:
        """Where it is kept."""
        made_by = [self._asked, survey.__version__, *(library.__version__ for library in LIBRARIES)]
        digest = hashlib.sha256("\n".join(made_by).encode())
        for source in _sources():
            digest.update(source.read_bytes())
        return default_cache_dir() / "networks" / digest.hexdigest()[:32]

    def load(self) -> Kept | None:
        """The network, where there is one of the export as it is now; a damaged file is removed."""
        if not self._on:
            return None
        try:
            with self.file.open("rb") as stream:
                head = json.loads(stream.readline())
                if not self._is_of(head["others"], head["fingerprints"]):
                    return None
                kept = _read(stream, head["sizes"], digest=head["digest"])
            os.utime(self.file)
        except FileNotFoundError:
            return None
        except DAMAGE:
            with contextlib.suppress(OSError):
                self.file.unlink(missing_ok=True)
            return None
        return kept

    def save(self, kept: Kept) -> bool:
        """Keep a network; False where the disk does not take it or memory is short (the survey goes on without)."""
        if not self._on:
            return False
        try:
            return self._save(kept)
        except (OSError, MemoryError):
            return False

    def _save(self, kept: Kept) -> bool:
        arrays: list[pickle.PickleBuffer] = []
        parts = [memoryview(pickle.dumps(kept, protocol=5, buffer_callback=arrays.append)), *(a.raw() for a in arrays)]
        if sum(part.nbytes for part in parts) > MOST_BYTES:
            return False
        fingerprints = kept.network.tables.fingerprints
        digest = hashlib.sha256()
        for part in parts:
            digest.update(part)
            let_go()
        head = {
            "others": self._others(fingerprints),
            "fingerprints": fingerprints,
            "sizes": [part.nbytes for part in parts],
            "digest": digest.hexdigest(),
        }
        self.file.parent.mkdir(parents=True, exist_ok=True)
        aside = self.file.with_name(uuid.uuid4().hex + ASIDE)
        try:
            with aside.open("xb") as stream:
                stream.write(json.dumps(head).encode() + b"\n")
                for part in parts:
                    stream.write(part)
                    let_go()
            aside.replace(self.file)
        finally:
            aside.unlink(missing_ok=True)
        _thin_out(self.file.parent)
        return True

    def _is_of(self, others: dict[str, Any], fingerprints: dict[str, str]) -> bool:
        """Whether the export is what it was, file by file."""
        if others != self._others(fingerprints):
            return False
        folder = self.path if self.path.is_dir() else self.path.parent
        return fingerprints_of([folder / name for name in fingerprints]) == fingerprints

    def _others(self, fingerprints: dict[str, str]) -> dict[str, Any]:
        """Size and time of the export's files that were not read, by name; ``None`` for those that were."""
        there = [*self.path.iterdir()] if self.path.is_dir() else [self.path, *side_files(self.path)]
        files = sorted(file for file in there if file.is_file())
        found = dict(zip((file.name for file in files), stamps(files), strict=True))
        return {name: None if name in fingerprints else list(stamp or ()) for name, stamp in found.items()}


def _sources() -> Iterator[Path]:
    """Files of the package that a network is made by, in a fixed order."""
    package = Path(str(package_files("survey")))
    for room in ROOMS:
        folder = package / room
        found = folder.glob("*") if room in ("", "data") else folder.rglob("*.py")
        yield from sorted(file for file in found if file.suffix in (".py", ".csv"))


def _read(stream: BufferedReader, sizes: list[int], *, digest: str) -> Kept:
    """Read what follows the head.

    Raises
    ------
    ValueError
        It is not what was written.
    """
    parts = [np.empty(size, np.uint8) for size in sizes]
    seen = hashlib.sha256()
    for part in parts:
        stream.readinto(part.data)
        seen.update(part.data)
    if seen.hexdigest() != digest:
        msg = "damaged"
        raise ValueError(msg)
    kept: Kept = pickle.loads(parts[0].data, buffers=parts[1:])  # noqa: S301 - own cache, see above
    return kept


def _thin_out(folder: Path) -> None:
    """Remove those that were not used for longest, until few and small enough ones are left; and what was not finished.

    A file aside is left alone for longer than any writer needs.
    """
    there = sorted(((file.stat(), file) for file in folder.iterdir()), key=lambda pair: pair[0].st_mtime, reverse=True)
    room, left = MOST_BYTES, MOST_FILES
    for told, file in there:
        if file.suffix == ASIDE:
            is_old = time.time() - told.st_mtime > LEFT_AFTER_S
        else:
            room, left = room - told.st_size, left - 1
            is_old = room < 0 or left < 0
        if is_old:
            file.unlink(missing_ok=True)
