"""The order of rows in the file decides nothing: of equal ids the content tells which keeps it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from exports import survey_tables, tables, write_gpkg

from survey.findings import FindingList
from survey.read import read_network
from survey.settings import build_settings


def with_equal_ids(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Rows that took the id of another, rows there twice, and rows there twice with another place."""
    name = frame.columns[0]
    frame = pd.concat([frame, frame.iloc[rng.choice(len(frame), 2)]], ignore_index=True)
    moved = frame.iloc[rng.choice(len(frame), 2)].copy()
    moved["geometry"] = [shape.reverse() if shape.length else shape.buffer(3).centroid for shape in moved["geometry"]]
    frame = pd.concat([frame, moved], ignore_index=True)
    frame.loc[rng.choice(len(frame), 2), name] = frame[name].iloc[0]
    return frame


def look(path: Path, layers: dict[str, pd.DataFrame]) -> list[pd.DataFrame]:
    settings, findings = build_settings({"study": {"run": False}}), FindingList()
    network = read_network(write_gpkg(path, layers), settings=settings, findings=findings)
    result = survey_tables(network, settings=settings, findings=findings).result
    return [result.sites, result.switching_points, result.findings]


@pytest.mark.parametrize("seed", range(4))
def test_rows_in_another_order_give_the_same_tables(seed, tmp_path):
    rng = np.random.default_rng(seed)
    layers = {name: with_equal_ids(frame, rng) for name, frame in tables().items()}
    shuffled = {name: frame.sample(frac=1, random_state=seed, ignore_index=True) for name, frame in layers.items()}
    before, after = look(tmp_path / "a.gpkg", layers), look(tmp_path / "b.gpkg", shuffled)
    assert (before[2]["rule"] == "duplicate_id").sum() == len(layers)
    for one, other in zip(before, after, strict=True):
        pd.testing.assert_frame_equal(one, other, rtol=1e-9)
