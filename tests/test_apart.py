"""The input is never written to, whatever the paths are called."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import pytest

from survey.apart import refuse_overlap
from survey.cli import main
from survey.errors import OutputError
from survey.own_files import NETWORK_FILE


def content(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file below a folder with its time of change."""
    return {
        str(path.relative_to(folder)): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A GeoPackage, and a folder of GeoParquet in which a layer has the name of an output; links to both.

    What is in them does not matter: the paths alone are refused.
    """
    folder = tmp_path / "layers"
    for file in (tmp_path / "exports" / "net.gpkg", folder / NETWORK_FILE, folder / "switches.parquet"):
        file.parent.mkdir(exist_ok=True)
        file.write_text("an export")
    (tmp_path / "settings.toml").write_text('[input.cables]\nlayer = "network"\n')
    (tmp_path / "link").symlink_to(folder)
    (tmp_path / "plain").mkdir()
    (tmp_path / "plain" / "net.gpkg").symlink_to(tmp_path / "exports" / "net.gpkg")
    return tmp_path


def refused(place: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """One line, exit status 1, nothing touched, nothing made."""
    before, there = content(place), sorted(place.rglob("*"))
    with contextlib.chdir(place), pytest.raises(SystemExit) as end:
        main(list(arguments))
    said = capsys.readouterr()
    assert end.value.code == 1
    assert (said.out, said.err.count("\n")) == ("", 1)
    assert content(place) == before
    assert sorted(place.rglob("*")) == there
    return said.err


@pytest.mark.parametrize(
    ("network", "out", "words"),
    [
        ("layers", "layers", "is the export layers, or lies in it; give a folder of its own"),
        ("layers", "link", "is the export"),
        ("link", "layers", "is the export"),
        ("layers", "layers/deep/out", "or lies in it"),
        ("link", "layers/out", "or lies in it"),
        ("layers", ".", "holds the export layers; give a folder of its own"),
        ("exports/net.gpkg", "exports", "holds the export exports/net.gpkg"),
        ("exports/net.gpkg", ".", "holds the export"),
        ("exports/net.gpkg", "exports/net.gpkg", "is the export"),
        ("exports/net.gpkg", "exports/net.gpkg/out", "or lies in it"),
        ("plain/net.gpkg", "exports", "holds the export"),
    ],
)
def test_an_output_folder_that_is_in_or_around_the_export(place, capsys, network, out, words):
    said = refused(place, capsys, "run", network, "-o", out, "-s", "settings.toml", "--no-study")
    assert said.startswith(f"survey: output {out}: ")
    assert words in said


def test_a_layer_that_only_points_into_the_output_folder(place, capsys):
    (place / "out").mkdir()
    (place / "layers" / NETWORK_FILE).rename(place / "out" / NETWORK_FILE)
    (place / "layers" / NETWORK_FILE).symlink_to(place / "out" / NETWORK_FILE)
    said = refused(place, capsys, "run", "layers", "-o", "out", "-s", "settings.toml", "--no-study")
    assert "output out: holds the export layers/network.parquet" in said


def test_a_disk_where_names_in_another_case_are_the_same(place, monkeypatch):
    """As on such a disk, where the file system finds it."""
    really = os.stat

    def stat(path, **more):
        return really(str(path).replace("LAYERS", "layers") if isinstance(path, os.PathLike | str) else path, **more)

    monkeypatch.setattr(os, "stat", stat)
    with pytest.raises(OutputError, match="is the export"):
        refuse_overlap(place / "LAYERS", export=place / "layers")


@pytest.mark.parametrize(
    ("network", "draft"),
    [
        ("exports/net.gpkg", "exports/net.gpkg"),
        ("plain/net.gpkg", "exports/net.gpkg"),
        ("exports/net.gpkg", "plain/net.gpkg"),
        ("layers", "layers/switches.parquet"),
        ("layers", "link/draft.toml"),
    ],
)
def test_a_draft_onto_the_network(place, capsys, network, draft):
    assert refused(place, capsys, "inspect", network, "-o", draft) == (
        f"survey: output {draft}: belongs to the export {network}; give another file\n"
    )


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["run", "exports/net.gpkg", "-o", ""], "-o"),
        (["run", "", "-o", "out"], "network"),
        (["inspect", "exports/net.gpkg", "-o", ""], "-o"),
        (["compare", "a", "", "-o", "x"], "new"),
    ],
)
def test_an_empty_path(place, capsys, arguments, name):
    assert refused(place, capsys, *arguments) == f"survey: {name}: is empty; give a path\n"


def test_a_list_that_is_read_and_would_be_replaced(place, capsys):
    (place / "out").mkdir()
    (place / "out" / "plan_changes.csv").write_text("kind,id\n")
    said = refused(place, capsys, "run", "exports/net.gpkg", "-o", "out", "--with", "out/plan_changes.csv")
    assert said == (
        "survey: output out: out/plan_changes.csv is read and would be replaced there; give another folder\n"
    )


def test_links_that_lead_in_a_circle(place, capsys):
    (place / "a").symlink_to(place / "b")
    (place / "b").symlink_to(place / "a")
    assert "survey: output a: " in refused(place, capsys, "run", "exports/net.gpkg", "-o", "a", "--no-study")
    assert "a" in refused(place, capsys, "plan", "a", "--budget", "1")
