"""Inspection of invented utilities with habits of their own: guesses, draft, questions."""

import tomllib

import numpy as np
import pytest
from conftest import cable, frame, line, point, site, switch

from survey.errors import FormatError
from survey.read.draft import draft_settings
from survey.read.guess import aliases, name_likeness, tokens
from survey.read.inspect import NOTHING, ask_unsure, inspect_network
from survey.settings import build_settings
from survey.wrapped import quoted

FEET = 0.3048


def clean(count=30):
    """A network in our own names, of some size."""
    return {
        "cables": [cable(f"C{i}", line((i * 50, 0), (i * 50 + 50, 0)), length_m=50.0 + i % 2) for i in range(count)],
        "transformers": [site(f"T{i}", point(i * 50, 0), customers=i, arrester="yes") for i in range(count)],
        "switches": [switch(f"S{i}", point(i * 50, 0)) for i in range(count)],
    }


def american(count=30):
    """Feet, volts, kcmil, coded everything, nameplate text."""
    conductors = [
        {
            "FACILITYID": f"UG-{i}",
            "CIRCUITID": f"CKT{i % 3}",
            "PHASEDESIG": ["ABC", "A", "BC"][i % 3],
            "OPERVOLT": 12470,
            "SUBTYPE": ["UG", "OH"][i % 2],
            "CONDTYPE": ["1/0 AL 220 XLPE 15KV 1/3CN", "336.4 ACSR"][i % 2],
            "MEASLENGTH": (50 + i % 2) / FEET,
            "INSTALLDT": "1998",
            "geometry": line((i * 50, 0), (i * 50 + 50, 0)),
        }
        for i in range(count)
    ]
    banks = [
        {
            "FACILITYID": f"X{i}",
            "RATEDKVA": [75, 150, 300][i % 3],
            "HIGHSIDEVOLTAGE": ["12470GRDY/7200", "12470D"][i % 2],
            "OPAREA": "East",
            "CUSTCOUNT": i,
            "geometry": point(i * 50, 0),
        }
        for i in range(count)
    ]
    devices = [
        {
            "FACILITYID": f"D{i}",
            "GANGOPERATED": "YN"[i % 2],
            "NORMALLYOPEN": "NNY"[i % 3],
            "DEVICETYPE": ["CUTOUT", "SWITCH"][i % 2],
            "geometry": point(i * 50, 0),
        }
        for i in range(count)
    ]
    return {"cables": None, "transformers": None, "switches": None, "sources": None} | {
        "PrimaryConductor": conductors,
        "Transformer": banks,
        "SwitchingDevice": devices,
    }


def european(count=30):
    """Kilometres, MVA, vector groups, the German habit of naming."""
    lines = [
        {
            "Name": f"Ltg {i}",
            "Typ": "NA2XS2Y 1x150 12/20",
            "Laenge_km": 0.05,
            "vn_kV": 20.0,
            "from_bus": i,
            "to_bus": i + 1,
            "geometry": line((i * 50, 0), (i * 50 + 50, 0)),
        }
        for i in range(count)
    ]
    trafos = [
        {
            "Name": f"ONS {i}",
            "Sn_MVA": 0.4 + 0.23 * (i % 2),
            "vn_hv_kv": 20.0,
            "vector_group": ["Dyn5", "Yzn5"][i % 2],
            "hv_bus": i,
            "geometry": point(i * 50, 0),
        }
        for i in range(count)
    ]
    switches = [
        {
            "Name": f"LTS {i}",
            "Art": "Lasttrennschalter",
            "poles": 3,
            "closed": i % 3 > 0,
            "bus": i,
            "geometry": point(i * 50, 0),
        }
        for i in range(count)
    ]
    return {"cables": None, "transformers": None, "switches": None, "sources": None} | {
        "Leitung": lines,
        "Trafo": trafos,
        "Schalter_switch": switches,
    }


def draft(path):
    return draft_settings(inspect_network(path))


def mapped(settings, layer):
    mapping = getattr(settings.input, layer)
    return mapping.layer, mapping.fields, mapping.units, mapping.codes


