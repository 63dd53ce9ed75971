"""What a draft does with what it is not sure of: nothing is cleared in silence."""

import tomllib

import pandas as pd
import pyogrio
import pytest
from conftest import cable, line, point, site
from exports import tables, write_gpkg

from survey.input_schema import field_specs
from survey.pipeline import run_survey
from survey.read.draft import draft_settings
from survey.read.guess_values import known_code
from survey.read.guess_words import NO_ROLE, told_by
from survey.read.inspect import ask_unsure, inspect_network
from survey.settings import build_settings


def test_three_pole_by_its_kind_alone_counts_so_and_is_told_until_somebody_says(export, read):
    kinds = ["FCO", "RCL", "GOAB"]
    devices = [{"DEV": f"D{i}", "CKT": "F1", "ZZ": kinds[i % 3], "geometry": point(i, 0)} for i in range(9)]
    path = export(switches=devices)
    drafted = draft_settings(inspect_network(path))
    assert '"RCL" = "presumed"  # UNSURE' in drafted
    got = read(path, **tomllib.loads(drafted))
    assert list(got.tables.switches["single_pole"]) == [True, False, False] * 3
    (finding,) = [f for f in got.findings.ordered() if f.rule == "poles_presumed"]
    assert list(finding.ids) == ["D1", "D4", "D7"]
    said = read(path, **tomllib.loads(drafted.replace('"presumed"', '"single"')))
    assert list(said.tables.switches["single_pole"]) == [True, True, False] * 3
    assert "poles_presumed" not in {f.rule for f in said.findings.ordered()}


def test_units_at_one_place_are_a_bank_whatever_the_names(export):
    units = [
        {"SERIAL": f"N{i}", "SPOT": f"L{i // 3}", "PH": "ABC"[i % 3], "KVA": 50, "KV": 12.47, "geometry": point(i, 0)}
        for i in range(9)
    ]
    fields = inspect_network(export(transformers=units)).guesses["transformers"].fields
    assert (fields["site_id"].theirs, fields["bank_id"].theirs) == ("SPOT", "SPOT")
    for i, unit in enumerate(units):
        unit["PH"] = "A" if i < 6 else "ABC"
    fields = inspect_network(export(transformers=units)).guesses["transformers"].fields
    assert "bank_id" not in fields


@pytest.mark.parametrize(
    ("column", "gone", "there"),
    [
        ("STATUS", "R", "E"),
        ("STATUS", "Retired", "As found"),
        ("RETIRED", "Y", "N"),
        ("IN_SERVICE", 0, 1),
        ("DATE_RETIRED", pd.Timestamp("2019-05-04"), None),
        ("FECHA_BAJA", "2019-05-04", None),
    ],
)
def test_what_tells_of_retired_rows_leaves_them_out_and_is_marked(export, read, column, gone, there):
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), **{column: gone if i % 4 == 0 else there}) for i in range(9)]
    path = export(cables=lines)
    drafted = draft_settings(inspect_network(path))
    (where,) = [text for text in drafted.splitlines() if text.startswith("where")]
    assert column in where
    assert "# UNSURE" in where
    assert len(read(path, **tomllib.loads(drafted)).tables.cables) == 6


@pytest.mark.parametrize(
    ("column", "values"), [("DEAD_END", "YN"), ("NORMAL_OPEN", "NY"), ("PLAN_DATE", ["2019", None])]
)
def test_columns_that_only_sound_like_states_leave_nothing_out(export, column, values):
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), **{column: values[i % 4 != 0]}) for i in range(9)]
    assert "where" not in draft_settings(inspect_network(export(cables=lines)))


def test_a_switch_is_not_left_out_by_its_state(export, read):
    states = ["CERRADO", "CERRADO", "ABIERTO", "FUERA DE SERVICIO"]
    rows = [{"EQUIPO": f"D{i}", "TIPO": "cutout", "ESTADO": states[i % 4], "geometry": point(i, 0)} for i in range(12)]
    path = export(switches=rows)
    assert len(read(path, **tomllib.loads(draft_settings(inspect_network(path)))).tables.switches) == 12


def test_what_is_built_how_is_asked_for_where_nothing_tells_it(export, read):
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), SUBTYPE=i % 2 + 1) for i in range(9)]
    for record in lines:
        del record["build"]
    path = export(cables=None, PriCond=lines)
    assert '# build = ""  # UNSURE: nothing like it was found' in draft_settings(inspect_network(path))
    answers = {"is build": "SUBTYPE", "does '1' mean": "oh", "does '2' mean": "ug"}

    def ask(question, choices):
        return next((answer for part, answer in answers.items() if part in question), choices[0])

    settled = draft_settings(ask_unsure(inspect_network(path), ask))
    assert list(read(path, **tomllib.loads(settled)).tables.cables["shielded"]) == [i % 2 == 1 for i in range(9)]


def test_a_layer_of_primary_and_secondary_lines_is_one_of_the_network():
    assert told_by("PRI_SEC_LINE").role == "cables"
    assert told_by("SECONDARY_LINE").role == told_by("MV_DUCT").role == NO_ROLE


@pytest.mark.parametrize(
    ("words", "code"), [("D-YG", "delta"), ("YG-YG", "grounded_wye"), ("Dyn1", "delta"), ("Yd5", "floating_wye")]
)
def test_the_first_of_two_windings_is_the_primary(words, code):
    assert known_code(field_specs("transformers")["connection"], words).ours == code


