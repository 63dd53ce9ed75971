"""The README says what is."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from readme_columns import updated

from survey.result import CAUTION

README = (Path(__file__).parents[1] / "README.md").read_text()


def test_column_tables_are_those_of_columns_csv():
    assert updated(README) == README


def test_caution_is_there_in_full():
    assert CAUTION in re.sub(r"[>*\s]+", " ", README)


def test_every_command_it_names_exists():
    help_text = subprocess.run(
        [sys.executable, "-m", "survey", "--help"], check=True, capture_output=True, text=True
    ).stdout
    for command in set(re.findall(r"`survey ([a-z]+) ", README)):
        assert f"\n  {command} " in help_text


def test_pictures_and_files_it_shows_exist():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (Path(__file__).parents[1] / target).exists()
