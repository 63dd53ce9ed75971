"""The output folder: every file or none, one run at a time, nothing of other people's touched."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pyarrow as pa
import pytest
from small_survey import small_survey

from survey.errors import OutputError
from survey.own_files import CSV_FILES, OUTPUT_FILES
from survey.report import outputs
from survey.report.folder import reserve_folder
from survey.report.outputs import write_outputs, write_record

HERE = Path(__file__).parent
FAILURES = [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device"), RuntimeError("a defect")]


@pytest.fixture(autouse=True)
def plain_map(monkeypatch: pytest.MonkeyPatch) -> None:
    """The map has tests of its own."""
    monkeypatch.setattr(outputs, "_write_map", lambda result, path: path.write_text(f"<p>{len(result.sites)}</p>"))


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """An output folder with an older survey (a file short of whole) and files of somebody else."""
    folder = tmp_path / "OUT"
    folder.mkdir()
    for name in OUTPUT_FILES[1:]:
        (folder / name).write_text(f"old {name}")
    (folder / "my notes.txt").write_text("keep")
    (folder / "sub").mkdir()
    (folder / "sub" / "sites.csv").write_text("keep too")
    return folder


def test_writes_every_file_and_nothing_else(tmp_path: Path) -> None:
    seen: list[str] = []
    write_outputs(small_survey(), tmp_path / "a" / "OUT", progress=seen.append)
    assert sorted(content(tmp_path)) == sorted(f"a/OUT/{name}" for name in OUTPUT_FILES)
    assert seen == list(OUTPUT_FILES)


def test_replaces_its_own_files_only(old: Path) -> None:
    write_outputs(small_survey(), old)
    after = content(old.parent)
    assert sorted(after) == sorted([*(f"OUT/{n}" for n in OUTPUT_FILES), "OUT/my notes.txt", "OUT/sub/sites.csv"])
    assert after["OUT/my notes.txt"] == b"keep"
    assert after["OUT/sub/sites.csv"] == b"keep too"
    assert not any(after[f"OUT/{name}"].startswith(b"old") for name in OUTPUT_FILES)


def test_same_bytes_again(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_outputs(small_survey(), tmp_path / name)
    first, second = content(tmp_path / "a"), content(tmp_path / "b")
    assert [name for name in OUTPUT_FILES if first[name] != second[name]] in ([], ["run.json"])
    records = [json.loads(files["run.json"]) for files in (first, second)]
    assert [record.pop("write_seconds").keys() for record in records] == [set(OUTPUT_FILES) - {"run.json"}] * 2
    assert records[0] == records[1]


def failing(failure: BaseException) -> Callable[..., None]:
    def fail(*_: object, **__: object) -> None:
        raise failure

    return fail


@pytest.mark.parametrize("failure", FAILURES, ids=lambda f: type(f).__name__)
@pytest.mark.parametrize(
    "writer", ["write_csv", "write_gpkg", "_write_network", "_write_map", "write_record", "_flush"]
)
def test_failure_while_writing(old: Path, monkeypatch: pytest.MonkeyPatch, writer: str, failure: BaseException) -> None:
    before = content(old.parent)
    monkeypatch.setattr(outputs, writer, failing(failure))
    expected = OutputError if isinstance(failure, OSError) else type(failure)
    with pytest.raises(expected):
        write_outputs(small_survey(), old)
    assert content(old.parent) == before
    assert names(old.parent) == ["OUT"]
    with pytest.raises(expected):
        write_outputs(small_survey(), old.parent / "new" / "deep" / "OUT")
    assert names(old.parent) == ["OUT"]


ASIDE = len(OUTPUT_FILES)  # old ones moved aside, of which one is missing, and the mark that all is ready


@pytest.mark.parametrize("move", range(ASIDE))
@pytest.mark.parametrize("failure", FAILURES, ids=lambda f: type(f).__name__)
def test_failure_while_moving(old: Path, monkeypatch: pytest.MonkeyPatch, move: int, failure: BaseException) -> None:
    before, rename, done = content(old.parent), Path.rename, []

    def rename_or_fail(self: Path, target: Path) -> Path:
        done.append(target)
        if len(done) == move + 1:
            raise failure
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", rename_or_fail)
    with pytest.raises(OutputError if isinstance(failure, OSError) else type(failure)):
        write_outputs(small_survey(), old)
    assert content(old.parent) == before
    assert names(old.parent) == ["OUT"]


def run_python(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)]
    return subprocess.run(command, cwd=HERE, capture_output=True, text=True, timeout=60, check=False)


KILLED_AT_MOVE = """
    import os, signal, sys
    from pathlib import Path
    from small_survey import small_survey
    from survey.report import outputs
    outputs._write_map = lambda result, path: path.write_text("x")
    move, really = int(sys.argv[2]), {name: getattr(Path, name) for name in ("rename", "replace", "unlink", "rmdir")}
    def die_or(name):
        def do(self, *arguments, **options):
            global move
            move -= 1
            if move < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return really[name](self, *arguments, **options)
        return do
    for name in really:
        setattr(Path, name, die_or(name))
    outputs.write_outputs(small_survey(), Path(sys.argv[1]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize("move", [3, ASIDE + 1, ASIDE + 2, ASIDE + 5, 2 * ASIDE + 5, 3 * ASIDE + 3])
def test_a_killed_run_is_put_right_by_the_next(old: Path, move: int) -> None:
    (old / "plan.json").write_text("{}")
    (old / "plan.csv").write_text("a plan")
    before, aside = content(old), ASIDE + 2
    assert run_python(KILLED_AT_MOVE, old, move).returncode == -signal.SIGKILL
    with reserve_folder(old):
        after = content(old)
    if move < aside:
        assert after == before
    else:
        assert not any(after[name].startswith(b"old") for name in OUTPUT_FILES)
        others = {"my notes.txt": b"keep", "sub/sites.csv": b"keep too"}
        earlier = {"earlier_survey/plan.csv": b"a plan", "earlier_survey/plan.json": b"{}"}
        assert {name: data for name, data in after.items() if name not in OUTPUT_FILES} == others | earlier
    assert names(old.parent) == ["OUT"]


def test_what_cannot_be_moved_now_is_moved_by_the_next_run(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    really, done = Path.replace, []

    def replace_or_fail(self: Path, target: Path) -> Path:
        done.append(target)
        if len(done) == 3:
            raise OSError(errno.EIO, "Input/output error")
        return really(self, target)

    with monkeypatch.context() as broken:
        broken.setattr(Path, "replace", replace_or_fail)
        with pytest.raises(OutputError, match=r"half replaced \(Input/output error\); mend that, and the next command"):
            write_outputs(small_survey(), old)
    assert names(old.parent) == [".OUT.survey-partial", "OUT"]
    with reserve_folder(old):
        assert not any(content(old)[name].startswith(b"old") for name in OUTPUT_FILES)
    assert names(old.parent) == ["OUT"]


@pytest.fixture
def partial(old: Path) -> Path:
    """The name of the folder beside OUT that a run works in."""
    return old.with_name(".OUT.survey-partial")


def refused(old: Path, words: str) -> None:
    """One line, and nothing anywhere was touched."""
    before = content(old.parent)
    with pytest.raises(OutputError, match=f"{words}; look at it and move it away, or give another folder"):
        write_outputs(small_survey(), old)
    assert content(old.parent) == before


def test_the_folder_beside_leads_elsewhere(old: Path, partial: Path, tmp_path: Path) -> None:
    (tmp_path / "precious" / "new").mkdir(parents=True)
    (tmp_path / "precious" / "new" / "sites.csv").write_text("keep")
    partial.symlink_to(tmp_path / "precious")
    refused(old, "is no folder of a survey")


def test_the_folder_beside_belongs_to_another_account(
    old: Path, partial: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from survey.report import folder as module

    (partial / "old").mkdir(parents=True)
    (partial / "old" / "sites.csv").write_text("theirs")
    monkeypatch.setattr(module, "_owner_of_new_files", lambda _: partial.stat().st_uid + 1)
    refused(old, "belongs to another account")


@pytest.mark.parametrize(
    "name", ["journal.json", "old/notes.txt", "ready/sub/sites.csv", "new/a.doc", "lock/x", "new/sites.csv/x"]
)
def test_the_folder_beside_holds_what_no_survey_put_there(old: Path, partial: Path, name: str) -> None:
    (partial / name).parent.mkdir(parents=True)
    (partial / name).write_text('{"../my notes.txt": false}')
    refused(old, "holds '.*', which no survey put there")


@pytest.mark.parametrize("name", ["new", "ready", "old", "lock"])
def test_a_part_of_the_folder_beside_leads_elsewhere(old: Path, partial: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "sites.csv").write_text("keep")
    partial.mkdir()
    (partial / name).symlink_to(tmp_path / "precious" / ("sites.csv" if name == "lock" else ""))
    refused(old, f"holds '{name}', which no survey put there")


def test_ctrl_c_in_the_middle_of_the_move_waits_and_says_that_the_new_files_stand(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename = Path.rename

    def rename_and_ask(self: Path, target: Path) -> Path:
        signal.raise_signal(signal.SIGINT)
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", rename_and_ask)
    with pytest.raises(OutputError, match=r"^interrupted; the new files in .*OUT stand$"):
        write_outputs(small_survey(), old)
    assert not any(content(old)[name].startswith(b"old") for name in OUTPUT_FILES)
    assert names(old.parent) == ["OUT"]


def test_plans_and_sheets_of_another_survey_go_into_a_folder_of_their_own(tmp_path: Path) -> None:
    out = tmp_path / "OUT"
    write_outputs(small_survey(), out)
    made = {
        "plan.csv": "p",
        "plan.json": "{}",
        "sheets_north.pdf": "s",
        "changes.csv": "mine",
        "sheets of mine.pdf": "m",
    }
    for name, text in made.items():
        (out / name).write_text(text)
    write_outputs(small_survey(), out)
    assert all((out / name).read_text() == text for name, text in made.items())
    write_outputs(replace(small_survey(), record={"settings": {"network": {"snap_m": 2.0}}}), out)
    kept = {"plan.csv", "plan.json", "sheets_north.pdf"}
    assert names(out) == sorted({*OUTPUT_FILES, *made, "earlier_survey"} - kept)
    assert {path.name: path.read_text() for path in (out / "earlier_survey").iterdir()} == {n: made[n] for n in kept}
    (out / "earlier_survey").rename(out / "moved")
    (out / "earlier_survey").write_text("a file")
    (out / "sheets_south.pdf").write_text("s")
    (out / "run.json").write_text("{")
    before = content(out)
    with pytest.raises(OutputError, match="'earlier_survey' there is no folder; move it away"):
        write_outputs(small_survey(), out)
    assert content(out) == before


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_run_killed_before_moving_leaves_the_folder_alone(tmp_path: Path) -> None:
    assert run_python(KILLED_AT_MOVE, tmp_path / "OUT", 0).returncode == -signal.SIGKILL
    assert names(tmp_path) == [".OUT.survey-partial"]
    write_outputs(small_survey(), tmp_path / "OUT")
    assert names(tmp_path) == ["OUT"]


RESERVE = """
    import sys
    from pathlib import Path
    from survey.report import reserve_folder
    with reserve_folder(Path(sys.argv[1])):
        pass
"""


def test_two_runs_into_one_folder(tmp_path: Path) -> None:
    folder = tmp_path / "OUT"
    with reserve_folder(folder) as reservation:
        second = run_python(RESERVE, folder)
        assert "OutputError" in second.stderr
        assert f"output {folder}: another survey is being written there; wait for it" in second.stderr
        with pytest.raises(OutputError, match="another survey"):
            write_outputs(small_survey(), folder)
        write_outputs(small_survey(), folder, reservation=reservation)
    assert names(tmp_path) == ["OUT"]
    assert names(folder) == sorted(OUTPUT_FILES)


def test_the_lock_of_a_run_that_just_ended_is_not_taken_for_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from survey.report import folder as module

    try_lock, tries = module._try_lock, []

    def lock_and_lose_it(file: object) -> bool:
        tries.append(file)
        if len(tries) == 1:
            (tmp_path / ".OUT.survey-partial" / "lock").unlink()
            (tmp_path / ".OUT.survey-partial").rmdir()
        return try_lock(file)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_try_lock", lock_and_lose_it)
    with reserve_folder(tmp_path / "OUT"):
        assert (tmp_path / ".OUT.survey-partial" / "lock").exists()
    assert len(tries) == 2


def test_a_partial_folder_that_vanishes_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened, really_open = [], Path.open

    def vanish_once(self: Path, *args: str, **kwargs: str) -> object:
        opened.append(self)
        if len(opened) == 1:
            self.parent.rmdir()
        return really_open(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", vanish_once)
    with reserve_folder(tmp_path / "OUT"):
        assert len(opened) == 2


@pytest.mark.parametrize("held", [False, True])
def test_lock_of_the_other_kind_of_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, held: bool) -> None:
    calls: list[tuple[str, int]] = []

    def locking(_: int, mode: str, count: int) -> None:
        calls.append((mode, count))
        if held:
            raise PermissionError(errno.EACCES, "held")

    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK="no wait"))
    monkeypatch.setattr(sys, "platform", "win32")
    if held:
        with pytest.raises(OutputError, match="another survey"), reserve_folder(tmp_path / "OUT"):
            pass
    else:
        write_outputs(small_survey(), tmp_path / "OUT")
        assert names(tmp_path) == ["OUT"]
    assert calls == [("no wait", 1)]


def test_nothing_written_leaves_nothing(tmp_path: Path) -> None:
    with reserve_folder(tmp_path / "a" / "b" / "OUT"):
        pass
    assert names(tmp_path) == []


def test_output_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "OUT").write_text("x")
    with pytest.raises(OutputError, match=r"output .*OUT: is a file; give a folder"):
        write_outputs(small_survey(), tmp_path / "OUT")
    with pytest.raises(OutputError, match="a part of the path is a file; give another folder"):
        write_outputs(small_survey(), tmp_path / "OUT" / "below")


def test_a_folder_has_the_name_of_an_output(tmp_path: Path) -> None:
    (tmp_path / "OUT" / "sites.csv").mkdir(parents=True)
    with pytest.raises(OutputError, match=r"'sites.csv' there is a folder; move it away"):
        write_outputs(small_survey(), tmp_path / "OUT")
    assert names(tmp_path / "OUT") == ["sites.csv"]
    assert names(tmp_path) == ["OUT"]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full; free some space or give another folder"),
        (errno.EACCES, "it may not be written to; change its permissions or give another folder"),
        (errno.EROFS, "the disk is read-only; give another folder"),
        (errno.EIO, "Input/output error; give another folder"),
    ],
)
def test_refusals_say_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str) -> None:
    monkeypatch.setattr(Path, "mkdir", failing(OSError(number, os.strerror(number))))
    with pytest.raises(OutputError) as refused:
        write_outputs(small_survey(), tmp_path / "OUT")
    assert str(refused.value) == f"output {tmp_path / 'OUT'}: cannot be written: {words}"


