"""Real survey commands in processes of their own, stopped at a stage where a test wants it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from forks import COMMAND, Fork

from survey.own_files import OUTPUT_FILES

LIMIT_S = 120
STOPPED = """
import sys
from survey import console
from survey.cli import main
stage = sys.argv[1]

def stop(name):
    if name == stage:
        print("stopped", flush=True)
        sys.stdin.readline()

part, count = console.StageProgress.part, console.StageProgress.count
console.StageProgress.__call__ = lambda self, name: stop(name)
console.StageProgress.part = lambda self, name: stop(name)
console.StageProgress.count = lambda self, done, total: stop("study")
main(sys.argv[2:])
"""
SURVEY = [sys.executable, "-m", "survey"]


def run(*arguments: object, start: list[str] | None = None, env: dict[str, str] | None = None):
    """One command, from its start to its end; with ``start`` a command of the system's that starts it."""
    words = list(map(str, arguments))
    if start is not None:
        command = [*start, *SURVEY, *words]
        return subprocess.run(command, capture_output=True, text=True, check=False, timeout=LIMIT_S, env=env)
    process = Fork(COMMAND, words, dict(os.environ) if env is None else env)
    out, err = process.communicate(timeout=LIMIT_S)
    return subprocess.CompletedProcess(words, process.returncode, out, err)


def start(*arguments: object, stage: str = "", script: str = STOPPED, **environment: str) -> Fork:
    """A command that runs beside the test."""
    words = list(map(str, arguments))
    code, words = (script, [stage, *words]) if stage else (COMMAND, words)
    return Fork(code, words, {**os.environ, **environment})


def stopped(*arguments: object, stage: str, **environment: str) -> Fork:
    """A command that stands still at the beginning of a stage."""
    process = start(*arguments, stage=stage, **environment)
    wait_for_stop(process)
    return process


def wait_for_stop(process: Fork) -> None:
    """Until the command says that it stands still."""
    while (told := process.stdout.readline()) not in {"stopped\n", ""}:
        pass
    assert told, process.communicate()


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def one_line(said: str) -> str:
    """What a refusal says; it must be one line, and no traceback."""
    assert said.startswith("survey: "), said
    assert said.count("\n") == 1, said
    return said


def assert_whole(out: Path) -> None:
    """OUT holds every file of a survey and no other."""
    assert sorted(path.name for path in out.iterdir()) == sorted(OUTPUT_FILES)
