"""Reads the data back out of a map page, as the page's own scripts do."""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

BLOB = re.compile(r'<script type="text/plain" class="survey-blob">([^<]*)</script>')
ABOUT = re.compile(r'<script type="application/json" id="survey-about">(.*?)</script>', re.DOTALL)


@dataclass
class Page:
    about: dict[str, Any]
    blobs: list[tuple[str, dict[str, Any]]]

    @property
    def core(self) -> dict[str, Any]:
        return self.blobs[0][1]

    def texts(self, name: str) -> list[str]:
        if f"{name}.texts" not in self.core:
            rows = self.core[{"sites.switch_id": "sites.switch_row", "sites.worst_switch_id": "sites.worst_row"}[name]]
            return ["" if row < 0 else self.texts("switching_points.switch_id")[row] for row in rows.tolist()]
        words = self.core[f"{name}.texts"]
        return [words[code] for code in self.core[name]] if name in self.core else list(words)

    def numbers(self, name: str) -> np.ndarray:
        values = self.core[name]
        table, column = name.split(".")
        decimals = next(c["decimals"] for c in self.about["columns"] if (c["table"], c["column"]) == (table, column))
        if values.dtype.kind == "f":
            return values
        missing = values == np.iinfo(values.dtype).min
        return np.where(missing, np.nan, values / 10.0**decimals)

    def lines(self, name: str) -> list[list[np.ndarray]]:
        """Lines of every owner, in grid steps."""
        owners: list[list[np.ndarray]] = []
        for blob_name, arrays in self.blobs:
            if blob_name != name and f"{name}.parts" not in arrays:
                continue
            owners += _unpacked({key.split(".")[1]: value for key, value in arrays.items() if key.startswith(name)})
        return owners

    def sets(self, name: str) -> list[list[int]]:
        counts, starts, lengths = (self.core[f"{name}.{part}"] for part in ("counts", "starts", "lengths"))
        ends = np.cumsum(counts)
        return [
            [p for run in range(end - count, end) for p in range(starts[run], starts[run] + lengths[run])]
            for count, end in zip(counts.tolist(), ends.tolist(), strict=True)
        ]


def _unpacked(columns: dict[str, Any]) -> list[list[np.ndarray]]:
    at, step, line = np.zeros(2, dtype=np.int64), 0, 0
    owners: list[list[np.ndarray]] = []
    for parts in columns["parts"].tolist():
        owners.append([])
        for _ in range(parts):
            at = np.add(at, [columns["jump_x"][line], columns["jump_y"][line]])
            points = [at] if columns["points"][line] else []
            for _ in range(int(columns["points"][line]) - 1):
                at = np.add(at, [columns["step_x"][step], columns["step_y"][step]])
                points.append(at)
                step += 1
            owners[-1] += [np.array(points)] if points else []
            line += 1
    return owners


def read_page(text: str) -> Page:
    found = ABOUT.search(text)
    assert found is not None
    about = json.loads(found[1])
    contents = BLOB.findall(text)
    assert len(contents) == len(about["blobs"])
    return Page(about, [_arrays(index, content) for index, content in zip(about["blobs"], contents, strict=True)])


def _arrays(index: dict[str, Any], content: str) -> tuple[str, dict[str, Any]]:
    data = base64.b64decode(content)
    if index["encoding"] == "deflate":
        data = zlib.decompress(data)
    arrays: dict[str, Any] = {}
    for name, (kind, first, count) in index["directory"].items():
        if kind == "json":
            arrays[name] = json.loads(data[first : first + count])
        else:
            dtype = np.dtype(f"<{kind[0]}{kind[1:]}")
            arrays[name] = np.frombuffer(data, dtype=dtype, count=count, offset=first)
    return index["name"], arrays
