"""Every finding of the records: rule, severity, ids, message, and what the survey went on with."""

import numpy as np
import pytest
from conftest import cable, frame, line, point, site, switch


def test_defaults_are_told_of_with_count_and_ids(export, read):
    cables = [cable("C1"), cable("C2", phases=None, build=None)]
    sites = [site("T1"), site("T2", phases=None, minload_kw=None, critical=None)]
    switches = [switch("S1"), switch("S2", state=None)]
    got = read(export(cables=cables, transformers=sites, switches=switches))
    assert got.rules() == [
        ("assumed", "default_build", "cables", ("C2",)),
        ("assumed", "default_phases", "cables", ("C2",)),
        ("assumed", "default_state", "switches", ("S2",)),
        ("assumed", "default_critical", "transformers", ("T2",)),
        ("assumed", "default_minload_kw", "transformers", ("T2",)),
        ("assumed", "default_phases", "transformers", ("T2",)),
    ]
    assert got.one("default_build").message == (
        "1 of 2 records of cables have no build; taken as ug; record it, or set input.cables.defaults.build"
    )
    assert "taken as 0 kW" in got.one("default_minload_kw").message
    assert got.tables.cables["phases"].tolist() == [7, 7]
    assert got.tables.cables["shielded"].tolist() == [True, True]
    assert got.tables.switches["open"].tolist() == [False, False]
    assert got.tables.transformers["min_load_w"].tolist() == [0.0, 0.0]


def test_a_field_that_is_not_there_takes_its_default_everywhere(export, read):
    records = [{k: v for k, v in cable(f"C{i}").items() if k in ("cable_id", "geometry")} for i in range(3)]
    got = read(export(cables=records))
    assert got.one("default_build").ids == ("C0", "C1", "C2")
    assert np.isnan(got.tables.cables["voltage_v"]).all()
    assert got.tables.cables["feeder"].tolist() == ["", "", ""]


@pytest.mark.parametrize(
    ("field", "bad", "column"),
    [("kva", v, "rating_va") for v in (0.0, -75.0, np.inf)] + [("kv", v, "voltage_v") for v in (0.0, -12.47)],
)
def test_unusable_ratings_make_the_site_unusable(export, read, field, bad, column):
    got = read(export(transformers=[site("T1"), site("T2", **{field: bad})]))
    found = got.one(f"unusable_{field}")
    assert (found.severity, found.ids) == ("error", ("T2",))
    assert f"({bad:g})" in found.message
    assert "expected a number above 0; such a site cannot be assessed" in found.message
    assert np.isnan(got.tables.transformers[column][1])
    assert got.tables.transformers["usable"].tolist() == [True, False]


def test_text_in_a_number_field(export, read):
    records = [site(f"T{i}", kva=v) for i, v in enumerate(("75", " 150.0 ", "n/a", "+1.5e2", "7,5", "nan", "", "0x10"))]
    got = read(export(transformers=records))
    assert got.one("unusable_kva").ids == ("T2", "T5", "T7")
    assert "('0x10', 'n/a', 'nan')" in got.one("unusable_kva").message
    assert got.one("missing_kva").ids == ("T6",)
    np.testing.assert_array_equal(
        got.tables.transformers["rating_va"], [75e3, 150e3, np.nan, 150e3, 7.5e3, np.nan, np.nan, np.nan]
    )


def test_missing_ratings(export, read):
    got = read(export(transformers=[site("T1"), site("T2", kva=None, kv=None)]))
    assert got.rules() == [
        ("error", "missing_kv", "transformers", ("T2",)),
        ("error", "missing_kva", "transformers", ("T2",)),
    ]
    assert got.tables.transformers["usable"].tolist() == [True, False]


