"""An export that changes while it is read: a finished survey or one line, never anything else."""

from __future__ import annotations

import os

import pytest
from command import assert_whole, content, one_line, stopped
from exports import tables, write_gpkg


def truncate(path):
    os.truncate(path, path.stat().st_size // 2)


def replace(path):
    write_gpkg(path.with_name("new.gpkg"), {name: frame.iloc[:1] for name, frame in tables().items()})
    path.with_name("new.gpkg").replace(path)


def delete(path):
    path.unlink()


@pytest.mark.parametrize(
    ("stage", "change"),
    [("read", truncate), ("read", replace), ("read", delete), ("network", truncate), ("survey.gpkg", delete)],
)
def test_an_export_that_changes(network, out, tmp_path, stage, change):
    path, before = tmp_path / "net.gpkg", content(out)
    path.write_bytes(network.read_bytes())
    process = stopped("run", path, "-o", out, "--no-study", stage=stage)
    change(path)
    _, said = process.communicate("\n")
    assert process.returncode in {0, 1}, said
    if process.returncode:
        assert str(path) in one_line(said)
        assert content(out) == before
    else:
        assert said == ""
        assert_whole(out)
    assert process.returncode == 0 or stage == "read"
