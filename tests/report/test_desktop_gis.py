"""The GeoPackage in a desktop GIS, drawn without a screen; only where Debian's python3-qgis is installed."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import matplotlib.image as mpl_image
import numpy as np
import pytest
from small_survey import small_survey

from survey.report.gpkg import ResultTables, write_gpkg
from survey.report.ramp import hazard_colours
from survey.report.tables import arrow_table

PYTHON = "/usr/bin/python3"
RENDER = Path(__file__).with_name("render_gpkg.py")


def installed() -> bool:
    """Whether the system's own Python has it."""
    if not Path(PYTHON).is_file():
        return False
    return subprocess.run([PYTHON, "-c", "import qgis.core"], capture_output=True, check=False).returncode == 0


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """What the layers are there, and the picture of a survey."""
    if not installed():
        pytest.skip("needs Debian's python3-qgis")
    folder = tmp_path_factory.mktemp("desktop")
    result = small_survey(record={"open_devices": ["S-9"], "open_places": [[-99.0, 36.0]]})
    hazards = np.where(result.sites["band"] != "", np.linspace(91, 23, len(result.sites)), np.nan)
    result = replace(result, sites=result.sites.assign(hazard=hazards))
    tables = ResultTables(
        *(arrow_table(getattr(result, n), table=n) for n in ("sites", "switching_points", "findings"))
    )
    write_gpkg(result, folder / "survey.gpkg", tables=tables)
    done = subprocess.run(
        [PYTHON, str(RENDER), str(folder / "survey.gpkg"), str(folder / "drawn.png")],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    return json.loads(done.stdout.splitlines()[-1]), mpl_image.imread(folder / "drawn.png"), result


def test_every_layer_opens_with_its_look_headings_and_ids(drawn):
    layers, _, _ = drawn
    assert [layer["name"] for layer in layers] == [
        "sections", "path_pieces", "open_points", "switching_points", "sites", "findings", "paths",
    ]  # fmt: skip
    assert all(layer["valid"] and layer["styled"] for layer in layers)
    by_name = {layer["name"]: layer for layer in layers}
    assert by_name["sites"]["renderer"] == "categorizedSymbol"
    assert "Walked length (m)" in by_name["sites"]["headings"]
    assert by_name["sites"]["labels_from"] == by_name["switching_points"]["labels_from"] == 8000


def test_colour_is_the_hazard_on_the_same_ramp_as_on_the_map(drawn):
    _, picture, result = drawn
    pixels = np.rint(picture[..., :3] * 255).astype(int).reshape(-1, 3)
    hazards = result.sites.loc[result.sites["band"] != "", "hazard"].dropna().to_numpy(float)
    assert len(hazards)
    for colour in hazard_colours(hazards):
        wanted = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)])
        assert (np.abs(pixels - wanted).max(axis=1) <= 6).sum() > 10, colour
