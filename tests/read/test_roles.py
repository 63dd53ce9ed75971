"""Roles made of several layers, of some rows, of joined tables, of several columns, or by a query."""

from __future__ import annotations

import pandas as pd
import pytest
from conftest import UTM, WRITERS, cable, frame, line, point, site, switch
from shapely import Polygon

from survey.errors import FieldError, LayerError, SettingsError, SurveyError

KINDS = ["gpkg", "shapes", "parquet"]
UG = [
    {"ASSET": f"U{i}", "SIZE": 350.0, "MAT": code, "LEN_FT": 100.0, "STATUS": status, "geometry": line((i, 0), (i, 30))}
    for i, (code, status) in enumerate([(1, "IS"), (2, "IS"), (1, "ABN")])
]
OH = [{"LINE": f"O{i}", "VOLT": 7, "SPAN_M": 40.0, "geometry": line((i, 30), (i, 70))} for i in range(2)]
DOMAINS = pd.DataFrame(
    {
        "DOMAIN": ["MAT", "MAT", "VOLT", "VOLT"],
        "CODE": ["1", "2", "7", "8"],
        "WORDS": ["AL", "CU", "12.47 kV", "25 kV"],
    }
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_role_of_two_layers_each_with_fields_units_and_defaults_of_its_own(export, read, kind):
    got = read(
        export(kind, cables=None, UG=UG, OH=OH),
        input={
            "cables": {
                "parts": [
                    {
                        "layer": "UG",
                        "fields": {"cable_id": "ASSET", "length_m": "LEN_FT"},
                        "units": {"length_m": "ft"},
                        "defaults": {"kv": 24.9, "build": "ug"},
                    },
                    {
                        "layer": "oh",
                        "fields": {"cable_id": "LINE", "kv": "VOLT", "length_m": "SPAN_M"},
                        "codes": {"kv": {"7": "12.47", "8": "24.9"}},
                        "defaults": {"build": "oh"},
                    },
                ],
                "defaults": {"phases": "ABC"},
            }
        },
    )
    cables = got.tables.cables.set_index("cable_id")
    assert list(cables.index) == ["O0", "O1", "U0", "U1", "U2"]
    assert cables["voltage_v"].tolist() == [12470, 12470, 24900, 24900, 24900]
    assert cables["length_m"].tolist() == pytest.approx([40, 40, 30.48, 30.48, 30.48])
    assert cables["shielded"].tolist() == [False, False, True, True, True]
    assert cables["drawn_m"].tolist() == pytest.approx([40, 40, 30, 30, 30])
    assert {f.ids for f in got.findings.of("layer_default_build")} == {("O0", "O1"), ("U0", "U1", "U2")}
    assert got.one("layer_default_kv").ids == ("U0", "U1", "U2")
    assert sorted(got.tables.fingerprints)


@pytest.mark.parametrize("kind", KINDS)
def test_rows_by_condition_and_text_of_several_columns(export, read, kind):
    got = read(
        export(kind, UG=UG),
        input={
            "cables": {
                "layer": "UG",
                "where": "STATUS = 'IS' and MAT in (1, 2)",
                "fields": {"cable_id": "ASSET", "cable_type": ["SIZE", "MAT"]},
            }
        },
    )
    assert got.tables.cables["cable_id"].tolist() == ["U0", "U1"]
    assert got.tables.cables["cable_type"].tolist() == ["350 1", "350 2"]
    assert got.tables.counts["cables"]["in"] == 2


@pytest.mark.parametrize("kind", KINDS)
def test_columns_of_domain_tables(export, read, kind):
    """The codes are numbers in the layer and text in the table; the same table serves twice."""
    got = read(
        export(kind, OH=[{**row, "MAT": 1.0} for row in OH], DOMAINS=DOMAINS),
        input={
            "cables": {
                "layer": "OH",
                "joins": {
                    "mat": {"table": "DOMAINS", "on": {"MAT": "CODE"}, "where": "DOMAIN = 'MAT'"},
                    "volt": {"table": "domains", "on": {"volt": "CODE"}, "where": "DOMAIN = 'VOLT'"},
                },
                "fields": {"cable_id": "LINE", "cable_type": "mat.WORDS"},
                "values": {"kv": "cast(replace(volt.WORDS, ' kV', '') as double)"},
            }
        },
    )
    assert got.tables.cables["cable_type"].tolist() == ["AL", "AL"]
    assert got.tables.cables["voltage_v"].tolist() == [12470, 12470]


@pytest.mark.parametrize("kind", KINDS)
def test_units_of_a_bank_are_drawn_where_the_bank_is(export, read, kind):
    units = pd.DataFrame(
        {
            "UNIT": ["u1", "u2", "u3", "u4"],
            "BANK": ["b1", "b1", "b1", "b9"],
            "KVA": [25, 25, 50, 10],
            "PH": list("ABCA"),
        }
    )
    banks = [{"ID": "b1", "KV": 12.47, "CONN": "delta", "geometry": point(100, 0)}]
    got = read(
        export(kind, BANKS=banks, UNITS=units),
        input={
            "transformers": {
                "layer": "UNITS",
                "joins": {"bank": {"table": "BANKS", "on": {"BANK": "ID"}}},
                "fields": {"site_id": "UNIT", "bank_id": "bank.ID", "kva": "KVA", "phases": "PH", "kv": "bank.KV"}
                | {"connection": "bank.CONN"},
            }
        },
    )
    (row,) = got.tables.transformers.to_dict("records")
    assert (row["site_id"], row["rating_va"], row["connection"], row["units"]) == ("b1", 100e3, "delta", 3)
    assert (row["x"], row["y"]) == (500_100.0, 4_000_000.0)
    assert got.one("no_joined_row").ids == ("u4",)


@pytest.mark.parametrize("kind", KINDS)
def test_a_query_may_do_anything_with_the_export(export, read, kind):
    query = """
        select 'X' || ASSET as cable_id, case MAT when 1 then 'AL' else 'CU' end as cable_type, geometry,
               lag(ASSET) over (order by ASSET) as before
        from UG where STATUS = 'IS'
    """
    got = read(
        export(kind, UG=UG),
        input={"cables": {"query": query, "defaults": {"kv": 12.47}, "fields": {"feeder": "before"}}},
    )
    assert got.tables.cables["cable_id"].tolist() == ["XU0", "XU1"]
    assert got.tables.cables["cable_type"].tolist() == ["AL", "CU"]
    assert got.tables.cables["feeder"].tolist() == ["", "U0"]
    assert got.tables.cables["drawn_m"].tolist() == pytest.approx([30, 30])


def test_layers_of_a_role_may_be_in_two_coordinate_systems(export, read):
    other = frame([cable("D", line((0, 0), (0, 50)))]).to_crs("EPSG:4326")
    got = read(
        export(cables=[cable("C1", line((0, 0), (100, 0)))], more=other),
        input={"cables": {"parts": [{"layer": "cables"}, {"layer": "more"}]}},
    )
    assert got.tables.cables["drawn_m"].tolist() == pytest.approx([100, 50], abs=1e-3)


@pytest.mark.parametrize(("bits", "letters"), [("ABC", ["A", "AC", "ABC"]), ("CBA", ["C", "AC", "ABC"])])
@pytest.mark.parametrize("kind", KINDS)
def test_phases_as_bits_of_a_mask(export, read, kind, bits, letters):
    path = export(kind, cables=[cable(f"C{i}", phases=mask) for i, mask in enumerate([1, 5, 7, 9, 0])])
    whole = read(path, input={"cables": {"phase_bits": bits}})
    parts = read(path, input={"cables": {"parts": [{"layer": "cables", "phase_bits": bits}]}})
    masks = {"A": 1, "C": 4, "AC": 5, "ABC": 7}
    for got in (whole, parts):
        assert got.tables.cables["phases"].tolist() == [*(masks[text] for text in letters), 7, 7]
        assert got.one("unknown_phases").ids == ("C3", "C4")
        assert "'mask 9'" in got.one("unknown_phases").message


def test_numbers_by_code_and_a_code_without_a_meaning(export, read):
    path = export(cables=[cable(f"C{i}", kv=code) for i, code in enumerate([7, 8, 9])])
    codes = {"codes": {"kv": {"7": 12.47, "8": "24.9"}}}
    whole = read(path, input={"cables": codes})
    parts = read(path, input={"cables": {"parts": [{"layer": "cables", **codes}]}})
    for got, rule in ((whole, "unknown_kv"), (parts, "unusable_kv")):
        assert got.tables.cables["voltage_v"].tolist()[:2] == [12470, 24900]
        assert got.tables.cables["voltage_v"].isna().tolist() == [False, False, True]
        assert got.one(rule).ids == ("C2",)


def test_codes_that_are_words_leave_numbers_as_they_are(export, read):
    got = read(
        export(cables=[cable("C1", kv="12.47"), cable("C2", kv="high")]),
        input={"cables": {"codes": {"kv": {"HIGH": "24.9"}}}},
    )
    assert got.tables.cables["voltage_v"].tolist() == [12470, 24900]


@pytest.mark.parametrize("kind", KINDS)
def test_a_state_on_each_pole(export, read, kind):
    rows = [
        switch("closed", state_a="C", state_b="C", state_c="C"),
        switch("open", state_a="O", state_b="O", state_c="O"),
        switch("partly", state_a="O", state_b="C", state_c="C"),
        switch("one pole", state_a="O"),
        switch("gang", poles="three", state_a="O", state_b="C", state_c="C"),
        switch("whole", state="open"),
    ]
    for row in rows[:5]:
        del row["state"]
    codes = {field: {"O": "open", "C": "closed"} for field in ("state_a", "state_b", "state_c")}
    got = read(export(kind, switches=rows), input={"switches": {"codes": codes}})
    switches = got.tables.switches.set_index("switch_id")
    masks = {"closed": 0, "open": 7, "partly": 1, "one pole": 7, "gang": 0, "whole": 7}
    assert switches["open_phases"].to_dict() == masks
    assert switches["open"].to_dict() == {name: mask == 7 for name, mask in masks.items()}
    assert got.one("poles_differ").ids == ("gang",)
    assert got.one("open_on_some_poles").ids == ("partly",)
    assert not got.findings.of("default_state")


def test_a_state_that_its_poles_deny_is_told(export, read):
    closed = {f"state_{pole}": "closed" for pole in "abc"}
    got = read(export(switches=[switch("S1", state="open", **closed), switch("S2", state="closed", **closed)]))
    assert got.one("state_differs").ids == ("S1",)
    assert got.tables.switches["open"].tolist() == [False, False]


REFUSED = {
    "where on a column that is not there": (
        {"layer": "UG", "where": "STATE = 'IS'"},
        r'"STATE" not found.*columns there: UG \(.*STATUS',
    ),
    "where that keeps nothing": (
        {"layer": "UG", "where": "STATUS = 'X'"},
        r"cables: keeps none of the rows \(3 of UG\)",
    ),
    "field of a table that is not joined": (
        {"layer": "UG", "fields": {"kv": "volt.KV"}, "where": "true"},
        "field 'volt.KV' is missing",
    ),
    "table that is not there": (
        {"layer": "UG", "joins": {"X": {"on": {"MAT": "CODE"}}}},
        "layer 'X' is missing.*input.cables.joins.X",
    ),
    "column to join that is not there": (
        {"layer": "UG", "joins": {"DOMAINS": {"on": {"MAT": "KEY"}}}},
        "field 'KEY' is missing",
    ),
    "join that multiplies": (
        {"layer": "UG", "joins": {"TWICE": {"on": {"MAT": "CODE"}}}},
        "TWICE gives UG 2 rows more",
    ),
    "join that finds nothing": (
        {"layer": "UG", "joins": {"DOMAINS": {"on": {"ASSET": "CODE"}}}},
        "none of 3 rows has one in DOMAINS",
    ),
    "query that is no query": ({"query": "UG drop"}, "syntax error"),
    "query that makes a table": ({"query": "create table t as select * from UG"}, "expected one query that selects"),
    "two queries": ({"query": "select * from UG; select * from UG"}, "expected one query that selects"),
    "query without a layer": ({"query": "select 1 as cable_id"}, "names no layer of the export; layers there: .*'UG'"),
    "query on a column that is not there": (
        {"query": "select NOPE from UG"},
        r"NOPE.*columns there: UG \(ASSET, .*geometry",
    ),
    "query that drops all": ({"query": "select * from UG where false"}, "keeps none of the rows"),
    "query that repeats ids": (
        {"query": "select ASSET as cable_id, UG.geometry from UG, TWICE"},
        "6 of 9 rows have the cable_id of another .*a join in it multiplies rows",
    ),
    "query without geometry": ({"query": "select ASSET as cable_id from UG"}, "all 3 rows have no geometry"),
    "query with text as geometry": (
        {"query": "select ASSET as cable_id, 'x' as geometry from UG"},
        "holds string|holds large_string",
    ),
    "query that reads a file": ({"query": "select * from UG, read_csv('/etc/passwd')"}, "only the export can be read"),
    "query that writes a file": ({"query": "copy UG to '/tmp/out.csv'"}, "expected one query that selects"),
    "condition that reads a file": (
        {"layer": "UG", "where": "ASSET in (select content from read_text('/etc/passwd'))"},
        "only the export can be read",
    ),
}


@pytest.fixture(scope="module", params=KINDS)
def parts(request, tmp_path_factory):
    """An export of each format with a layer, its domain table and a table in which a code comes twice."""
    layers = {
        "UG": UG,
        "DOMAINS": DOMAINS,
        "TWICE": pd.DataFrame({"CODE": [1, 1, 2]}),
        "transformers": frame([site("T1")]),
        "switches": frame([switch("S1")]),
    }
    path = tmp_path_factory.mktemp("parts") / ("net.gpkg" if request.param == "gpkg" else "net")
    return WRITERS[request.param](
        path, {n: frame(rows) if isinstance(rows, list) else rows for n, rows in layers.items()}
    )


@pytest.mark.parametrize("said", REFUSED)
def test_refusals_of_roles(parts, read, said):
    mapping, words = REFUSED[said]
    with pytest.raises(SurveyError, match=words) as caught:
        read(parts, input={"cables": mapping})
    assert isinstance(caught.value, (FieldError, LayerError, SettingsError))
    assert "\n" not in str(caught.value)


def test_an_environment_is_not_seen_by_a_query(export, read):
    cables = [cable("C1")]  # noqa: F841 - a Python variable that a query must not find
    hidden = frame(UG)  # noqa: F841
    with pytest.raises(SettingsError, match="hidden"):
        read(export(UG=UG), input={"cables": {"query": "select * from UG, hidden"}})


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("role", "rows", "words"),
    [
        ("cables", [cable("C1", point(0, 0))], "all 1 rows are drawn as something else than lines"),
        ("transformers", [site("T1", Polygon([(0, 0), (1, 0), (1, 1)]))], "something else than points"),
        ("switches", pd.DataFrame([switch("S1")]).drop(columns="geometry"), "all 1 rows have no geometry"),
    ],
)
def test_a_layer_that_is_drawn_as_something_else_is_refused(export, read, kind, role, rows, words):
    with pytest.raises(LayerError, match=words):
        read(export(kind, **{role: rows}))


def test_a_query_stands_alone(read, export):
    with pytest.raises(SettingsError, match="query stands alone"):
        read(export(), input={"cables": {"query": "select * from cables", "where": "true"}})
    with pytest.raises(SettingsError, match="every part names its layer"):
        read(export(), input={"cables": {"parts": [{"where": "true"}]}})
    with pytest.raises(SettingsError, match=r"input\.cables\.parts\[2\]\.units\.kv"):
        read(export(), input={"cables": {"parts": [{"layer": "a"}, {"layer": "b", "units": {"kv": "ft"}}]}})


def test_the_same_bytes_whatever_the_way(export, read):
    """A plain layer and the same through the engine give the same tables."""
    path = export(cables=[cable(f"C{i}", line((i, 0), (i, 9)), length_m=9.5) for i in range(9)])
    plain = read(path).tables
    made = read(path, input={"cables": {"parts": [{"layer": "cables"}]}, "switches": {"where": "true"}}).tables
    for layer in ("cables", "transformers", "switches", "sources"):
        pd.testing.assert_frame_equal(getattr(made, layer), getattr(plain, layer))
    assert made.lines.xy.tobytes() == plain.lines.xy.tobytes()
    assert made.output_crs == plain.output_crs == UTM
