"""Coded values that are not known: told with the lines of settings that teach them."""

from __future__ import annotations

import json
import tomllib

import pytest
from conftest import cable, site, switch
from hypothesis import given
from hypothesis import strategies as st

from survey.errors import SettingsError
from survey.input_schema import field_specs
from survey.read.guess_values import teaching_line, unread_codes
from survey.settings import build_settings


def taught(listed, *, fill=""):
    """Settings made of the lines that were told, as a person would paste them."""
    raw = {}
    for entry in listed:
        layer, field = entry["layer"], entry["field"]
        codes = raw.setdefault(layer, {}).setdefault("codes", {}).setdefault(field, {})
        codes.update({k: v or fill for k, v in tomllib.loads(entry["teach"]).items()})
    return {"input": raw}


@pytest.fixture
def odd(export):
    """Unknown kinds of poles, a connection nobody knows, phases and a flag that are none."""
    return export(
        cables=[cable("C1", phases="left"), cable("C2")],
        transformers=[site("T1", connection="??"), site("T2", connection="??"), site("T3", critical="hosp\x1b")],
        switches=[switch("S1", poles="FCO"), switch("S2", poles="GOAB"), switch("S3", poles="Q9"), switch("S4")],
    )


def test_values_are_counted_by_field(odd, read):
    listed = unread_codes(read(odd).findings)
    assert [(e["layer"], e["field"], e["text"], e["records"]) for e in listed] == [
        ("cables", "phases", "left", 1),
        ("switches", "poles", "FCO", 1),
        ("switches", "poles", "GOAB", 1),
        ("switches", "poles", "Q9", 1),
        ("transformers", "connection", "??", 2),
        ("transformers", "critical", "hosp\x1b", 1),
    ]
    assert {e["section"] for e in listed if e["layer"] == "transformers"} == {
        "[input.transformers.codes.connection]",
        "[input.transformers.codes.critical]",
    }
    assert all(e["teach"].isprintable() for e in listed)


def test_usual_meanings_are_filled_in_and_the_rest_is_refused_until_it_is(odd, read):
    listed = unread_codes(read(odd).findings)
    poles = taught([e for e in listed if e["text"] in {"FCO", "GOAB"}])
    assert poles["input"]["switches"]["codes"]["poles"] == {"FCO": "single", "GOAB": "three"}
    again = read(odd, **poles)
    assert "Q9" in {e["text"] for e in unread_codes(again.findings)}
    assert not {"FCO", "GOAB"} & {e["text"] for e in unread_codes(again.findings)}
    with pytest.raises(SettingsError, match="choices: "):
        build_settings(taught(listed))


def test_lines_that_are_filled_in_teach_all(odd, read):
    listed = unread_codes(read(odd).findings)
    fill = {"phases": "A", "poles": "three", "connection": "delta", "critical": "1"}
    raw = {"input": {}}
    for field, value in fill.items():
        part = taught([e for e in listed if e["field"] == field], fill=value)["input"]
        for layer, mapping in part.items():
            raw["input"].setdefault(layer, {"codes": {}})["codes"].update(mapping["codes"])
    assert unread_codes(read(odd, **raw).findings) == []


@given(st.text(st.characters(codec="utf-8"), min_size=1))
def test_any_value_makes_a_line_of_toml(text):
    line = teaching_line(field_specs("transformers")["core"], text)
    assert list(tomllib.loads(line)) == [text]
    assert line.isprintable()


def test_a_run_shows_the_lines(tmp_path, capsys):
    from exports import tables, write_gpkg

    from survey.cli import main

    layers = tables()
    layers["switches"]["poles"] = ["FCO", "Q9", *layers["switches"]["poles"].iloc[2:]]
    path = write_gpkg(tmp_path / "net.gpkg", layers)
    with pytest.raises(SystemExit) as end:
        main(["run", str(path), "-o", str(tmp_path / "out"), "--no-study"])
    assert end.value.code == 0
    said = capsys.readouterr().out
    assert "Codes not known: 2 values" in said
    choices = "usual meaning; choices: single, three, presumed (1 record)"
    assert f'  [input.switches.codes.poles]\n  "FCO" = "single"  # {choices}' in said
    listed = json.loads((tmp_path / "out" / "run.json").read_text())["unread_codes"]
    assert [entry["text"] for entry in listed] == ["FCO", "Q9"]