def test_our_own_names_are_sure_and_need_nothing(export, read):
    path = export(**clean())
    text = draft(path)
    settings = build_settings(tomllib.loads(text))
    for layer in ("cables", "transformers", "switches", "sources"):
        theirs, fields, units, codes = mapped(settings, layer)
        assert theirs == layer
        assert all(ours == name for ours, name in fields.items())
        assert (units, codes) == ({}, {})
    assert set(settings.input.transformers.fields) >= {"site_id", "kva", "kv", "connection", "core", "nll_w", "exc_pct"}
    assert read(path, **tomllib.loads(text)).rules() == []


@pytest.mark.parametrize("kind", ["gpkg", "parquet"])
def test_an_american_utility(export, read, kind):
    path = export(kind, **american())
    text = draft(path)
    raw = tomllib.loads(text)
    settings = build_settings(raw)
    layer, fields, units, codes = mapped(settings, "cables")
    assert layer == "PrimaryConductor"
    assert fields == {
        "cable_id": "FACILITYID",
        "feeder": "CIRCUITID",
        "phases": "PHASEDESIG",
        "kv": "OPERVOLT",
        "build": "SUBTYPE",
        "cable_type": "CONDTYPE",
        "length_m": "MEASLENGTH",
    }
    assert units == {"kv": "V", "length_m": "ft"}
    layer, fields, units, codes = mapped(settings, "transformers")
    assert layer == "Transformer"
    assert fields["kva"] == "RATEDKVA"
    assert fields["kv"] == "HIGHSIDEVOLTAGE"
    assert units == {"kv": "text"}
    layer, fields, units, codes = mapped(settings, "switches")
    assert layer == "SwitchingDevice"
    assert fields["poles"] == "GANGOPERATED"
    assert codes["poles"] == {"N": "single", "Y": "three"}
    assert codes["state"] == {"N": "closed", "Y": "open"}
    assert '# layer = ""  # UNSURE: no layer fits; may be missing' in text
    assert "# fields of PrimaryConductor that were not matched: INSTALLDT" in text
    got = read(path, **raw)
    np.testing.assert_allclose(
        got.tables.cables["length_m"], [50.0 + int(i[3:]) % 2 for i in got.tables.cables["cable_id"]]
    )
    assert set(got.tables.transformers["connection"]) == {"grounded_wye", "delta"}
    assert {severity for severity, *_ in got.rules()} == {"assumed"}


def test_a_european_utility(export, read):
    path = export(**european())
    raw = tomllib.loads(draft(path))
    settings = build_settings(raw)
    layer, fields, units, _ = mapped(settings, "cables")
    assert layer == "Leitung"
    assert units == {"length_m": "km"}
    assert {
        "cable_id": "Name",
        "length_m": "Laenge_km",
        "kv": "vn_kV",
        "from_node": "from_bus",
        "to_node": "to_bus",
    }.items() <= fields.items()
    layer, fields, units, codes = mapped(settings, "transformers")
    assert layer == "Trafo"
    assert units == {"kva": "MVA"}
    assert codes["connection"] == {"Dyn5": "delta", "Yzn5": "floating_wye"}
    got = read(path, **raw)
    assert got.tables.transformers["rating_va"].tolist()[:2] == [400e3, 630e3]
    assert got.tables.switches["single_pole"].tolist() == [False] * 30


def test_unsure_lines_are_marked_and_needed_ones_in_force(export):
    sites = [{**site(f"T{i}"), "connection": "Y"} for i in range(5)]
    for record in sites:
        record["size_of_it"] = record.pop("kva")
    text = draft(export(transformers=sites))
    assert '# "Y" = "floating_wye"  # UNSURE: usual meaning, not the only one' in text
    assert "kva = " in text
    build_settings(tomllib.loads(text))


