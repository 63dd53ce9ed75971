"""Cable types as utilities write them."""

import csv
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from survey.read.cable_text import class_of_wall, parse_cable_text, sizes_are_metric, taught_type

CN = "concentric neutral"


@pytest.mark.parametrize(
    ("text", "size", "material", "insulation", "kv_class", "level", "shield", "conductors"),
    [
        ("1/0 AL 220 XLPE 15KV 1/3CN", "1/0", "AL", "XLPE", 15, 133, CN, None),
        ("3-#2 AL TRXLP", "#2", "AL", "TR-XLPE", None, None, "", 3),
        ("750 CU EPR 25kV 100%", "750", "CU", "EPR", 25, 100, "", None),
        ("NA2XS2Y 1x150 12/20", "150mm2", "AL", "XLPE", 20, None, "wire", 1),
        ("N2XSY 1x240/25 6/10 kV", "240mm2", "CU", "XLPE", 10, None, "wire", 1),
        ("NA2XS(F)2Y 3x1x150RM/25 12/20 kV", "150mm2", "AL", "XLPE", 20, None, "wire", 3),
        ("NAKBA 3x120", "120mm2", "AL", "PILC", None, None, "", 3),
        ("XLPE 185mm2 Al 11kV", "185mm2", "AL", "XLPE", 11, None, "", None),
        ("3x1x240 Al XLPE 18/30 kV", "240mm2", "AL", "XLPE", 30, None, "", 3),
        ("1x150 Al XLPE 8,7/15 kV", "150mm2", "AL", "XLPE", 15, None, "", 1),
        ("500MCM CU PILC 15KV", "500", "CU", "PILC", 15, None, "", None),
        ("4/0 AWG AL EPR 35KV 420 MIL JCN", "4/0", "AL", "EPR", 35, 133, CN, None),
        ("1000 KCMIL AL 15KV XLP 175MIL LC FULL NEUTRAL", "1000", "AL", "XLPE", 15, 100, CN, None),
        ("1/0ALXLP15", "1/0", "AL", "XLPE", 15, None, "", None),
        ("UG-1/0-AL-15KV-TRXLPE-1/3N", "1/0", "AL", "TR-XLPE", 15, None, CN, None),
        ("#1/0 STR AL 175MIL TRXLPE 1/3 CN", "1/0", "AL", "TR-XLPE", 15, 100, CN, None),
        ("1/C 500 KCMIL CU EPR 133% 15 kV", "500", "CU", "EPR", 15, 133, "", 1),
        ("3/C 4/0 CU EPR", "4/0", "CU", "EPR", None, None, "", 3),
        ("(3) 750 AL 35KV", "750", "AL", "", 35, None, "", 3),
        ("EPR-350-CU-15-133", "350", "CU", "EPR", 15, 133, "", None),
        ("2 AL", "#2", "AL", "", None, None, "", None),
        ("350 KCM AL XLP 260", "350", "AL", "XLPE", 25, 100, "", None),
        ("1000 CU XLPE 345 35KV", "1000", "CU", "XLPE", 35, 100, "", None),
        ("12470V 1/0 AL XLPE", "1/0", "AL", "XLPE", 12.47, None, "", None),
        ("350", "350", "", "", None, None, "", None),
    ],
)
def test_parts(text, size, material, insulation, kv_class, level, shield, conductors):
    got = parse_cable_text(text)
    assert got.text == text
    assert (got.conductor_size, got.conductor_material, got.insulation) == (size, material, insulation)
    assert (got.kv_class, got.level_pct, got.shield, got.conductors) == (kv_class, level, shield, conductors)
    assert got.is_cable
    assert got.left == ()


def test_wall_is_kept():
    assert parse_cable_text("1/0 AL 220 XLPE 15KV").wall_mm == pytest.approx(5.588)
    assert parse_cable_text("1x150 Al XLPE 5.5 mm").wall_mm == 5.5


@pytest.mark.parametrize(
    ("wall_mil", "kv_class", "level", "expected"),
    [
        (175, None, None, (15, 100)),
        (220, None, None, (15, 133)),
        (345, None, None, (None, None)),  # 28 kV at 133 % or 35 kV at 100 %
        (345, 28, None, (28, 133)),
        (115, 5, None, (5, 133)),
        (115, None, 100, (8, 100)),
        (175, 25, None, (25, None)),  # no such wall in that class: the class stands
        (None, 15, 100, (15, 100)),
    ],
)
def test_class_and_level_of_a_wall(wall_mil, kv_class, level, expected):
    wall = None if wall_mil is None else wall_mil * 0.0254
    assert class_of_wall(wall, kv_class=kv_class, level_pct=level) == expected


@pytest.mark.parametrize("text", ["336.4 ACSR", "1/0 AAAC", "477 BARE"])
def test_overhead_conductors_are_no_cable(text):
    got = parse_cable_text(text)
    assert got.bare
    assert not got.is_cable


@pytest.mark.parametrize(
    ("text", "left"), [("unknown", ("UNKNOWN",)), ("", ()), ("1/0 AL ZQX", ("ZQX",)), ("9999", ("9999",))]
)
def test_what_is_not_understood_is_told(text, left):
    assert parse_cable_text(text).left == left


def test_every_key_of_the_catalogue_is_understood():
    with files("survey").joinpath("data", "cable_types.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) > 100
    for row in rows:
        got = parse_cable_text(row["key"])
        size = f"{row['size']}mm2" if row["standard"] == "iec" else row["size"]
        assert (got.conductor_size, got.insulation) == (size, row["insulation"])
        assert got.kv_class == float(row["kv_class"])


@settings(deadline=None, max_examples=300)
@given(st.text(alphabet="0123456789/#-xX.%kVALCUXPE TRN()m²", max_size=30) | st.text(max_size=20))
def test_any_text_is_taken(text):
    got = parse_cable_text(text)
    assert got.kv_class is None or got.kv_class > 0


def test_settings_teach_types():
    patterns = {r"^U-?10\b": "1/0 AL XLPE 15kV 100%", r"feeder": "750 CU EPR 15kV"}
    assert taught_type("u10 old", patterns) == "1/0 AL XLPE 15kV 100%"
    assert taught_type("Main FEEDER", patterns) == "750 CU EPR 15kV"
    assert taught_type("else", patterns) == "else"


def test_a_long_remark_is_no_cable_and_takes_no_time():
    found = parse_cable_text("A1 7F 0" * 60_000)
    assert not found.is_cable
    assert len(found.left[0]) == 200


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("95 AL", "95mm2"),
        ("240 Aluminio XLPE", "240mm2"),
        ("3x1x240 AL", "240mm2"),
        ("400 CU PRC 12/20", "400mm2"),
        ("NA2XS2Y 300", "300mm2"),
        ("500 AL XLPE 7.2/12.47", "500"),
        ("400 AL XLPE", "400"),
        ("1/0 AL 220 XLPE", "1/0"),
    ],
)
def test_a_size_without_a_unit_that_can_only_be_square_millimetres_is(text, size):
    assert parse_cable_text(text).conductor_size == size


def test_the_other_texts_of_a_column_tell_whether_sizes_are_metric():
    assert sizes_are_metric(["95 AL", "400 AL"]) is True
    assert sizes_are_metric(["400 AL", "1/0 AL"]) is False
    assert sizes_are_metric(["500 AL 133%"]) is False
    assert sizes_are_metric(["300 AL", "500 AL"]) is None
    assert sizes_are_metric(["95 AL", "350 AL"]) is None
    assert parse_cable_text("400 AL", metric=True).conductor_size == "400mm2"
