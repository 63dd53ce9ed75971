"""Supply areas surveyed each by itself, in a process of its own: the same bytes, and the same answers as together."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from exports import tables, write_gpkg

import survey

SAME = ["sites.csv", "switching_points.csv", "findings.csv", "survey.gpkg", "map.html", "network.parquet"]


def survey_area(area: Path, out: Path) -> Path:
    """What the README's lines do for one area."""
    return survey.run(area, study=False).save(out / area.name)


def area_layers(name: str) -> dict[str, pd.DataFrame]:
    """The small network, its ids and places those of an area of its own."""
    layers = tables()
    for frame in layers.values():
        for column in frame.columns:
            if column in {"cable_id", "site_id", "switch_id", "source_id", "guards", "feeder"}:
                frame[column] = frame[column].where(frame[column].isna(), name + frame[column].astype(str))
    return layers


@pytest.fixture(scope="module")
def areas(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("areas")
    found, all_layers = [], {}
    for number, name in enumerate(("East", "West")):
        whole = write_gpkg(folder / f"{name}.gpkg", area_layers(name))
        (folder / "parts" / name).mkdir(parents=True)
        for layer in tables():
            frame = gpd.read_file(whole, layer=layer)
            frame.geometry = frame.geometry.translate(5000.0 * number)
            frame.to_parquet(folder / "parts" / name / f"{layer}.parquet")
            all_layers.setdefault(layer, []).append(frame)
        found.append(folder / "parts" / name)
    (folder / "whole").mkdir()
    for layer, frames in all_layers.items():
        pd.concat(frames, ignore_index=True).to_parquet(folder / "whole" / f"{layer}.parquet")
    return found


def test_a_process_of_its_own_gives_the_same_bytes(areas: list[Path], tmp_path: Path) -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        apart = list(pool.map(survey_area, areas, [tmp_path / "apart"] * len(areas)))
    for area, out in zip(areas, apart, strict=True):
        here = survey_area(area, tmp_path / "here")
        assert [name for name in SAME if (out / name).read_bytes() != (here / name).read_bytes()] == []


def test_areas_together_say_what_one_survey_of_all_says(areas: list[Path]) -> None:
    parts = pd.concat([survey.run(area, study=False).sites for area in areas])
    whole = survey.run(areas[0].parents[1] / "whole", study=False).sites
    by_id = [frame.drop(columns=["rank", "geometry"]).set_index("site_id").sort_index() for frame in (parts, whole)]
    pd.testing.assert_frame_equal(*by_id, check_dtype=False)
