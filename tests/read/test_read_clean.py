"""A clean export reads the same from every format, without a finding, and into SI."""

import numpy as np
import pytest
from conftest import cable, line, point, site, switch


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_clean_export_of_every_format(export, read, kind):
    got = read(export(kind))
    assert got.rules() == []
    tables = got.tables
    row = tables.cables.iloc[0]
    assert (row.cable_id, row.feeder, row.phases, row.shielded, row.cable_type) == ("C1", "F1", 7, True, "K1")
    assert row.voltage_v == pytest.approx(12470)
    assert (row.length_m, row.from_node, row.to_node, row.row) == (100.0, "", "", 0)
    assert row.drawn_m == pytest.approx(100.0, rel=1e-9)
    assert np.isnan(row.cap_f_m)
    sites = tables.transformers.iloc[0].to_dict()
    place = {name: sites.pop(name) for name in ("x", "y", "lon", "lat")}
    assert sites == {
        "site_id": "T1",
        "feeder": "F1",
        "district": "North",
        "rating_va": 150_000.0,
        "voltage_v": 12_470.0,
        "connection": "delta",
        "core": "five_legged",
        "no_load_loss_w": 300.0,
        "exciting_pu": 0.005,
        "min_load_w": 0.0,
        "minload_3p": "",
        "arrester": "yes",
        "customers": 3.0,
        "critical": False,
        "node": "",
        "row": 0,
        "units": 1,
        "usable": True,
    }
    # The central meridian of UTM zone 14 is 99 degrees west, at 500 km easting.
    assert place["x"] == 500_100.0
    assert place["y"] == 4_000_000.0
    assert place["lon"] == pytest.approx(-99, abs=0.002)
    assert place["lat"] == pytest.approx(36.14, abs=0.01)
    switches = tables.switches.iloc[0]
    assert (switches.switch_id, switches.single_pole, switches.device, switches.open) == ("S1", True, "cutout", False)
    assert tables.sources["source_id"].tolist() == ["X1"]
    assert tables.output_crs == tables.working_crs
    assert tables.output_crs.to_epsg() == 32614
    assert got.steps == ["cables", "transformers", "switches", "sources", "places"]


def test_rows_come_sorted_by_id_whatever_their_order_in_the_file(export, read):
    lines = [line((0, i), (10, i), (20 + i, i)) for i in range(4)]
    cables = [cable(name, lines[i], length_m=20.0 + i) for i, name in enumerate(("C10", "C9", "B", "C1"))]
    one = read(export(cables=cables)).tables
    other = read(export(name="other", cables=cables[::-1])).tables
    assert one.cables["cable_id"].tolist() == ["B", "C1", "C10", "C9"]
    assert one.cables.drop(columns="row").equals(other.cables.drop(columns="row"))
    assert one.cables["row"].tolist() == [2, 3, 0, 1]
    assert one.lines.owner.tolist() == [0, 1, 2, 3]
    np.testing.assert_array_equal(one.lines.xy, other.lines.xy)
    np.testing.assert_array_equal(one.lines.start, [0, 3, 6, 9, 12])
    np.testing.assert_allclose(one.lines.ground_m, [22, 23, 20, 21])


