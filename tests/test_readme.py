"""The README says what is."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from readme_columns import updated

from survey import lists
from survey.planning import terms
from survey.result import CAUTION
from survey.what_if import edits, sign_offs

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


@pytest.mark.parametrize(
    ("option", "module", "read"),
    [
        ("run --with", edits, edits.read_changes),
        ("run --signed-off", sign_offs, sign_offs.read_signed_off),
        ("plan --must", terms, terms.read_ids),
        ("plan --never", terms, terms.read_ids),
        ("plan --unit-costs", terms, lambda path: terms.read_costs([str(path)])),
    ],
)
def test_the_columns_of_a_list_are_those_that_are_read(option, module, read, monkeypatch, tmp_path):
    asked = []

    def read_list(path, what, *, needed, optional=(), others=True):
        asked.extend([*needed, *optional])
        return lists.read_list(path, what, needed=(), optional=(), others=others)

    (tmp_path / "list.csv").write_text("")
    monkeypatch.setattr(module, "read_list", read_list)
    read(tmp_path / "list.csv")
    (row,) = [line for line in README.splitlines() if line.startswith("|") and f"`{option}`" in line.split("|")[1]]
    named = {word.strip() for part in re.findall(r"`([^`]+)`", row.split("|")[2]) for word in part.split(",")}
    assert asked
    assert set(asked) <= named
