"""Where compiled code is kept."""

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from rich.progress import Progress

from survey import loops
from survey.console import StageProgress

LOOP = "import survey.compiled; from numba import config; print(config.CACHE_DIR)"


def compiled_in(**environment):
    """Folder of compiled code of a new process, and what it says."""
    clean = {k: v for k, v in os.environ.items() if k not in ("SURVEY_CACHE_DIR", "NUMBA_CACHE_DIR")}
    ran = subprocess.run(
        [sys.executable, "-c", LOOP], env=clean | environment, capture_output=True, text=True, check=True
    )
    return Path(ran.stdout.strip()), ran.stderr


def test_beside_the_curves(tmp_path):
    folder, said = compiled_in(SURVEY_CACHE_DIR=str(tmp_path))
    assert (folder, said) == (tmp_path / "compiled", "")


@pytest.mark.parametrize("place", ["/proc/self/nowhere", "/dev/null/nowhere"])
def test_a_folder_that_takes_nothing_is_told_once(place):
    folder, said = compiled_in(SURVEY_CACHE_DIR=place)
    assert said.count("takes no files") == 1
    assert not folder.exists()  # the temporary one is gone with the process


def test_a_folder_that_the_user_named_stands(tmp_path):
    folder, _ = compiled_in(NUMBA_CACHE_DIR=str(tmp_path))
    assert folder == tmp_path


def test_small_loops_need_no_compiler_and_say_the_same_as_compiled_ones(tmp_path):
    sample = Path(__file__).parents[1] / "sample_data" / "network.gpkg"
    code = (
        "import sys; from survey.cli import main; sys.argv = ['survey', 'run', *sys.argv[1:]]\n"
        "try: main()\n"
        "finally: print('numba' in sys.modules, file=sys.stderr)"
    )
    for name, least in (("small", "10000000"), ("compiled", "0")):
        command = [sys.executable, "-c", code, str(sample), "-o", str(tmp_path / name), "--no-study"]
        environment = os.environ | {"SURVEY_COMPILE_FROM": least}
        ran = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        assert ran.stderr.split()[-1] == str(name == "compiled")
    for file in ("sites.csv", "findings.csv"):
        assert (tmp_path / "small" / file).read_bytes() == (tmp_path / "compiled" / file).read_bytes()


LOOP_FILE = """
from survey.loops import njit

@njit(cache=True)
def total(numbers):
    found = 0.0
    for number in numbers:
        found += number
    return found
"""
CALL = """
import numpy as np, survey.loops
survey.loops.SMALL = -1
survey.loops.watchers.append(lambda more: print(more))
from loop_of_a_test import total
print(total(np.arange(4.0)))
"""


def test_the_compiler_is_announced_and_kept_code_is_not(tmp_path):
    (tmp_path / "loop_of_a_test.py").write_text(LOOP_FILE)
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / "kept")}
    said = [
        subprocess.run(
            [sys.executable, "-c", CALL], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
        ).stdout.split()
        for _ in range(2)
    ]
    assert said == [["1", "-1", "6.0"], ["6.0"]]


def test_a_stage_says_so_while_the_compiler_is_at_work():
    with Progress(console=Console(file=io.StringIO())) as bar:
        progress = StageProgress(bar)
        shown = []
        for tell in (lambda: progress("read"), lambda: progress.compiling(1), lambda: progress.compiling(-1)):
            tell()
            shown.append(bar.tasks[0].description)
    assert shown == ["Reading the export", "Reading the export (compiling, only the first time)", "Reading the export"]


def test_many_small_calls_are_compiled_like_a_large_one(monkeypatch):
    monkeypatch.setattr(loops, "SMALL_TOGETHER", 10 * loops.SMALL)
    seen = []

    @loops.njit()
    def total(values):
        return values.sum()

    monkeypatch.setattr(loops._Loop, "compiled", property(lambda _: lambda values: seen.append(len(values))))
    for _ in range(12):
        total(np.ones(loops.SMALL))
    assert seen == [loops.SMALL, loops.SMALL]