@pytest.mark.parametrize(
    ("layer", "field", "then", "accepted"),
    [
        ("cables", "build", "ug", "ug, oh"),
        ("cables", "phases", "ABC", "A, B, C and their combinations"),
        ("transformers", "connection", "missing", "delta, floating_wye, grounded_wye, open_delta, open_wye"),
        ("transformers", "core", "missing", "five_legged, separate, three_legged"),
        ("transformers", "critical", "0", "0, 1"),
        ("switches", "poles", "single", "single, three, presumed"),
        ("switches", "state", "closed", "closed, open"),
    ],
)
def test_unknown_codes_list_the_accepted_ones(export, read, layer, field, then, accepted):
    make = {"cables": cable, "transformers": site, "switches": switch}[layer]
    good = make("A1")[field]
    got = read(export(**{layer: [make("A1", **{field: str(good)}), make("A2", **{field: "zigzag"})]}))
    found = got.one(f"unknown_{field}")
    assert (found.severity, found.layer, found.ids) == ("error", layer, ("A2",))
    assert found.message == (
        f"{field} not known in 1 of 2 records of {layer} ('zigzag'); counted as {then}; accepted: {accepted}; "
        f"map codes in input.{layer}.codes.{field}"
    )
    assert len(got.findings) == 1


def test_what_unknown_codes_count_as(export, read):
    sites = [site("T1", connection="zigzag", core="shell")]
    switches = [switch("S1", poles="two", state="ajar")]
    tables = read(
        export(transformers=sites, switches=switches, cables=[cable("C1", build="aerial", phases="XYZ")])
    ).tables
    assert tables.transformers[["connection", "core"]].iloc[0].tolist() == ["", ""]
    assert tables.switches[["single_pole", "open"]].iloc[0].tolist() == [True, False]
    assert tables.cables[["shielded", "phases"]].iloc[0].tolist() == [True, 7]


def test_codes_without_regard_to_case_spaces_and_hyphens(export, read):
    sites = [
        site("T1", connection="Grounded-Wye", core="FIVE LEGGED"),
        site("T2", connection=" floating  wye", core="Separate"),
        site("T3", phases="c-b-a"),
    ]
    got = read(export(transformers=sites, switches=[switch("S1", poles="THREE", state="Open")]))
    assert got.rules() == []
    assert got.tables.transformers["connection"].tolist() == ["grounded_wye", "floating_wye", "delta"]
    assert got.tables.transformers["core"].tolist() == ["five_legged", "separate", "five_legged"]
    assert got.tables.switches[["single_pole", "open"]].iloc[0].tolist() == [False, True]


def test_missing_poles_are_an_error_and_count_as_single(export, read):
    got = read(export(switches=[switch("S1", poles=None), switch("S2", poles="three")]))
    assert got.rules() == [("error", "missing_poles", "switches", ("S1",))]
    assert got.tables.switches["single_pole"].tolist() == [True, False]


@pytest.mark.parametrize("value", [1, 1.0, "1", "Yes", "true", "T"])
def test_critical_as_it_is_written(export, read, value):
    got = read(export(transformers=[site("T1", critical=value)]))
    assert got.tables.transformers["critical"].tolist() == [True]
    assert got.rules() == []


def test_null_ids_are_made_from_layer_and_row(export, read):
    got = read(export(cables=[cable("C1"), cable(None), cable("  ")]))
    assert got.tables.cables["cable_id"].tolist() == ["C1", "cables-row-2", "cables-row-3"]
    assert got.rules() == [("error", "null_id", "cables", ("cables-row-2", "cables-row-3"))]
    assert got.one("null_id").message.startswith("2 of 3 records of cables have no cable_id; made from layer and row")


def test_equal_ids_get_a_suffix_that_does_not_depend_on_row_order(export, read):
    records = [cable("C1", line((0, i), (10 + i, i)), length_m=None) for i in range(3)] + [cable("C1#2", length_m=None)]
    one = read(export(cables=records))
    other = read(export(name="other", cables=records[::-1]))
    assert one.tables.cables["cable_id"].tolist() == ["C1", "C1#2", "C1#3", "C1#4"]
    assert one.rules() == [("error", "duplicate_id", "cables", ("C1", "C1#3", "C1#4"))]
    assert one.one("duplicate_id").message == (
        "cable_id shared by 3 of 4 records of cables; one of each keeps it, the others were given a suffix; "
        "give each its own"
    )
    assert other.rules() == one.rules()
    np.testing.assert_array_equal(one.tables.lines.xy, other.tables.lines.xy)
    assert one.tables.counts["cables"] == {"in": 4, "used": 4, "unusable": 0}


