"""Where compiled code is kept."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

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
