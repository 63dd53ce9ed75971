"""Drafts of exports that part one value over a column for each pole, and of others that say it in unusual ways."""

from __future__ import annotations

import tomllib

import pytest
from conftest import X0, cable, frame, line, point, site, switch, write_gpkg, write_shapes

from survey.errors import SurveyError
from survey.read.draft import UNSURE, draft_settings
from survey.read.inspect import inspect_network


def drafted(path):
    return draft_settings(inspect_network(path))


def flags(phases, yes, no):
    return {f"FASE_{letter}": yes if pole in phases else no for pole, letter in zip("ABC", "RST", strict=True)}


@pytest.mark.parametrize(("yes", "no"), [(True, False), (1, 0), ("S", "N"), ("X", None)])
def test_a_flag_for_each_phase(export, read, yes, no):
    rows = ["ABC", "B", "AC", "C", "A"]
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), **flags(p, yes, no)) for i, p in enumerate(rows)]
    for row in lines:
        del row["phases"]
    got = read(path := export(cables=lines), **tomllib.loads(drafted(path)))
    assert got.tables.cables["phases"].tolist() == [7, 2, 5, 4, 1]


def test_a_rating_for_each_phase(export, read):
    units = {"B1": (50, 50, 25), "B2": (0, 25, 0), "B3": (75, 75, 75)}
    rows = [
        {"BANK": name, "KVA_A": a, "KVA_B": b, "KVA_C": c, "PRI_KV": 12.47, "geometry": point(10 * i, 0)}
        for i, (name, (a, b, c)) in enumerate(units.items())
    ]
    got = read(path := export(transformers=rows), **tomllib.loads(drafted(path)))
    assert got.tables.transformers["site_id"].tolist() == ["B1", "B3"]
    assert got.tables.transformers["rating_va"].tolist() == [125e3, 225e3]


def test_phases_by_their_numbers(export, read):
    rows = ["1,2,3", "2", "1,3", "3"]
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), phases=p) for i, p in enumerate(rows)]
    got = read(path := export(cables=lines), **tomllib.loads(drafted(path)))
    assert got.tables.cables["phases"].tolist() == [7, 2, 5, 4]


def test_units_tied_by_a_column_that_other_sites_leave_empty(export, read):
    rows = [site(f"U{i}", point(0, i), phases="ABC"[i], TIE="77") for i in range(3)]
    rows += [site(f"S{i}", point(50, i), phases=p, TIE=None) for i, p in enumerate(["ABC", "B"])]
    got = read(path := export(transformers=rows), **tomllib.loads(drafted(path)))
    assert got.tables.transformers["site_id"].tolist() == ["77", "S0"]


def test_a_second_layer_of_devices_is_known_by_its_values(export):
    more = [
        {"NR": f"E{i}", "WHAT": ["load-break elbow", "3-pole vault switch"][i % 2], "geometry": point(i, 9)}
        for i in range(6)
    ]
    found = inspect_network(export(switches=[switch(f"S{i}", point(i, 0)) for i in range(6)], inside_items=more))
    first, second = found.guesses["switches"].parts
    assert (first.theirs, second.theirs, second.sure) == ("switches", "inside_items", False)
    assert second.fields["poles"].theirs == "WHAT"


def test_lengths_with_units_are_lengths_and_no_conductors(export, read):
    lines = [cable(f"C{i}", line((0, i), (100, i)), length_m=f"{328.08 + i:.2f} ft") for i in range(6)]
    rows = frame(lines).drop(columns=["cable_type"]).rename(columns={"length_m": "Len"})
    path = export(cables=rows)
    text = drafted(path)
    assert 'length_m = "text"' in text
    assert "cable_type = " not in text.replace('# cable_type = ""', "")
    assert read(path, **tomllib.loads(text)).tables.cables["length_m"][0] == pytest.approx(100.0, rel=1e-4)


def test_sizes_without_a_unit_are_doubted_where_no_other_tells_it(export):
    alone, among = (
        drafted(
            export(name=name, cables=[cable(f"C{i}", line((i, 0), (i, 50)), cable_type=t) for i, t in enumerate(types)])
        )
        for name, types in (("alone", ["400 AL XLPE", "500 AL XLPE"]), ("among", ["400 AL XLPE", "95 AL XLPE"]))
    )
    (first, _) = [line for line in alone.splitlines() if "kcmil" in line]
    assert first.startswith('# "^400\\\\ AL\\\\ XLPE$" = "400mm2 AL XLPE"')
    assert UNSURE in first
    assert "kcmil" not in among
    taught = tomllib.loads(alone.replace('# "^4', '"^4'))["input"]["cable_type_patterns"]
    assert list(taught.values()) == ["400mm2 AL XLPE"]


