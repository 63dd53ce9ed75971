"""Inspection of an export of which something is known already: what is told stands, only the rest is guessed."""

from __future__ import annotations

import tomllib

import pytest
from conftest import cable, line, point

from survey.errors import FieldError, LayerError
from survey.read.draft import draft_settings
from survey.read.inspect import ask_unsure, inspect_network
from survey.settings import build_settings, load_settings, other_sections

KINDS = ["FCO", "RECLOSER", "GOAB"]


@pytest.fixture
def network(export):
    """Devices under names that tell nothing, and two layers that could be the cables."""
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0)), length_m=1000.0 + i) for i in range(9)]
    devices = [{"A1": f"D{i}", "A2": KINDS[i % 3], "A3": i % 2, "geometry": point(i, 0)} for i in range(9)]
    return export(cables=lines, old_cables=lines, switches=None, A0=devices)


def told(**layers):
    return build_settings({"input": layers}).input


def test_the_layer_that_is_told_is_taken(network):
    assert inspect_network(network).guesses["cables"].theirs == "cables"
    found = inspect_network(network, settings=told(cables={"layer": "old_cables"})).guesses["cables"]
    assert (found.theirs, found.sure, found.evidence) == ("old_cables", True, "as the settings say")
    assert found.fields["cable_id"].sure


def test_a_field_that_is_told_is_used_for_nothing_else(network):
    settings = told(switches={"layer": "A0", "fields": {"switch_id": "A3"}})
    fields = inspect_network(network, settings=settings).guesses["switches"].fields
    assert fields["switch_id"].theirs == "A3"
    assert fields["switch_id"].evidence.startswith("as the settings say; ")
    assert [ours for ours, found in fields.items() if found.theirs == "A3"] == ["switch_id"]


def test_poles_and_device_may_be_told_by_one_field(network):
    fields = inspect_network(network, settings=told(switches={"layer": "A0", "fields": {"poles": "A2"}}))
    fields = fields.guesses["switches"].fields
    assert (fields["poles"].theirs, fields["device"].theirs) == ("A2", "A2")


def test_codes_that_are_told_stand_and_others_are_guessed(network):
    poles = {"RECLOSER": "three"}
    settings = told(switches={"layer": "A0", "fields": {"poles": "A2"}, "codes": {"poles": poles}})
    raw = tomllib.loads(draft_settings(inspect_network(network, settings=settings)))
    assert raw["input"]["switches"]["codes"]["poles"] == {"RECLOSER": "three", "FCO": "single", "GOAB": "three"}


def test_units_defaults_patterns_and_coordinate_system_are_kept(network):
    given = {
        "crs": "EPSG:2263",
        "cables": {"units": {"length_m": "ft"}, "defaults": {"kv": 12.345678901, "build": "ug"}},
        "cable_type_patterns": {'^7"50\\s': "500 XLPE 15kV 100%"},
    }
    found = inspect_network(network, settings=told(**given))
    assert found.guesses["cables"].fields["length_m"].values.unit_sure
    kept = tomllib.loads(draft_settings(found))["input"]
    assert kept["crs"] == "EPSG:2263"
    assert kept["cables"]["units"]["length_m"] == "ft"
    assert kept["cables"]["defaults"] == given["cables"]["defaults"]
    assert kept["cable_type_patterns"] == given["cable_type_patterns"]
    build_settings({"input": kept})


def test_sections_that_are_not_about_the_input_are_kept_as_they_are(network, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(
        '[input]\ncrs = "EPSG:2263"\n[score]\nhigh_s = 25\n[plan.costs]\nthree_pole = 3\nadd_three_pole = 4\n'
    )
    found = inspect_network(network, settings=load_settings(path).input)
    draft = tmp_path / "draft.toml"
    draft.write_text(draft_settings(found, others=other_sections(path)))
    assert load_settings(draft).score.high_s == 25
    assert load_settings(draft).plan.costs["add_three_pole"] == 4
    assert other_sections(None) == {}


def test_the_draft_is_a_fixed_point(network):
    settings = told(switches={"layer": "A0", "fields": {"poles": "A2"}})
    first = tomllib.loads(draft_settings(inspect_network(network, settings=settings)))
    second = tomllib.loads(draft_settings(inspect_network(network, settings=build_settings(first).input)))
    assert second == first


def test_nothing_is_asked_about_what_is_told(network):
    asked = []
    settings = told(switches={"layer": "A0", "fields": {"switch_id": "A1", "poles": "A2"}})

    def ask(question, choices):
        asked.append(question)
        return choices[0]

    ask_unsure(inspect_network(network, settings=settings), ask)
    assert not [q for q in asked if "holds the switches" in q or "switch_id" in q]


@pytest.mark.parametrize(
    ("mapping", "error", "words"),
    [
        ({"layer": "A9"}, LayerError, "A9"),
        ({"layer": "A0", "fields": {"poles": "B1"}}, FieldError, "B1"),
    ],
)
def test_what_is_told_and_not_there_is_refused(network, mapping, error, words):
    with pytest.raises(error, match=words):
        inspect_network(network, settings=told(switches=mapping))


def test_a_layer_that_may_be_missing_and_is_not_there(export):
    path = export(sources=None)
    found = inspect_network(path, settings=told(sources={"codes": {}, "defaults": {"feeder": "F1"}}))
    assert not found.guesses["sources"].theirs


def test_where_the_layer_is_not_told_what_is_told_holds_for_the_guessed_one(export):
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0))) for i in range(9)]
    path = export(cables=None, CABLE_SEGMENTS=lines)
    found = inspect_network(path, settings=told(cables={"units": {"length_m": "ft"}, "defaults": {"kv": 4.16}}))
    guess = found.guesses["cables"]
    assert (guess.theirs, guess.fields["length_m"].values.unit, guess.defaults) == (
        "CABLE_SEGMENTS",
        "ft",
        {"kv": 4.16},
    )
    assert guess.evidence != "as the settings say"


def test_what_is_told_of_a_devices_cable_is_not_doubted(export):
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0))) for i in range(9)]
    devices = [{"switch_id": f"D{i}", "LINK": f"X{i}", "geometry": point(i, 0)} for i in range(9)]
    path = export(cables=lines, switches=devices)
    guards = inspect_network(path, settings=told(switches={"fields": {"guards": "LINK"}})).guesses["switches"]
    assert guards.fields["guards"].sure
    assert guards.fields["guards"].evidence.startswith("as the settings say")