def test_a_table_without_a_drawing_beside_shapefiles_is_read(export, read):
    path = export("shapes", switches=[{"DEV": f"D{i}", "KIND": i % 2 + 1, "geometry": point(i, 0)} for i in range(8)])
    codes = pd.DataFrame({"KIND": [1, 2], "WORDS": ["cutout", "gang switch"]})
    pyogrio.write_dataframe(codes, path / "KIND.dbf", driver="ESRI Shapefile")
    assert not (path / "KIND.shp").exists()
    drafted = tomllib.loads(draft_settings(inspect_network(path)))
    got = read(path, **drafted)
    assert list(got.tables.switches["single_pole"]) == [True, False] * 4
    assert "KIND.dbf" in got.tables.fingerprints


@pytest.mark.parametrize("names", [("A_SHUT", "B_SHUT", "C_SHUT"), ("EstR", "EstS", "EstT"), ("NP1", "NP2", "NP3")])
def test_columns_that_differ_in_the_pole_only_are_its_states(export, read, names):
    rows = [
        {"DEV": f"D{i}", "TYP": "cutout", "geometry": point(i, 0)}
        | dict(zip(names, ("open" if i == 3 else "closed", "closed", "closed"), strict=True))
        for i in range(9)
    ]
    path = export(switches=rows)
    fields = inspect_network(path).guesses["switches"].fields
    assert tuple(fields[f"state_{pole}"].theirs for pole in "abc") == names
    assert "state" not in fields
    got = read(path, **tomllib.loads(draft_settings(inspect_network(path))))
    assert list(got.tables.switches["open_phases"]) == [0, 0, 0, 1, 0, 0, 0, 0, 0]


def test_one_column_tells_low_voltage_and_what_is_under_ground(export, read):
    kinds = ["MV overhead", "MV underground", "LV underground"]
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), KIND=kinds[i % 3]) for i in range(9)]
    for record in lines:
        del record["build"]
    path = export(cables=lines)
    got = read(path, **tomllib.loads(draft_settings(inspect_network(path))))
    assert list(got.tables.cables["cable_id"]) == ["C0", "C1", "C3", "C4", "C6", "C7"]
    assert list(got.tables.cables["shielded"]) == [False, True] * 3


def test_units_whose_ids_differ_in_the_phase_only_are_told(export, read):
    def units(apart):
        return [
            site(f"T{n}{pole}", point(100 * n + apart * i, 0), phases=pole)
            for n in (1, 2)
            for i, pole in enumerate("ABC")
        ]

    finding = read(export(transformers=[*units(1.0), site("T3A", phases="A"), site("T4", phases="B")])).one(
        "banks_by_id"
    )
    assert finding.ids == ("T1A", "T1B", "T1C", "T2A", "T2B", "T2C")
    assert "look like 2 three-phase banks by their ids (T1 ...)" in finding.message
    assert not read(export(name="far", transformers=units(40.0))).findings.of("banks_by_id")


def test_units_alike_on_one_spot_one_a_phase_are_told_whatever_their_ids(export, read):
    units = [site(str(88123 + i), point(100, 0), phases=pole) for i, pole in enumerate("ABC")]
    other = [site(f"X{i}", point(200, 0), phases=pole, kva=25 * (i + 1)) for i, pole in enumerate("ABC")]
    finding = read(export(transformers=[*units, *other])).one("banks_by_place")
    assert finding.ids == ("88123", "88124", "88125")
    assert "1 banks, as it seems (88123 ...)" in finding.message


def test_units_of_a_bank_that_are_far_apart_are_told(export, read):
    def bank(apart):
        return [site(f"U{i}", point(apart * i, 0), phases=pole, bank_id="B") for i, pole in enumerate("ABC")]

    assert "(first B: 4,000 m)" in read(export(transformers=bank(2000.0))).one("bank_apart").message
    assert not read(export(name="near", transformers=bank(5.0))).findings.of("bank_apart")


def test_a_bank_made_of_the_ids_is_a_site(export, read):
    path = export(transformers=[site(f"T1{pole}", phases=pole) for pole in "ABC"])
    made = {"transformers": {"values": {"bank_id": "regexp_replace(site_id, '[ABC]$', '')"}}}
    got = read(path, input=made)
    assert list(got.tables.transformers["site_id"]) == ["T1"]
    assert not got.findings.of("banks_by_id")


def test_codes_of_voltages_without_their_words_are_asked_for(export, read):
    path = export(cables=[cable(f"C{i}", line((i, 0), (i, 50)), kv=i % 2 + 7) for i in range(9)])
    drafted = draft_settings(inspect_network(path))
    assert '"7" = ""  # UNSURE' in drafted
    assert read(path, **tomllib.loads(drafted)).tables.cables["voltage_v"].isna().all()
    asked = {}

    def ask(question, choices):
        asked[question] = choices
        return "12.47" if "'7' mean" in question else "24.94" if "'8' mean" in question else choices[0]

    settled = draft_settings(ask_unsure(inspect_network(path), ask))
    assert set(read(path, **tomllib.loads(settled)).tables.cables["voltage_v"]) == {12470.0, 24940.0}
    assert all("ABC" not in choices for question, choices in asked.items() if "mean" in question)


def test_sites_behind_a_device_that_is_presumed_say_so(tmp_path):
    layers = tables()
    layers["switches"].loc[layers["switches"]["switch_id"] == "G1", "poles"] = "presumed"
    settings = build_settings({"study": {"run": False}})
    sites = run_survey(write_gpkg(tmp_path / "net.gpkg", layers), settings=settings).sites
    behind = sites["gang_switch_id"] == "G1"
    assert behind.any()
    assert not behind.all()
    assert (sites["notes"].str.contains("three-pole by its kind alone") == behind).all()