@pytest.mark.parametrize("code_page", ["ANSI 1252", "UTF-8", None])
def test_field_names_with_accents_in_a_code_page_that_is_not_stated(tmp_path, read, code_page):
    layers = {
        "cables": [cable("C1", line((0, 0), (100, 0)), feeder="Peña")],
        "transformers": [site("T1")],
        "switches": [switch("S1")],
        "sources": [{"source_id": "X1", "feeder": "Peña", "geometry": point(0, 0)}],
    }
    tables = {name: frame(rows) for name, rows in layers.items()}
    tables["cables"] = tables["cables"].rename(columns={"length_m": "Extensión"})
    tables["cables"].to_file((folder := write_shapes(tmp_path / "x", tables)) / "cables.shp", encoding="cp1252")
    (folder / "cables.cpg").unlink(missing_ok=True)
    if code_page:
        (folder / "cables.cpg").write_text(code_page)
    got = read(folder, input={"cables": {"fields": {"length_m": "Extensión"}}})
    assert got.rules() == [("warning", "text_encoding", "cables", ("C1",))]
    assert got.tables.cables["feeder"].tolist() == ["Peña"]
    assert got.tables.cables["length_m"].tolist() == [100.0]


@pytest.mark.parametrize(("column", "whole", "part"), [("CLOSED_MASK", 7, 3), ("OPEN_PHASES", 0, 4)])
def test_a_mask_of_closed_or_of_open_poles(export, read, column, whole, part):
    rows = [switch(f"S{i}", point(i, 0), **{column: part if i == 4 else whole}) for i in range(6)]
    rows[5][column] = 7 - whole
    switches = frame(rows).drop(columns=["state"])
    got = read(path := export(switches=switches), **tomllib.loads(drafted(path)))
    assert got.tables.switches["open_phases"].tolist() == [0, 0, 0, 0, 1, 7]


def test_a_nameplate_tells_voltage_and_connection(export, read):
    rows = frame([site(f"T{i}", point(i, 0), TEXT="12470GRDY/7200") for i in range(6)])
    path = export(transformers=rows.drop(columns=["kv", "connection"]))
    got = read(path, **tomllib.loads(drafted(path)))
    assert set(got.tables.transformers["connection"]) == {"grounded_wye"}
    assert set(got.tables.transformers["voltage_v"]) == {12470.0}


def test_fields_are_judged_by_the_rows_that_stay(export):
    kinds = {"UG primary": 4, "OH primary": 4, "Secondary": 4}
    rows = [cable(f"C{i}", line((i, 0), (i, 50)), KIND=kind) for i, kind in enumerate([*kinds] * 4)]
    text = drafted(export(cables=frame(rows).drop(columns=["build"])))
    assert '"OH primary" = "oh"\n' in text
    assert '\nbuild = "KIND"' in text
    assert text.count("'Secondary'") == 1


def test_units_have_the_id_by_which_they_name_their_station(tmp_path):
    stations = [{"NR": f"ST{i}", "NAME": f"Mill {i}", "geometry": point(i, 0)} for i in range(5)]
    units = [
        {"UNIT": f"U{i}", "AT_NR": f"ST{i % 5}", "PHASE": "ABC", "KVA": 100.0, "PRIMARY_KV": 12.47, "CONNECTION": "D"}
        for i in range(9)
    ]
    layers = {
        "cables": frame([cable("C1")]),
        "switches": frame([switch("S1")]),
        "transformer_station": frame(stations),
        "TRANSFORMER_UNITS": frame(units),
    }
    text = drafted(write_gpkg(tmp_path / "x.gpkg", layers))
    assert 'site_id = "AT_NR"' in text


def test_devices_drawn_as_lines_are_conductors_too_and_stand_where_they_begin(export, read):
    cables = [cable("C1", line((0, 0), (99, 0))), cable("C2", line((100, 0), (200, 0)))]
    path = export(cables=cables, switches=[switch("S1", line((99, 0), (100, 0)))])
    with pytest.raises(SurveyError, match=r"something else than points.*name their layer in input.cables.parts, too"):
        read(path)
    got = read(path, **tomllib.loads(drafted(path)))
    assert got.tables.cables["cable_id"].tolist() == ["C1", "C2", "S1"]
    assert got.tables.cables["shielded"].tolist() == [True, True, False]
    (device,) = got.tables.switches.itertuples()
    assert (device.guards, device.x) == ("S1", pytest.approx(X0 + 99))