def test_what_is_needed_and_not_there_is_said(export):
    sites = [{"site_id": f"T{i}", "kva": 75.0, "geometry": point(i, 0)} for i in range(5)]
    switches = [{"switch_id": f"S{i}", "geometry": point(i, 0)} for i in range(5)]
    text = draft(export(transformers=sites, switches=switches))
    assert '# kv = ""  # UNSURE: nothing like it was found; needed (rated primary line-to-line voltage)' in text
    assert 'poles = "single"  # UNSURE: nothing like it was found; the safe side stands in' in text


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_missing_coordinate_system_is_asked_for(export):
    text = draft(export("parquet", cables=frame([cable("C1")], crs=None)))
    assert '# crs = "EPSG:32614"  # UNSURE: layer cables has no coordinate system (extent 500000, 4e+06' in text


def test_profile_of_layers_and_fields(export):
    cables = [cable("C1", length_m=100.0), cable("C2", build="oh", feeder=None), cable("C3", kv=None)]
    found = inspect_network(export(cables=cables)).layer("cables")
    assert (found.name, found.geometry, found.rows) == ("cables", "lines", 3)
    assert found.crs.to_epsg() == 32614
    assert found.extent == (500_000.0, 4_000_000.0, 500_100.0, 4_000_000.0)
    np.testing.assert_allclose(found.drawn_m, 100.0)
    build, feeder, kv = found.field("build"), found.field("feeder"), found.field("kv")
    assert (build.kind, build.filled, build.distinct) == ("text", 1.0, 2)
    assert build.commonest == (("ug", 2), ("oh", 1))
    assert feeder.filled == pytest.approx(2 / 3)
    assert (kv.kind, kv.numbers.tolist(), kv.numeric) == ("number", [12.47, 12.47], 1.0)


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_empty_layers_can_be_looked_at(export, kind):
    inspection = inspect_network(export(kind, cables=[cable("C1")], switches=frame([])))
    assert inspection.layer("switches").rows == 0
    build_settings(tomllib.loads(draft_settings(inspection)))


def test_progress_and_refusal(export, tmp_path):
    steps = []
    inspect_network(export(), progress=steps.append)
    assert steps == ["cables", "transformers", "switches", "sources"]
    with pytest.raises(FormatError):
        inspect_network(tmp_path / "none.gpkg")


def test_questions_settle_what_is_unsure(export, read):
    networks = clean()
    networks["transformers"] = [{**r, "connection": "Y"} for r in networks["transformers"]]
    networks["switches"] = [{"dev": f"S{i}", "how": "gang", "geometry": point(i, 0)} for i in range(5)]
    path = export(
        cables=networks["cables"],
        transformers=networks["transformers"],
        switches=None,
        sources=None,
        points=networks["switches"],
    )
    asked = []

    def ask(question, choices):
        asked.append(question)
        if "holds the switches" in question:
            return "points"
        if "is switch_id" in question:
            return "dev"
        if "is poles" in question:
            return "how"
        if "'Y'" in question:
            return "grounded_wye"
        return NOTHING if NOTHING in choices else choices[0]

    settled = ask_unsure(inspect_network(path), ask)
    text = draft_settings(settled)
    settings = build_settings(tomllib.loads(text))
    assert settings.input.switches.layer == "points"
    assert settings.input.switches.fields["poles"] == "how"
    assert settings.input.switches.codes["poles"] == {"gang": "three"}
    assert settings.input.transformers.codes["connection"] == {"Y": "grounded_wye"}
    assert any("what does 'Y' mean?" in question for question in asked)
    assert not settings.input.sources.layer
    got = read(path, **tomllib.loads(text))
    assert got.tables.transformers["connection"].tolist() == ["grounded_wye"] * 30


def test_unit_in_doubt_is_asked_for(export):
    records = [
        {
            k: v
            for k, v in cable(f"C{i}", None, cap_nf_km=200.0, from_node=str(i), to_node=str(i + 1)).items()
            if k != "geometry"
        }
        for i in range(9)
    ]
    records = [{("len" if k == "length_m" else k): v for k, v in record.items()} for record in records]
    path = export("parquet", cables=frame(records))
    unit = {}

    def ask(question, choices):
        if "in which unit" in question:
            unit[question.split("field ")[1].split(":")[0]] = choices
            return "ft" if "ft" in choices else choices[0]
        return choices[0]

    settled = ask_unsure(inspect_network(path), ask)
    assert unit["len"][0] == "m"
    assert settled.guesses["cables"].fields["length_m"].values.unit == "ft"
    build_settings(tomllib.loads(draft_settings(settled)))


