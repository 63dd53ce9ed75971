"""Odd values, odd shapes and odd settings: a finished survey or a refusal of one line, never anything else.

Of 25 rounds of each kind, every second one a day; ``SURVEY_FUZZ_ROUNDS`` makes it try that many, all of them.
"""

from __future__ import annotations

import json
import os
import random
import tomllib
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from exports import CRS, place, tables, write_gpkg
from shapely import GeometryCollection, LineString, MultiLineString, MultiPoint, Point, Polygon, get_coordinates

from survey.errors import SurveyError
from survey.pipeline import run_survey
from survey.read.draft import draft_settings
from survey.read.inspect import inspect_network
from survey.report import write_outputs
from survey.settings import build_settings, load_settings

ROUNDS = int(os.environ.get("SURVEY_FUZZ_ROUNDS", "25"))
EVERY = 1 if {"SURVEY_FUZZ_ROUNDS", "SURVEY_ALL_TESTS"} & set(os.environ) else 2
FIRST = int(os.environ["SURVEY_TESTS_OF_DAY"]) % EVERY
SAMPLE_SETTINGS = Path(__file__).parents[2] / "sample_data" / "shapefiles.toml"
TEXTS = [
    "", " ", "None", "nan", "NULL", "-", "0", "-1", "1e400", "12,47", "12.47 kV", "ABC", "abc", "A-B-C", "XYZ", "Ω",
    "é" * 300, "<script>alert(1)</script>", "=1+1", "a\nb", "tab\there", "\x07bell", "'; DROP TABLE sites; --",
    "C1", "T1", "R1", "open", "single", "delta", "True", "2026-11-25", "\u202eright to left", "1/0 AL 220 XLPE 15KV",
    "12470GRDY/7200",
]  # fmt: skip
NAMES = ["id", "Name", "Länge km", "kv", "poles", "from", "ü\u202ex", 'a"b', "a.b", "[x]", "type", "status", "x" * 60]
NUMBERS = [np.nan, np.inf, -np.inf, 0.0, -0.0, -1.0, 1e-300, 1e308, -1e308, 2.0**53, 0.1, 3.0, 7.0, 12.47, 1e6]
WHOLE = [0, 1, -1, 7, 2**31, 2**53, -(2**62)]


def odd_column(chance: random.Random, length: int) -> pd.Series:
    kind = chance.choice(["text", "number", "whole", "date", "flag", "mixed"])
    if kind == "number":
        return pd.Series([chance.choice(NUMBERS) for _ in range(length)])
    if kind == "whole":
        return pd.Series([chance.choice(WHOLE) for _ in range(length)])
    if kind == "date":
        return pd.Series(pd.to_datetime([chance.choice(["2026-11-25", None, "1900-01-01"]) for _ in range(length)]))
    if kind == "flag":
        return pd.Series([chance.random() < 0.5 for _ in range(length)])
    pool = TEXTS if kind == "text" else [*TEXTS, None, None, None]
    return pd.Series([chance.choice(pool) for _ in range(length)], dtype=object)


def odd_shapes(chance: random.Random):
    x, y = place(chance.uniform(-1e3, 1e3), chance.uniform(-1e3, 1e3))
    return chance.choice(
        [
            None, Point(), LineString(), Point(x, y), Point(x, y, 5.0), MultiPoint([(x, y), (x + 1, y)]),
            LineString([(x, y), (x, y)]), LineString([(x, y), (x + 9, y), (x + 9, y + 9), (x, y)]),
            LineString([(x, y, 1.0), (x + 60, y, 2.0)]), Polygon([(x, y), (x + 5, y), (x, y + 5)]),
            MultiLineString([[(x, y), (x + 5, y)], [(x + 5, y), (x + 5, y + 5)]]),
            MultiLineString([[(x, y), (x + 5, y)], [(x + 50, y), (x + 55, y)]]),
            Point(1e9, -1e9), Point(0, 0), LineString([(x, y), (1e15, y)]), GeometryCollection([Point(x, y)]),
            LineString([(x, y), (np.inf, y)]), Point(np.nan, y),
        ]
    )  # fmt: skip


def outcome(path: Path, folder: Path, chance: random.Random) -> str:
    try:
        result = run_survey(path, settings=build_settings({"study": {"run": False}}))
        assert len(result.sites) == result.sites["site_id"].nunique()
        if chance.random() < 0.2:
            write_outputs(result, folder)
    except SurveyError as refusal:
        return "refused" if "\n" not in str(refusal) else str(refusal)
    return "surveyed"


def write_parquet(folder: Path, layers) -> Path:
    folder.mkdir()
    for name, frame in layers.items():
        gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS).to_parquet(folder / f"{name}.parquet")
    return folder


def write_shapefiles(folder: Path, layers) -> Path:
    """Shapes that the format has no room for are left out; a file holds lines or points."""
    folder.mkdir()
    for name, table in layers.items():
        kind = "Line" if name == "cables" else "Point"
        shapes = [None if not fits(shape, kind) else shape for shape in table["geometry"]]
        values = {c: v.astype(str) if v.dtype.kind in "bM" else v for c, v in table.drop(columns="geometry").items()}
        frame = gpd.GeoDataFrame(values, geometry=shapes, crs=CRS)
        frame.to_file(folder / f"{name}.shp", geometry_type="LineString" if kind == "Line" else kind)
    return folder