def test_too_long_a_name(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="the name is too long; give a shorter one"):
        write_outputs(small_survey(), tmp_path / ("x" * 400))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_read_only_folders(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="it may not be written to"):
        write_outputs(small_survey(), tmp_path / "OUT")
    tmp_path.chmod(0o700)


def test_works_inside_a_folder_whose_parent_is_closed(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != old.parent)
    with reserve_folder(old) as reservation:
        assert reservation.partial == old / ".survey-partial"
        write_outputs(small_survey(), old, reservation=reservation)
    assert names(old) == sorted([*OUTPUT_FILES, "my notes.txt", "sub"])


def test_library_errors_are_refusals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outputs, "write_gpkg", failing(pa.ArrowInvalid("bad batch\nmore")))
    with pytest.raises(OutputError, match=r"cannot be written: bad batch; give another folder$"):
        write_outputs(small_survey(), tmp_path / "OUT")
    monkeypatch.setattr(outputs, "_FULL_DISK_BYTES", 1 << 62)
    with pytest.raises(OutputError, match="the disk is full"):
        write_outputs(small_survey(), tmp_path / "OUT")


def test_record_is_strict_json(tmp_path: Path) -> None:
    import numpy as np

    record = {"n": np.int64(3), "x": [np.float64("inf"), 0.1], "path": Path("a"), "flags": np.array([True]), 5: None}
    write_record(record, tmp_path / "run.json")
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    assert json.loads(text) == {"n": 3, "x": [None, 0.1], "path": "a", "flags": [True], "5": None}


def test_csv_files_are_the_contract_ones() -> None:
    assert CSV_FILES == ("sites.csv", "switching_points.csv", "findings.csv")
