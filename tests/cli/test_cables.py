"""``survey cables``: the catalogue as a person looks it up."""

from __future__ import annotations

import csv

import pytest
from click.testing import CliRunner

from survey.cli import commands
from survey.physics.catalogue import Catalogue


def said(*arguments):
    done = CliRunner().invoke(commands, ["cables", *map(str, arguments)])
    assert done.exit_code == 0
    return done.output


def test_all_types_are_listed():
    types = Catalogue.load().cable_types
    assert len(said().splitlines()) == 1 + len(types)


def test_words_choose_and_the_capacitance_is_that_of_the_catalogue():
    heading, *lines = said("1/0 xlpe", "15KV", "133").splitlines()
    assert heading.split()[-1] == "nF/km"
    assert all("xlpe 15kv 133%" in line.lower() for line in lines)
    (line,) = (
        line.strip() for line in lines if line.split()[:4] == ["1/0", "XLPE", "15kV", "133%"] and "tape" not in line
    )
    cap, _ = Catalogue.load().cable_capacitance_f_m(["1/0 XLPE 15kV 133%"], [12470.0])
    assert float(line.split()[-1]) == pytest.approx(cap[0] * 1e12, abs=0.05)


def test_no_type_is_said():
    assert "no type holds rubber; survey cables lists all" in said("rubber")


def test_a_list_is_written_as_csv_alone(tmp_path):
    (tmp_path / "export.gpkg").write_bytes(b"mine")
    done = CliRunner().invoke(commands, ["cables", "35kV", "-o", str(tmp_path / "export.gpkg")])
    assert done.exit_code != 0
    assert (tmp_path / "export.gpkg").read_bytes() == b"mine"


def test_the_list_as_a_file_with_sources(tmp_path):
    assert said("35kV", "-o", tmp_path / "c.csv").startswith(
        str(len(Catalogue.load().cable_types.query("kv_class == 35")))
    )
    with (tmp_path / "c.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert all(row["source"] and float(row["nF/km"]) > 0 for row in rows)