def test_names_that_would_break_the_draft(export):
    odd = 'a "b" \\ c\nd\x7f#'
    records = [{odd: f"C{i}", "feeder": 'F"\n1', "build": 'u"g\n', "geometry": line((0, i), (9, i))} for i in range(4)]
    text = draft(export("parquet", cables=frame(records)))
    build_settings(tomllib.loads(text))
    assert tomllib.loads(f"x = {quoted(odd)}") == {"x": odd}


def test_words_of_names():
    assert tokens("LenFt") == ["len", "ft"]
    assert tokens("vn_hv_kv") == ["vn", "hv", "kv"]
    assert name_likeness("COND_NO", aliases("cables", "cable_id")) > 0.9
    assert name_likeness("LEN_FT", aliases("cables", "length_m")) > 0.9
    assert name_likeness("colour", aliases("cables", "kv")) < 0.3


def test_enter_never_takes_a_layer_twice(export):
    devices = [{"DEV": f"D{i}", "geometry": point(i, 0)} for i in range(9)]
    heads = [{"BKR": f"B{i}", "geometry": point(i, 9)} for i in range(2)]
    networks = clean()
    path = export(
        cables=networks["cables"],
        transformers=networks["transformers"],
        switches=None,
        sources=None,
        aa_devs=devices,
        bkr=heads,
    )
    offered = {}

    def enter(question, choices):
        offered[question.split(" (")[0]] = choices
        return "aa_devs" if "holds the switches" in question else choices[0]

    settled = ask_unsure(inspect_network(path), enter)
    choices = offered["Which layer holds the sources?"]
    assert choices[:2] == [NOTHING, "bkr"]
    assert set(choices[2:]) == {"aa_devs", "transformers", "cables"}
    assert settled.guesses["switches"].theirs == "aa_devs"
    assert not settled.guesses["sources"].theirs
    assert any("which field is device" in question for question in offered)


def test_values_tell_what_names_do_not(export):
    networks = clean()
    plates = ["12470GY/7200 - 208Y/120", "12470 DELTA - 208Y/120"]
    cables = [{**r, "zz": "1/0 AL 220 XLPE 15KV", "qq": "UG"} for r in networks["cables"]]
    sites = [{**r, "ww": plates[i % 2]} for i, r in enumerate(networks["transformers"])]
    dropped = {"cable_type", "build", "connection"}
    cables = [{k: v for k, v in r.items() if k not in dropped} for r in cables]
    sites = [{k: v for k, v in r.items() if k not in dropped} for r in sites]
    guesses = inspect_network(export(cables=cables, transformers=sites)).guesses
    assert guesses["cables"].fields["cable_type"].theirs == "zz"
    assert guesses["cables"].fields["build"].theirs == "qq"
    assert guesses["transformers"].fields["connection"].theirs == "ww"
    assert guesses["transformers"].fields["connection"].sure


def test_kinds_of_devices_tell_the_switches(export):
    kinds = ["FCO", "ELB", "GOAB", "?"]
    devices = [{"DEV": f"D{i}", "ZZ": kinds[i % 4], "geometry": point(i, 0)} for i in range(9)]
    guess = inspect_network(export(switches=None, sources=None, aa_things=devices)).guesses["switches"]
    assert (guess.theirs, guess.sure) == ("aa_things", False)
    assert guess.evidence == "values of ZZ are kinds of devices"


def test_a_few_points_of_the_cables_feeders_are_proposed_as_sources(export):
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0)), feeder=f"F{i % 3}") for i in range(9)]
    heads = [{"NR": f"H{i}", "CKT": f"F{i}", "geometry": point(i, 0)} for i in range(3)]
    path = export(cables=lines, sources=None, zz_pts=heads)
    guess = inspect_network(path).guesses["sources"]
    assert (guess.theirs, guess.sure) == ("zz_pts", False)
    assert guess.evidence == "3 points, of 3 of the 3 feeders of the cables"
    text = draft(path)
    assert '# layer = "zz_pts"  # UNSURE' in text
    assert "sources" not in tomllib.loads(text)["input"] or not tomllib.loads(text)["input"]["sources"]


