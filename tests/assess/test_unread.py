"""Cable texts that nobody could read: told longest first, and the line that is printed teaches exactly that text."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pandas as pd
import pytest
from exports import tables, write_gpkg
from hypothesis import given
from hypothesis import strategies as st

from survey.assess.cable_types import EXAMPLE_TYPE, teaching_line, typed_capacitance
from survey.cli import main
from survey.physics.catalogue import Catalogue
from survey.read.cable_text import taught_type

ODD = {"C1": "BLK JKT (OLD) 7", "C2": "as built '74", "C3": "BLK JKT (OLD) 7", "C4": "tbd*\x1b[31m"}


def survey(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


def odd_export(folder):
    layers = tables()
    cables = layers["cables"]
    cables["cable_type"] = cables["cable_id"].map(ODD).fillna(cables["cable_type"])
    cables["length_m"] = cables["cable_id"].map({"C2": 1500.0, "C4": 900.0})
    return write_gpkg(folder / "net.gpkg", layers)


@given(st.text(st.characters(codec="utf-8"), min_size=1, max_size=30).map(str.strip).filter(bool))
def test_the_line_teaches_this_text_and_no_other(text):
    patterns = tomllib.loads(teaching_line(text))
    assert list(patterns.values()) == [EXAMPLE_TYPE]
    assert taught_type(text, patterns) == EXAMPLE_TYPE
    for other in (f"{text}x", f"x{text}", text * 2, text[1:]):
        assert taught_type(other, patterns) == other
    assert teaching_line(text).isprintable()


def test_the_example_is_what_stands_in():
    volts = np.array([4.16e3, 12.47e3, 24.9e3, 27.6e3, 34.5e3, 46e3])
    stand_in, taught = (
        typed_capacitance([text] * len(volts), volts, catalogue=Catalogue.load(), patterns={})
        for text in ("nobody knows", EXAMPLE_TYPE)
    )
    assert set(stand_in.origin) == {"class"}
    assert set(taught.origin) == {"text"}
    np.testing.assert_allclose(taught.cap_f_m, stand_in.cap_f_m, rtol=1e-3)


def test_texts_are_told_longest_first_and_what_is_printed_teaches_them(tmp_path, capsys):
    export = odd_export(tmp_path)
    assert survey("run", export, "-o", tmp_path / "out", "--no-study") == 0
    said = capsys.readouterr().out
    told = said.partition("Cable types not understood: 3 texts, ")[2].splitlines()
    assert "as built '74" in told[1]
    assert "1.50 km       1 cables" in told[1]
    assert "'BLK JKT (OLD) 7'" in told[3]
    assert "0.18 km       2 cables" in told[3]
    assert "tbd*" in told[2]
    assert "\x1b" not in said
    listed = json.loads((tmp_path / "out" / "run.json").read_text())["unread_cable_texts"]
    assert [entry["text"] for entry in listed] == ["as built '74", "tbd*\x1b[31m", "BLK JKT (OLD) 7"]
    assert [entry["km"] for entry in listed] == sorted((entry["km"] for entry in listed), reverse=True)
    findings = pd.read_csv(tmp_path / "out" / "findings.csv")
    (unread,) = findings[findings.rule == "unknown_cable_type"].message
    assert "4 cables (2.58 km) of 3 types" in unread
    assert "longest: \"as built '74\" 1.50 km; 'tbd*" in unread

    taught = "[input.cable_type_patterns]\n" + "".join(f"{entry['teach']}\n" for entry in listed)
    (tmp_path / "taught.toml").write_text(taught)
    assert survey("run", export, "-o", tmp_path / "again", "-s", tmp_path / "taught.toml", "--no-study") == 0
    assert "not understood" not in capsys.readouterr().out
    assert json.loads((tmp_path / "again" / "run.json").read_text())["unread_cable_texts"] == []
