"""Disks that are full or closed, for real: one line with the path and what to do, earlier results as they were."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from command import assert_whole, content, one_line, run

FULL = "cannot be written: the disk is full; free some space or give another folder"
pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="mounts a small disk as Linux does")


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 256 KiB, full but for 4."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    if mount is None or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("no right to mount a small disk here")
    (place / "filler").write_bytes(bytes(252 << 10))
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.by_turns(2)
@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["run", "NETWORK", "--no-study", "-o"], "OUT"),
        (["compare", "OUT", "OUT", "-o"], "DIFF"),
        (["sheets", "OUT", "-o"], "SHEETS"),
        (["limits", "--kv", "12.47", "--no-study", "-o"], "limits.png"),
    ],
)
def test_a_full_disk(network, surveyed, small_disk, arguments, name):
    before = content(small_disk)
    known = {"NETWORK": network, "OUT": surveyed}
    done = run(*[known.get(a, a) for a in arguments], small_disk / name)
    assert one_line(done.stderr) == f"survey: output {small_disk / name}: {FULL}\n"
    assert done.returncode == 1
    assert content(small_disk) == before
    assert [path.name for path in small_disk.iterdir()] == ["filler"]


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("arguments", [["run", "NETWORK", "--no-study", "-o", "OUT"], ["plan", "OUT", "--budget", "2"]])
def test_a_full_disk_with_an_earlier_survey(network, surveyed, small_disk, arguments):
    out = small_disk / "OUT"
    (small_disk / "filler").unlink()
    subprocess.run(["mount", "-o", "remount,size=2m", str(small_disk)], check=True)
    shutil.copytree(surveyed, out)
    free = shutil.disk_usage(small_disk).free
    (small_disk / "filler").write_bytes(bytes(max(0, free - (20 << 10))))
    before = content(small_disk)
    done = run(*[{"NETWORK": network, "OUT": out}.get(a, a) for a in arguments])
    assert one_line(done.stderr) == f"survey: output {out}: {FULL}\n"
    assert done.returncode == 1
    assert content(small_disk) == before


def test_a_draft_on_a_full_device(network):
    done = run("inspect", network, "-o", "/dev/full")
    assert one_line(done.stderr) == f"survey: output /dev/full: {FULL}\n"
    assert Path("/dev/full").is_char_device()


def test_files_that_may_not_grow(network, out):
    before = content(out)
    done = run("run", network, "-o", out, "--no-study", start=["prlimit", "--fsize=20000"])
    assert str(out) in one_line(done.stderr)
    assert "cannot be written" in done.stderr
    assert done.returncode == 1
    assert content(out) == before
    assert [path.name for path in out.parent.iterdir()] == ["OUT"]


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("name", ["TMPDIR", "SURVEY_CACHE_DIR"])
def test_a_full_disk_for_what_is_kept_aside(network, small_disk, tmp_path, name):
    settings = tmp_path / "s.toml"
    settings.write_text("[study]\nrun = false\n")
    out = tmp_path / "OUT"
    done = run("run", network, "-o", out, "-s", settings, env={**os.environ, name: str(small_disk)})
    assert (done.returncode, done.stderr) == (0, "")
    assert_whole(out)


def test_no_room_for_the_copy_of_an_open_export(network, small_disk, tmp_path):
    live, out = tmp_path / "live.gpkg", tmp_path / "OUT"
    live.write_bytes(network.read_bytes())
    with sqlite3.connect(live) as editor:
        editor.execute("pragma journal_mode=wal").fetchall()
        editor.execute("create table note (x)")
        done = run("run", live, "-o", out, "--no-study", env={**os.environ, "TMPDIR": str(small_disk)})
    editor.close()
    assert one_line(done.stderr).startswith(f"survey: {live}: is open in another program and cannot be copied (")
    assert "make room" in done.stderr
    assert not out.exists()
    assert [path.name for path in small_disk.iterdir()] == ["filler"]


def test_a_cache_that_cannot_be_written(small_disk, own_curves):
    command = ["site", "--kva", "300", "--kv", "12.47", "--cap-nf-km", "200", "--length", "100", *own_curves]
    (small_disk / "more").write_bytes(bytes(shutil.disk_usage(small_disk).free))
    done = run(*command, env={**os.environ, "SURVEY_CACHE_DIR": str(small_disk / "cache")})
    assert done.returncode == 0
    assert done.stderr == f"curve cache {small_disk / 'cache'} takes no files; curves are not kept\n"
    assert not list(small_disk.rglob("*.part"))
    closed = run(*command, env={**os.environ, "SURVEY_CACHE_DIR": "/proc/survey"})
    assert (closed.returncode, closed.stdout, closed.stderr.count("\n")) == (0, done.stdout, 1)