def test_the_kind_of_device_tells_the_poles_where_nothing_records_them(export, read):
    kinds = ["FCO", "ELB", "GOAB"]
    devices = [{"DEV": f"D{i}", "ZZ": kinds[i % 3], "geometry": point(i, 0)} for i in range(9)]
    path = export(switches=devices)
    poles = inspect_network(path).guesses["switches"].fields["poles"]
    assert poles.theirs == "ZZ"
    assert poles.evidence.startswith("by the kind of device: ")
    tables = read(path, **tomllib.loads(draft(path))).tables
    assert list(tables.switches["single_pole"]) == [True, True, False] * 3


def test_enter_takes_the_kind_of_device_for_the_poles(export):
    kinds = ["FCO", "RCL", "GOAB"]
    devices = [{"DEV": f"D{i}", "CKT": "F1", "ZZ": kinds[i % 3], "geometry": point(i, 0)} for i in range(9)]
    settled = ask_unsure(inspect_network(export(switches=devices)), lambda _, choices: choices[0])
    fields = settled.guesses["switches"].fields
    assert (fields["poles"].theirs, fields["device"].theirs) == ("ZZ", "ZZ")
    assert {code.theirs: code.ours for code in fields["poles"].values.codes} == {
        "FCO": "single",
        "RCL": "presumed",
        "GOAB": "three",
    }


def test_enter_takes_nothing_where_nothing_is_like_it(export):
    devices = [{"switch_id": f"D{i}", "NOTE": f"n{i}", "geometry": point(i, 0)} for i in range(9)]
    settled = ask_unsure(inspect_network(export(switches=devices)), lambda _, choices: choices[0])
    assert "poles" not in settled.guesses["switches"].fields


def test_values_that_are_ids_of_the_cables_tell_what_a_device_controls(export):
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0))) for i in range(9)]
    devices = [{"switch_id": f"D{i}", "AA": f"X{i}", "WHAT": f"C{i}", "geometry": point(i, 0)} for i in range(9)]
    fields = inspect_network(export(cables=lines, switches=devices)).guesses["switches"].fields
    assert (fields["guards"].theirs, fields["guards"].sure) == ("WHAT", True)
    assert fields["guards"].evidence == "told by its values; 9 of 9 are ids of the cables"


def test_a_field_named_like_it_whose_values_are_no_cables_is_doubted(export):
    lines = [cable(f"C{i}", line((i, 0), (i + 1, 0))) for i in range(9)]
    devices = [{"switch_id": f"D{i}", "guards": f"X{i}", "geometry": point(i, 0)} for i in range(9)]
    guards = inspect_network(export(cables=lines, switches=devices)).guesses["switches"].fields["guards"]
    assert not guards.sure
    assert guards.evidence == "0 of 9 values are ids of the cables"


def test_an_id_may_have_any_name(export, read):
    sites = [{**{k: v for k, v in site(f"T{i}").items() if k != "site_id"}, "QX": f"Q{i}"} for i in range(5)]
    path = export(transformers=sites)
    found = inspect_network(path).guesses["transformers"].fields["site_id"]
    assert (found.theirs, found.sure) == ("QX", False)
    assert list(read(path, **tomllib.loads(draft(path))).tables.transformers["site_id"]) == [f"Q{i}" for i in range(5)]


def test_whole_numbers_with_gaps_may_be_ids(export):
    lines = [cable(str(i), line((i, 0), (i + 1, 0))) for i in range(9)]
    devices = [{"switch_id": f"D{i}", "WHAT": float(i) if i % 2 else None, "geometry": point(i, 0)} for i in range(9)]
    guards = inspect_network(export(cables=lines, switches=devices)).guesses["switches"].fields["guards"]
    assert (guards.theirs, guards.sure) == ("WHAT", False)
