"""A small export and a survey of it, made once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command import run
from exports import tables, write_gpkg


@pytest.fixture(scope="session")
def network(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_gpkg(tmp_path_factory.mktemp("export") / "net.gpkg")


@pytest.fixture(scope="session")
def other_network(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with another number of sites."""
    layers = tables()
    layers["transformers"] = layers["transformers"].iloc[:2]
    return write_gpkg(tmp_path_factory.mktemp("other") / "net.gpkg", layers)


@pytest.fixture(scope="session")
def surveyed(network: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey without its study; never written into."""
    out = tmp_path_factory.mktemp("surveyed") / "OUT"
    assert run("run", network, "-o", out, "--no-study").returncode == 0
    return out


@pytest.fixture
def out(surveyed: Path, tmp_path: Path) -> Path:
    """An earlier survey to be replaced, alone in its folder."""
    folder = tmp_path / "place"
    folder.mkdir()
    shutil.copytree(surveyed, folder / "OUT")
    return folder / "OUT"


@pytest.fixture(scope="session")
def own_curves(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """Settings that the atlas has no curves for, so that the study computes its own."""
    path = tmp_path_factory.mktemp("settings") / "own.toml"
    path.write_text("[electrical]\nknee_pu = 1.2\n", encoding="utf-8")
    return "-s", path