def test_a_made_id_gives_way_to_a_real_one(export, read):
    got = read(export(cables=[cable(None), cable("cables-row-1")]))
    assert got.tables.cables.set_index("cable_id")["row"].to_dict() == {"cables-row-1": 1, "cables-row-1#2": 0}
    assert got.rules() == [("error", "null_id", "cables", ("cables-row-1#2",))]


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
@pytest.mark.parametrize(
    ("ids", "expected"),
    [
        ([1001, 9], ["1001", "9"]),
        ([1001.0, 2.5], ["1001", "2.5"]),
        (["Ωmega-7", "Kabel ß"], ["Kabel ß", "Ωmega-7"]),
        (["<b>x</b>", "=1+1"], ["<b>x</b>", "=1+1"]),
    ],
)
def test_ids_are_kept_as_they_are(export, read, kind, ids, expected):
    got = read(export(kind, cables=[cable(i) for i in ids]))
    assert got.tables.cables["cable_id"].tolist() == expected


def test_exciting_current_not_above_core_loss_falls_back(export, read):
    # 300 W of 150 kVA is 0.2 %
    records = [site(f"T{i}", exc_pct=v) for i, v in enumerate((0.1, 0.2, 0.21))]
    got = read(export(transformers=records))
    found = got.one("exciting_below_loss")
    assert (found.severity, found.ids) == ("error", ("T0", "T1"))
    assert "exciting current not above core loss at 2 of 3 sites" in found.message
    np.testing.assert_allclose(got.tables.transformers["exciting_pu"], [np.nan, np.nan, 0.0021])


def test_negative_numbers_of_optional_fields(export, read):
    records = [site("T1", nll_w=-1.0, exc_pct=0.0, minload_kw=-5.0, customers=-2.0)]
    got = read(export(transformers=records, cables=[cable("C1", length_m=-5.0, cap_nf_km=-1.0, kv="high")]))
    assert [rule for _, rule, _, _ in got.rules()] == [
        "unusable_cap_nf_km",
        "unusable_kv",
        "unusable_length_m",
        "unusable_customers",
        "unusable_exc_pct",
        "unusable_minload_kw",
        "unusable_nll_w",
    ]
    row = got.tables.transformers.iloc[0]
    assert row["min_load_w"] == 0.0
    assert np.isnan([row["no_load_loss_w"], row["exciting_pu"], row["customers"]]).all()
    assert np.isnan(got.tables.cables.loc[0, ["length_m", "cap_f_m", "voltage_v"]].astype(float)).all()
    assert "the drawn length is used" in got.one("unusable_length_m").message


def test_one_node_id_alone_is_left_aside(export, read):
    got = read(export(cables=[cable("C1", from_node="1", to_node=None), cable("C2", from_node="1", to_node="2")]))
    assert got.rules() == [("warning", "half_nodes", "cables", ("C1",))]
    assert got.tables.cables[["from_node", "to_node"]].to_numpy().tolist() == [["", ""], ["1", "2"]]


def test_a_cable_between_one_node(export, read):
    got = read(export(cables=[cable("C1", from_node="1", to_node="1")]))
    assert got.rules() == [("warning", "same_nodes", "cables", ("C1",))]


def test_recorded_and_drawn_lengths_are_compared(export, read):
    records = [cable("C1", length_m=100.0), cable("C2", length_m=111.0), cable("C3", length_m=250.0)]
    records.append(cable("C4", line((0, 0), (1, 0)), length_m=2.9))
    got = read(export(cables=records))
    assert got.rules() == [("warning", "length_differs", "cables", ("C3",))]
    assert (
        "worst: C3, recorded 250.0 m, drawn 100.0 m; the recorded length is used" in got.one("length_differs").message
    )
    tighter = read(export(name="b", cables=records), network={"length_tolerance": 0.05, "length_tolerance_m": 1.0})
    assert tighter.one("length_differs").ids == ("C2", "C3", "C4")