def test_names_match_without_regard_to_case(export, read):
    cables = [{name.upper() if name != "geometry" else name: v for name, v in cable("C1").items()}]
    got = read(export(cables=None, CABLES=cables))
    assert got.rules() == []
    assert got.tables.cables["cable_id"].tolist() == ["C1"]


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_mapped_names_codes_units_and_defaults(export, read, kind):
    cables = [
        {
            "UID": 7,
            "LEN_FT": 1000.0,
            "PH": "RST",
            "VOLT": 12470,
            "TYP": "U",
            "CAP": 53.4924,
            "geometry": line((0, 0), (304.8, 0)),
        }
    ]
    sites = [{"ID": 1, "MVA": 0.3, "V": 12470, "WDG": "D", "CRIT": "ja", "PL": 0.4, "geometry": point(0, 0)}]
    path = export(kind, cables=None, transformers=None, Leitung=cables, Trafo=sites)
    got = read(
        path,
        input={
            "cables": {
                "layer": "leitung",
                "fields": {
                    "cable_id": "uid",
                    "length_m": "len_ft",
                    "phases": "PH",
                    "kv": "VOLT",
                    "build": "TYP",
                    "cap_nf_km": "CAP",
                },
                "units": {"length_m": "FT", "kv": "v", "cap_nf_km": "nF/kft"},
                "codes": {"phases": {"rst": "ABC"}, "build": {"U": "ug"}},
            },
            "transformers": {
                "layer": "Trafo",
                "fields": {
                    "site_id": "ID",
                    "kva": "MVA",
                    "kv": "V",
                    "connection": "WDG",
                    "critical": "CRIT",
                    "nll_w": "PL",
                },
                "units": {"kva": "MVA", "kv": "V", "nll_w": "kW"},
                "codes": {"connection": {"d": "delta"}, "critical": {"JA": 1}},
                "defaults": {"core": "Five-Legged", "minload_kw": 2, "exc_pct": 1.5},
            },
        },
    )
    row = got.tables.cables.iloc[0]
    assert (row.cable_id, row.phases, row.voltage_v, row.shielded) == ("7", 7, 12470.0, True)
    assert row.length_m == pytest.approx(304.8)
    # 53.4924 nF per 1000 ft is 175.5 nF/km
    assert row.cap_f_m == pytest.approx(175.5e-12, rel=1e-3)
    unit = got.tables.transformers.iloc[0]
    assert (unit.rating_va, unit.voltage_v, unit.connection, unit.core) == (300_000.0, 12470.0, "delta", "five_legged")
    assert (unit.no_load_loss_w, unit.min_load_w, unit.critical) == (400.0, 2000.0, True)
    assert unit.exciting_pu == pytest.approx(0.015)
    assert got.one("default_core").ids == ("1",)
    assert "taken as 2.0 kW" in got.one("default_minload_kw").message


def test_sources_layer_may_be_missing(export, read):
    got = read(export(sources=None))
    assert got.rules() == []
    assert len(got.tables.sources) == 0
    assert got.tables.counts["sources"] == {"in": 0, "used": 0, "unusable": 0}
    assert got.tables.sources.columns.tolist() == ["source_id", "feeder", "node", "x", "y", "lon", "lat", "row"]


def test_empty_layers_do_not_refuse(export, read):
    got = read(export(cables=[], transformers=[], switches=[], sources=[]))
    tables = got.tables
    assert [len(t) for t in (tables.cables, tables.transformers, tables.switches, tables.sources)] == [0, 0, 0, 0]
    assert tables.lines.start.tolist() == [0]
    assert tables.cables["voltage_v"].dtype == np.float64


def test_network_by_node_ids_alone(export, read):
    cables = [cable("C1", None, from_node=1.0, to_node=2.0), cable("C2", None, from_node=2.0, to_node=30.0)]
    got = read(export(cables=cables, transformers=[site("T1", None, node=30)], switches=[switch("S1", None, node=1)]))
    assert got.rules() == []
    assert got.tables.cables["from_node"].tolist() == ["1", "2"]
    assert got.tables.transformers["node"].tolist() == ["30"]
    assert got.tables.lines.owner.tolist() == []
    assert got.tables.counts["cables"] == {"in": 2, "used": 2, "unusable": 0}


def test_fingerprints_name_every_file_that_was_read(export, read):
    import hashlib

    path = export("shapes")
    got = read(path).tables.fingerprints
    assert set(got) == {
        f"{n}{s}"
        for n in ("cables", "transformers", "switches", "sources")
        for s in (".shp", ".shx", ".dbf", ".prj", ".cpg")
    }
    assert got["cables.shp"] == hashlib.sha256((path / "cables.shp").read_bytes()).hexdigest()


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_input_folder_is_left_as_it_was(export, read, kind):
    path = export(kind)
    folder = path.parent if kind == "gpkg" else path
    before = {file.name: (file.stat().st_mtime_ns, file.read_bytes()) for file in folder.iterdir() if file.is_file()}
    read(path)
    assert {f.name: (f.stat().st_mtime_ns, f.read_bytes()) for f in folder.iterdir() if f.is_file()} == before


def test_a_column_that_a_setting_has_taken_is_nothing_else_besides(export, read):
    # bank_id is this utility's name of the site itself; every single-phase unit would be a bank of its own
    units = [site("x", bank_id="B1", phases="A"), site("y", bank_id="B2")]
    done = read(export(transformers=units), input={"transformers": {"fields": {"site_id": "bank_id"}}})
    assert done.tables.transformers["site_id"].tolist() == ["B2"]
    assert not done.findings.of("incomplete_bank")
