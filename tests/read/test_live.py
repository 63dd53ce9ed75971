"""Exports that another program has open: content complete, input and folder exactly as they were."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import pytest
from conftest import site

from survey.errors import FormatError
from survey.findings import FindingList
from survey.read import inspect, live, read_network
from survey.settings import Settings

EDIT = """
    import os, sqlite3, sys
    base = sqlite3.connect(sys.argv[1])
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        base.create_function(name, 1, lambda shape: 0)
    base.execute("pragma journal_mode=" + sys.argv[2])
    base.execute("pragma wal_autocheckpoint=0")
    base.execute("pragma cache_size=1")
    base.execute("begin immediate")
    base.execute("update transformers set kva=777")
    base.execute("create table notes as select hex(randomblob(200000)) as x")
    if sys.argv[3] == "commit":
        base.commit()
    {end}
"""
KILLED, HELD = "os._exit(0)", "print('held', flush=True); sys.stdin.read()"


def editor(path: Path, mode: str, how: str, *, end: str) -> list[str]:
    """Command of another program that changes the export and dies, or holds it open."""
    return [sys.executable, "-c", textwrap.dedent(EDIT).format(end=end), str(path), mode, how]


def crash(path: Path, mode: str, how: str) -> None:
    subprocess.run(editor(path, mode, how, end=KILLED), check=True)


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in folder.iterdir()}


def ratings(path: Path) -> set[float]:
    tables = read_network(path, settings=Settings(), findings=FindingList())
    return set(tables.transformers["rating_va"] / 1e3)


@pytest.fixture
def package(export, tmp_path):
    folder = tmp_path / "input"
    folder.mkdir()
    return Path(shutil.move(export(transformers=[site("T1"), site("T2")]), folder / "net.gpkg"))


@pytest.fixture
def own_temp(tmp_path, monkeypatch):
    """A folder for temporary files that no other test writes into."""
    folder = tmp_path / "temp"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.mark.parametrize(
    ("mode", "how", "beside", "kva"),
    [("wal", "commit", "-wal", 777), ("wal", "leave", "-wal", 150), ("delete", "leave", "-journal", 150)],
)
def test_after_a_crash_what_was_committed_is_read_and_nothing_touched(package, mode, how, beside, kva, own_temp):
    crash(package, mode, how)
    assert package.with_name(package.name + beside).stat().st_size > 0
    before = snapshot(package.parent)
    assert ratings(package) == {kva}
    assert list(own_temp.iterdir()) == []
    assert snapshot(package.parent) == before
    prints = read_network(package, settings=Settings(), findings=FindingList()).fingerprints
    assert set(prints) == {package.name, package.name + beside}


def test_while_another_program_holds_it_open(package):
    command = editor(package, "wal", "commit", end=HELD)
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        before = snapshot(package.parent)
        assert package.name + "-shm" in before
        assert ratings(package) == {777}
        inspect.inspect_network(package)
        assert snapshot(package.parent) == before


def test_a_log_that_is_kept_but_empty(package):
    with sqlite3.connect(package) as base:
        base.execute("pragma journal_mode=wal")
    base.close()
    assert [file.name for file in package.parent.iterdir()] == ["net.gpkg"]
    package.with_name("net.gpkg-wal").touch()
    before = snapshot(package.parent)
    assert ratings(package) == {150}
    assert snapshot(package.parent) == before


def test_a_closed_package_is_read_where_it_is(package, monkeypatch):
    monkeypatch.setattr(live.shutil, "copyfile", lambda *_: pytest.fail("copied"))
    before = snapshot(package.parent)
    assert ratings(package) == {150}
    assert snapshot(package.parent) == before


def test_no_room_for_the_copy_is_one_clear_line(package, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    crash(package, "wal", "commit")
    monkeypatch.setattr(live.shutil, "copyfile", full)
    with pytest.raises(FormatError, match=r"net.gpkg: is open in another program and cannot be copied \(No space left"):
        ratings(package)


def test_written_while_it_is_copied(package, monkeypatch):
    really = shutil.copyfile

    def copy_and_change(source, target):
        really(source, target)
        source.write_bytes(source.read_bytes())

    crash(package, "wal", "commit")
    monkeypatch.setattr(live.shutil, "copyfile", copy_and_change)
    with pytest.raises(FormatError, match="was changed while it was read; wait until it is written"):
        ratings(package)


def test_a_log_that_cannot_be_worked_in_is_one_clear_line(package):
    crash(package, "delete", "leave")
    package.write_bytes(package.read_bytes()[:1000])
    with pytest.raises(FormatError, match=r"net.gpkg: (was not closed and cannot be put right|cannot be read)"):
        ratings(package)


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_taken_away_while_it_is_read(export, kind):
    path = export(kind, sources=None)

    def take_away(step):
        if step == "switches":
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()

    with pytest.raises(FormatError, match=r"was taken away while it was read|cannot be read"):
        read_network(path, settings=Settings(), findings=FindingList(), progress=take_away)
