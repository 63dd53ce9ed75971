"""A what-if is told wherever its figures are shown."""

from __future__ import annotations

import subprocess

import pandas as pd
import pyogrio
import pytest
from exports import tables, write_gpkg

from survey.cli import main

CHANGES = "change,id,value,at\nthree_pole,R1,,\nload,{site},60,\ncable_length,C3,600,\n"
WORDS = "WHAT-IF: 3 changes"


def survey(*arguments: object) -> None:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    assert not end.value.code


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory):
    """Folders of a survey of the network as it is and of a what-if."""
    folder = tmp_path_factory.mktemp("said")
    layers = tables()
    export = write_gpkg(folder / "net.gpkg", layers)
    changes = folder / "changes.csv"
    changes.write_text(CHANGES.format(site=layers["transformers"]["site_id"][0]), encoding="utf-8")
    survey("run", export, "-o", folder / "as_it_is", "--no-study")
    survey("run", export, "-o", folder / "what_if", "--no-study", "--with", changes)
    return folder


@pytest.mark.parametrize("name", ["sites", "switching_points"])
def test_every_row_of_the_tables_says_so(surveyed, name):
    assert set(pd.read_csv(surveyed / f"what_if/{name}.csv")["what_if"]) == {WORDS}
    assert "what_if" not in pd.read_csv(surveyed / f"as_it_is/{name}.csv").columns


def test_every_layer_says_so(surveyed):
    for layer in ("sites", "paths", "sections", "switching_points"):
        frame = pyogrio.read_dataframe(surveyed / "what_if/survey.gpkg", layer=layer)
        assert set(frame["what_if"]) == {WORDS}
    said = pyogrio.read_dataframe(surveyed / "what_if/survey.gpkg", sql="select description from gpkg_contents")
    assert sum(text.startswith(WORDS) for text in said["description"].fillna("")) == 7


def test_the_page_is_striped_and_lists_the_changes(surveyed):
    page = (surveyed / "what_if/map.html").read_text(encoding="utf-8")
    assert f"<title>{WORDS}" in page
    assert '<body class="what-if">' in page
    assert "<li>R1 made three-pole</li>" in page
    assert "<li>cable C3: 600 m</li>" in page
    as_it_is = (surveyed / "as_it_is/map.html").read_text(encoding="utf-8")
    assert '<body class="what-if">' not in as_it_is
    assert "WHAT-IF:" not in as_it_is


def test_every_sheet_says_so(surveyed):
    survey("sheets", surveyed / "what_if", "-o", surveyed / "paper")
    files = list((surveyed / "paper").glob("*.pdf"))
    assert files
    for file in files:
        text = subprocess.run(["pdftotext", file, "-"], capture_output=True, text=True, check=True).stdout
        pages = text.split("\f")[:-1]
        assert pages
        assert all(WORDS in page for page in pages)


def test_the_terminal_says_so_first(surveyed, capsys):
    survey("run", surveyed / "net.gpkg", "-o", surveyed / "again", "--no-study", "--with", surveyed / "changes.csv")
    out = capsys.readouterr().out
    assert out.startswith(WORDS)
    assert "  R1 made three-pole\n" in out