def fits(shape, kind: str) -> bool:
    """Whether a shapefile of this kind takes a shape."""
    if shape is None or shape.is_empty or shape.has_z or not np.isfinite(get_coordinates(shape)).all():
        return False
    return kind in shape.geom_type and shape.geom_type != "MultiPoint"


WRITERS = (lambda path, layers: write_gpkg(path.with_suffix(".gpkg"), layers), write_parquet, write_shapefiles)


def drafted(path: Path, *_: object) -> str:
    """Look at an export, and again with what the draft says: a draft that is accepted, or one line."""
    try:
        settings = build_settings(tomllib.loads(draft_settings(inspect_network(path))))
        again = draft_settings(inspect_network(path, settings=settings.input))
        build_settings(tomllib.loads(again))
    except SurveyError as refusal:
        return "refused" if "\n" not in str(refusal) else str(refusal)
    return "drafted"


def attempts(tmp_path: Path, change, outcome=outcome, rounds=ROUNDS) -> set[str]:
    outcomes = set()
    for number in range(FIRST, rounds, EVERY):
        chance = random.Random(number)
        layers = tables()
        for _ in range(chance.choice([1, 1, 2, 4])):
            change(chance, layers)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what the writer of these files thinks of them
            try:
                path = WRITERS[number % len(WRITERS)](tmp_path / str(number), layers)
            except TypeError:
                continue  # the writer knows no such column
        outcomes.add(outcome(path, tmp_path / f"out{number}", chance))
    return outcomes


def change_values(chance, layers):
    frame = layers[chance.choice(list(layers))]
    name = chance.choice([column for column in frame.columns if column != "geometry"])
    odd = odd_column(chance, len(frame))
    some = np.array([chance.random() < 0.5 for _ in range(len(frame))])
    frame[name] = odd if chance.random() < 0.5 else frame[name].astype(object).where(~some, odd.astype(object))
    if len(set(frame[name].map(type))) > 1:
        frame[name] = frame[name].map(lambda value: None if value is None else str(value))


def test_odd_values(tmp_path):
    assert attempts(tmp_path, change_values) <= {"surveyed", "refused"}


def test_odd_values_and_names_are_inspected(tmp_path):
    def change(chance, layers):
        change_values(chance, layers)
        layer = chance.choice(list(layers))
        names = [column for column in layers[layer].columns if column != "geometry"]
        odd = [*NAMES, *(f"F{i}" for i in range(3))]
        layers[layer] = layers[layer].rename(columns={chance.choice(names): chance.choice(odd)})
        layers[layer] = layers[layer].loc[:, ~layers[layer].columns.duplicated()]
        if chance.random() < 0.2:
            layers[chance.choice(odd)] = layers.pop(layer)

    assert attempts(tmp_path, change, drafted, ROUNDS // 2) <= {"drafted", "refused"}


def test_odd_shapes(tmp_path):
    def change(chance, layers):
        frame = layers[chance.choice(list(layers))]
        for row in frame.index:
            if chance.random() < 0.4:
                frame.loc[row, "geometry"] = odd_shapes(chance)

    assert attempts(tmp_path, change) <= {"surveyed", "refused"}


def refused(action) -> str:
    """What a refusal says; nothing when there was none."""
    try:
        action()
    except SurveyError as refusal:
        return str(refusal)
    return ""


def odd_value(chance: random.Random):
    return chance.choice([*TEXTS, *NUMBERS, *WHOLE, True, None, [], {}, ["x"], {"a": 1}])


def alter(chance: random.Random, node):
    """Change one value somewhere in nested tables."""
    key = chance.choice(list(node))
    if isinstance(node[key], dict) and node[key] and chance.random() < 0.8:
        alter(chance, node[key])
    elif chance.random() < 0.2:
        node[f"{key}x"] = odd_value(chance)
    else:
        node[key] = odd_value(chance)


def test_odd_settings(tmp_path):
    network = write_gpkg(tmp_path / "net.gpkg")
    usual = json.loads(build_settings({"study": {"run": False}}).model_dump_json())
    for number in range(FIRST, ROUNDS, EVERY):
        chance = random.Random(number)
        raw = json.loads(json.dumps(usual))
        alter(chance, raw)
        refusal = refused(lambda raw=raw: run_survey(network, settings=build_settings(raw, origin="odd")))
        assert "\n" not in refusal


def test_damaged_settings_files(tmp_path):
    text, path = SAMPLE_SETTINGS.read_bytes(), tmp_path / "s.toml"
    for number in range(5 * ROUNDS):
        chance = random.Random(number)
        data = bytearray(text)
        for _ in range(chance.choice([1, 3, 20])):
            data[chance.randrange(len(data))] = chance.randrange(256)
        path.write_bytes(data)
        refusal = refused(lambda: load_settings(path))
        assert "\n" not in refusal
        assert "s.toml" in refusal or tomllib.loads(path.read_text(encoding="utf-8"))