def test_one_layer_of_lines_and_points_is_parted_by_kind(tmp_path, read):
    rows = [
        {"NO": f"L{i}", "KIND": k, "geometry": line((i, 0), (i, 50))} for i, k in enumerate(["UG cable", "OH line"] * 3)
    ]
    rows += [{"NO": f"S{i}", "KIND": "LV service", "geometry": line((i, 0), (i, -9))} for i in range(4)]
    rows += [{"NO": f"D{i}", "KIND": "Load-break elbow", "geometry": point(i, 0)} for i in range(3)]
    rows += [
        {"NO": f"T{i}", "KIND": "Transformer", "KVA": 75.0, "KV": 12.47, "geometry": point(i, 50)} for i in range(3)
    ]
    path = write_gpkg(tmp_path / "x.gpkg", {"assets": frame(rows)})
    got = read(path, **tomllib.loads(drafted(path)))
    assert [got.tables.counts[name]["in"] for name in ("cables", "transformers", "switches")] == [6, 3, 3]
    assert got.tables.cables["shielded"].tolist() == [True, False] * 3


def test_numbers_that_are_the_drawn_lengths_are_lengths_whatever_their_name(export):
    rows = [cable(f"C{i}", line((i, 0), (i, 50 + 9 * i)), ZZ=(50 + 9 * i) / 1000, YY=0.05) for i in range(8)]
    text = drafted(export(cables=frame(rows).drop(columns=["length_m"])))
    assert 'length_m = "ZZ"' in text
    assert 'length_m = "km"' in text


def test_phases_by_how_many_they_are(export, read):
    rows = [site(f"T{i}", point(i, 0), NB_PH=n) for i, n in enumerate([3, 1, 3, 2])]
    path = export(transformers=frame(rows).drop(columns=["phases"]))
    got = read(path, **tomllib.loads(drafted(path)))
    assert got.tables.transformers["site_id"].tolist() == ["T0", "T2"]


def test_parts_of_a_cable_text_under_names_that_are_cut_short(export):
    rows = [
        cable(
            f"C{i}",
            line((i, 0), (i, 50)),
            CALIB="4/0",
            MATER="AL",
            AISLAM="XLPE" if i % 2 else "DESNUDO",
            CLASE="AS"[i % 2],
        )
        for i in range(8)
    ]
    text = drafted(export(cables=frame(rows).drop(columns=["cable_type", "build"])))
    assert 'cable_type = ["CALIB", "MATER", "AISLAM"]' in text
    assert '\nbuild = "CLASE"' in text


def test_a_voltage_is_known_by_its_unit_but_for_that_of_the_insulation(export):
    rows = [cable(f"C{i}", line((i, 0), (i, 50)), INSUL_KV=15.0) for i in range(6)]
    sites = [site(f"T{i}", point(i, 50), OF_HI_KV=12.47) for i in range(6)]
    tables = {"cables": frame(rows), "transformers": frame(sites)}
    text = drafted(export(**{name: table.drop(columns=["kv"]) for name, table in tables.items()}))
    assert '\nkv = "OF_HI_KV"' in text
    assert 'kv = "INSUL_KV"' not in text


def test_bare_conductors_are_overhead_where_nothing_else_tells_it(export, read):
    rows = [cable(f"C{i}", line((i, 0), (i, 50)), cable_type=["1/0 AL XLPE", "1/0 ACSR"][i % 2]) for i in range(6)]
    got = read(path := export(cables=frame(rows).drop(columns=["build"])), **tomllib.loads(drafted(path)))
    assert got.tables.cables["shielded"].tolist() == [True, False] * 3


def test_a_head_of_a_feeder_may_have_its_name_alone(export):
    heads = [{"NOM_DEPART": f"F{i}", "geometry": point(i, 0)} for i in range(2)]
    lines = [cable(f"C{i}", line((i, 0), (i, 50)), feeder=f"F{i % 2}") for i in range(6)]
    found = inspect_network(export(cables=lines, sources=None, tete_depart=heads)).guesses["sources"]
    assert (found.fields["source_id"].theirs, found.fields["feeder"].theirs) == ("NOM_DEPART", "NOM_DEPART")