def slack(ratios):
    """Cables of 100 m as drawn, recorded this many times as long."""
    return [cable(f"C{i:02}", length_m=100.0 * ratio) for i, ratio in enumerate(ratios)]


def test_ordinary_slack_is_told_once_with_its_distribution(export, read):
    got = read(export(cables=slack([1.02, 1.08, 1.12, 1.13, 1.15] * 5 + [1.9])))
    assert [rule for _, rule, _, _ in got.rules()] == ["length_differs", "length_slack"]
    assert got.one("length_differs").ids == ("C25",)
    told = got.one("length_slack")
    assert told.ids == tuple(f"C{i:02}" for i in range(25) if i % 5 in (2, 3, 4))
    assert "recorded over drawn 1.02 to 1.15 in 90 % of all, in the middle 1.12" in told.message
    assert got.tables.cables["length_m"].max() == 190.0


@pytest.mark.parametrize(
    ("ratios", "why"),
    [
        ([1.15] * 19, "too few to say what is usual"),
        ([3.2808] * 30, "feet taken for metres"),
        ([1.3] * 30, "beyond any slack"),
        ([1.0] * 28 + [1.15] * 2, "not usual in this export"),
    ],
)
def test_what_is_not_ordinary_slack_differs(export, read, ratios, why):
    got = read(export(cables=slack(ratios)))
    assert [rule for _, rule, _, _ in got.rules()] == ["length_differs"], why
    assert len(got.one("length_differs").ids) == sum(r != 1.0 for r in ratios)


def test_a_length_of_0_is_not_recorded(export, read):
    got = read(export(cables=[cable("C1", length_m=0.0), cable("C2", length_m="0"), cable("C3", length_m=-1.0)]))
    assert got.rules() == [
        ("error", "unusable_length_m", "cables", ("C3",)),
        ("assumed", "length_not_recorded", "cables", ("C1", "C2")),
    ]
    assert got.tables.cables["length_m"].isna().all()


def units(phases, bank="B1", **fields):
    """Single-phase units of one bank."""
    return [
        site(f"{'U' if bank == 'B1' else bank}{i}", point(100 + i, 0), phases=p, bank_id=bank, **fields)
        for i, p in enumerate(phases)
    ]


def test_units_of_a_bank_make_one_site(export, read):
    records = units("ABC", kva=50.0, core="separate", minload_kw=1.0, customers=2)
    records[1] |= {"exc_pct": 1.0, "kva": 100.0, "critical": 1}
    got = read(export(transformers=[*records, site("T1"), site("T2", phases="A")]))
    assert got.rules() == []
    assert got.tables.transformers["site_id"].tolist() == ["B1", "T1"]
    bank = got.tables.transformers.iloc[0]
    assert (bank["rating_va"], bank["no_load_loss_w"], bank["min_load_w"]) == (200_000.0, 900.0, 3000.0)
    assert bank["exciting_pu"] == pytest.approx((0.5 * 50 + 1.0 * 100 + 0.5 * 50) / 200 / 100)
    assert (bank["customers"], bank["critical"], bank["units"], bank["core"], bank["usable"]) == (
        6,
        True,
        3,
        "separate",
        True,
    )
    assert got.tables.counts["transformers"] == {
        "in": 5,
        "used": 2,
        "joined": 2,
        "not_three_phase": 1,
        "incomplete_bank": 0,
    }


def test_two_units_between_phases_cover_all_three(export, read):
    got = read(export(transformers=units(["AB", "BC"], connection="open_delta")))
    assert got.tables.transformers["site_id"].tolist() == ["B1"]
    assert got.tables.transformers["units"].tolist() == [2]


def test_a_bank_that_does_not_cover_all_phases_is_named(export, read):
    got = read(export(transformers=units("AB")))
    assert got.rules() == [("error", "incomplete_bank", "transformers", ("U0", "U1"))]
    assert "1 (first B1: 2 units cover AB only)" in got.one("incomplete_bank").message
    assert got.tables.counts["transformers"] == {
        "in": 2,
        "used": 0,
        "joined": 0,
        "not_three_phase": 0,
        "incomplete_bank": 2,
    }


