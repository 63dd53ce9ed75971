"""Where compiled code is kept."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

LOOP = "from survey.network import build_network; from numba import config; print(config.CACHE_DIR)"


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
