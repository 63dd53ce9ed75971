"""Commands that are ended from outside, at every stage: earlier results whole, nothing left by the next run."""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from pathlib import Path

import pytest
from command import assert_whole, content, one_line, run, start, stopped, wait_for_stop

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
STAGES = ["read", "network", "assess", "survey.gpkg", "run.json"]
AT_REPLACE = """
import sys
from pathlib import Path
from survey.cli import main
really = {name: getattr(Path, name) for name in ("rename", "replace")}

def stop(self, target):
    print("stopped", flush=True)
    sys.stdin.readline()
    return really["rename"](self, target)

Path.rename = stop
if sys.argv[1] == "replace":
    Path.replace = stop
main(sys.argv[2:])
"""


def listed(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("stage", STAGES)
def test_a_killed_run_changes_nothing(network, other_network, out, stage):
    before, given = content(out), network.read_bytes()
    process = stopped("run", network, "-o", out, "--no-study", stage=stage)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert content(out) == before
    assert listed(out.parent) == [".OUT.survey-partial", "OUT"]
    if stage in {"read", "survey.gpkg"}:
        assert run("run", other_network, "-o", out, "--no-study").returncode == 0
        assert_whole(out)
        assert listed(out.parent) == ["OUT"]
        assert len((out / "sites.csv").read_text().splitlines()) == 3
    assert network.read_bytes() == given
    assert listed(network.parent) == ["net.gpkg"]


@pytest.mark.by_turns(2)
@pytest.mark.parametrize(
    ("stage", "number"),
    [("read", signal.SIGINT), ("study", signal.SIGTERM), ("map.html", signal.SIGINT), ("map.html", signal.SIGHUP)],
)
def test_a_run_that_is_told_to_end(network, out, own_curves, tmp_path, stage, number):
    before, given = content(out), network.read_bytes()
    process = stopped("run", network, "-o", out, *own_curves, stage=stage, SURVEY_CACHE_DIR=str(tmp_path / "cache"))
    process.send_signal(number)
    _, said = process.communicate()
    assert one_line(said.lstrip("\n")) == "survey: interrupted; the output folder is as it was before\n"
    assert process.returncode == 1
    assert content(out) == before
    assert listed(out.parent) == ["OUT"]
    assert network.read_bytes() == given


@pytest.mark.by_turns(2)
@pytest.mark.parametrize(
    ("arguments", "left"),
    [
        (["plan", "OUT", "--budget", "2"], ".OUT.survey-partial"),
        (["sheets", "OUT"], ".OUT.survey-partial"),
        (["compare", "OUT", "OUT", "-o", "DIFF"], ".DIFF.survey-partial"),
        (["inspect", "NETWORK", "-o", "draft.toml"], ".draft.toml.survey-partial"),
        (["limits", "--kv", "12.47", "--no-study", "-o", "limits.csv"], ".limits.csv.survey-partial"),
    ],
)
def test_another_command_killed_before_its_files_are_in_place(network, out, arguments, left):
    here = [str(out.parent / a) if a in {"OUT", "DIFF", "draft.toml", "limits.csv"} else a for a in arguments]
    here = [str(network) if a == "NETWORK" else a for a in here]
    before = content(out)
    kind = "replace" if arguments[0] in {"inspect", "limits"} else "rename"
    process = start(*here, stage=kind, script=AT_REPLACE)
    wait_for_stop(process)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert content(out) == before
    assert listed(out.parent) == sorted([left, "OUT"])
    done = run(*here)
    assert (done.returncode, done.stderr) == (0, "")
    assert not list(out.parent.rglob(".*"))


@pytest.mark.parametrize("reader", [["sheets", "OUT"], ["run", "nothing.gpkg", "-o", "OUT"]])
def test_a_run_killed_while_its_files_move_is_put_right_by_the_next_command(other_network, out, reader):
    before = content(out)
    process = start("run", other_network, "-o", out, "--no-study", stage="rename", script=AT_REPLACE)
    for _ in range(4):
        wait_for_stop(process)
        process.stdin.write("\n")
        process.stdin.flush()
    wait_for_stop(process)
    done = run(*[str(out) if a == "OUT" else a for a in reader])
    assert "another survey is being written there" in one_line(done.stderr)
    process.kill()
    process.communicate()
    assert content(out) != before
    run(*[str(out) if a == "OUT" else a for a in reader])
    assert {name: data for name, data in content(out).items() if not name.endswith(".pdf")} == before
    assert listed(out.parent) == ["OUT"]


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("later", [0, 2])
def test_a_run_killed_in_its_study_leaves_a_cache_of_use(network, out, own_curves, tmp_path, later):
    before, cache = content(out), tmp_path / "cache"
    process = stopped("run", network, "-o", out, *own_curves, stage="study", SURVEY_CACHE_DIR=str(cache))
    for _ in range(later):
        process.stdin.write("\n")
        process.stdin.flush()
        wait_for_stop(process)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert content(out) == before
    places = {"used": cache, "fresh": tmp_path / "none"}
    for name, folder in places.items():
        environment = {**os.environ, "SURVEY_CACHE_DIR": str(folder)}
        assert run("run", network, "-o", tmp_path / name, *own_curves, env=environment).stderr == ""
    used, fresh = (content(tmp_path / name) for name in places)
    assert used["sites.csv"] == fresh["sites.csv"]
    assert used["switching_points.csv"] == fresh["switching_points.csv"]
    assert not list(cache.rglob("*.part"))


def test_the_copy_of_an_open_export_goes_with_the_next_run(network, tmp_path):
    live, aside = tmp_path / "live.gpkg", tmp_path / "tmp"
    live.write_bytes(network.read_bytes())
    aside.mkdir()
    with sqlite3.connect(live) as editor:
        editor.execute("pragma journal_mode=wal").fetchall()
        editor.execute("create table note (x)")
        process = stopped("run", live, "-o", tmp_path / "OUT", "--no-study", stage="network", TMPDIR=str(aside))
        held = listed(aside)
        process.kill()
        process.communicate()
        process = stopped("run", live, "-o", tmp_path / "OUT", "--no-study", stage="network", TMPDIR=str(aside))
        second = listed(aside)
        process.communicate("\n")
    editor.close()
    assert process.returncode == 0
    assert not set(held) & set(second)
    assert listed(aside) == []