def test_many_banks_of_one_fault_are_one_finding(export, read):
    got = read(export(transformers=[*units("AB"), *units("C", bank="B2"), *units("ABC", bank="B3", core=None)]))
    assert got.rules() == [
        ("error", "incomplete_bank", "transformers", ("B20", "U0", "U1")),
        ("assumed", "bank_core", "transformers", ("B30", "B31", "B32")),
    ]
    assert ": 2 (first B1: 2 units cover AB only)" in got.one("incomplete_bank").message


def test_units_that_disagree(export, read):
    records = units("ABC", core="separate")
    records[0] |= {"connection": "grounded_wye", "kv": 7.2}
    records[1] |= {"connection": None}
    got = read(export(transformers=records))
    assert [rule for _, rule, _, _ in got.rules()] == ["bank_connection_differs", "bank_kv_differs"]
    assert "(first B1: delta, grounded_wye)" in got.one("bank_connection_differs").message
    assert "(first B1: 7.2, 12.47)" in got.one("bank_kv_differs").message
    row = got.tables.transformers.iloc[0]
    assert (row["connection"], row["usable"]) == ("", False)


def test_a_unit_without_rating_makes_the_bank_unusable(export, read):
    records = units("ABC")
    records[2] |= {"kva": None}
    got = read(export(transformers=records))
    assert got.one("missing_kva").ids == ("U2",)
    assert got.tables.transformers["usable"].tolist() == [False]
    assert np.isnan(got.tables.transformers["rating_va"]).all()


def test_a_bank_with_the_id_of_a_site(export, read):
    got = read(export(transformers=[site("B1"), *units("ABC")]))
    assert got.tables.transformers["site_id"].tolist() == ["B1", "B1#2"]
    assert got.rules() == [("error", "bank_id_taken", "transformers", ("B1#2",))]


def test_a_plain_table_of_transformers(export, read):
    records = [{k: v for k, v in site("T1", node="7").items() if k != "geometry"}]
    got = read(export(transformers=frame(records), cables=[cable("C1", from_node="6", to_node="7")]))
    assert got.rules() == []
    assert got.tables.transformers["node"].tolist() == ["7"]


def test_text_in_another_encoding_is_read_and_named(export, read):
    path = export("shapes", cables=[cable("C1", feeder="Nord"), cable("C2", feeder="S#d"), cable("C#3")])
    data = (path / "cables.dbf").read_bytes()
    (path / "cables.dbf").write_bytes(data.replace(b"S#d", b"S\xfcd").replace(b"C#3", b"C\xd83"))
    got = read(path)
    assert got.rules() == [
        ("warning", "text_encoding", "cables", ("C2",)),
        ("warning", "text_encoding", "cables", ("CØ3",)),
    ]
    assert got.tables.cables["feeder"].tolist() == ["Nord", "Süd", "F1"]
    assert (
        "feeder is no UTF-8 text in 1 of 3 records of cables; read as Windows-1252" in got.findings.ordered()[0].message
    )


def test_values_that_look_like_another_unit_are_used_and_named(export, read):
    sites = [site("T1", kv=12470.0), site("T2", kv=50.0), site("T3", kva=75_000.0)]
    got = read(export(transformers=sites))
    assert got.rules() == [
        ("warning", "implausible_kv", "transformers", ("T1",)),
        ("warning", "implausible_kva", "transformers", ("T3",)),
    ]
    assert got.one("implausible_kv").message == (
        "kv of 1 of 3 records of transformers is outside 1 to 50 kV, as far as 12470; used as recorded; "
        "check input.transformers.units.kv, then these records"
    )
    assert got.tables.transformers["voltage_v"][0] == pytest.approx(12.47e6)


def test_units_of_a_bank_without_a_core_have_separate_ones(export, read):
    got = read(export(transformers=units("ABC", core=None)))
    assert got.rules() == [("assumed", "bank_core", "transformers", ("U0", "U1", "U2"))]
    assert got.tables.transformers["core"].tolist() == ["separate"]
