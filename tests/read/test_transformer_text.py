"""Ratings as nameplates write them."""

import pytest
from conftest import site
from hypothesis import given
from hypothesis import strategies as st

from survey.read.transformer_text import parse_kva_text, parse_voltage_text


@pytest.mark.parametrize(
    ("text", "kv", "connection"),
    [
        ("12470GRDY/7200", 12.47, "grounded_wye"),
        ("12470GrdY/7200 x 480Y/277", 12.47, "grounded_wye"),
        ("12,470 GRD-Y / 7,200", 12.47, "grounded_wye"),
        ("12470 GY", 12.47, "grounded_wye"),
        ("13.2GRDY/7.62", 13.2, ""),
        ("13.2 kV GrdY / 7.62 kV", 13.2, ""),
        ("13.2 GRDY", 13.2, "grounded_wye"),
        ("12.47 D - 208Y/120", 12.47, "delta"),
        ("12470 DELTA - 208GRDY/120", 12.47, "delta"),
        ("HV: 12470D", 12.47, "delta"),
        ("13.8KV D", 13.8, "delta"),
        ("20/0.4 kV Dyn5", 20.0, "delta"),
        ("11000/433 Dyn11", 11.0, "delta"),
        ("20,0 kV YNd5", 20.0, "grounded_wye"),
        ("YNyn0 20 kV", 20.0, "grounded_wye"),
        ("20 kV Yzn5", 20.0, ""),
        ("12470Y/7200", 12.47, ""),
        ("12.47/7.2 kV", 12.47, ""),
        ("7200/12470Y", 12.47, ""),
        ("7200 - 120/240", 7.2, ""),
        ("13200-480Y/277", 13.2, ""),
        ("7200V", 7.2, ""),
        ("abc", None, ""),
        ("", None, ""),
    ],
)
def test_voltages(text, kv, connection):
    got = parse_voltage_text(text)
    assert got.kv == (None if kv is None else pytest.approx(kv))
    assert got.connection == connection
    assert bool(got.note) == (kv is not None and not connection)


@pytest.mark.parametrize(
    ("text", "kva", "units"),
    [
        ("75", 75, 1),
        ("112.5kVA 3PH", 112.5, 1),
        ("1,500", 1500, 1),
        ("1.5 MVA", 1500, 1),
        ("3-25", 75, 3),
        ("3x16,5 kVA", 49.5, 3),
        ("3@25 KVA", 75, 3),
        ("25/25/50", 100, 3),
        ("abc", None, 1),
    ],
)
def test_ratings(text, kva, units):
    got = parse_kva_text(text)
    assert (got.kva, got.units) == (None if kva is None else pytest.approx(kva), units)


@given(st.text(max_size=25) | st.text(alphabet="0123456789.,/-DYGRNKVA ", max_size=25))
def test_any_text_is_taken(text):
    voltage, rating = parse_voltage_text(text), parse_kva_text(text)
    assert voltage.kv is None or voltage.kv >= 0
    assert rating.kva is None or rating.kva >= 0


def test_the_name_of_a_system_tells_no_winding(export, read):
    sites = [
        site("T1", kv="13.2GRDY/7.62", connection=None),
        site("T2", kv="13.2GRDY/7.62"),
        site("T3", kv="12470Y/7200", connection=None),
        site("T4", kv="12470D", connection=None),
    ]
    got = read(export(transformers=sites), input={"transformers": {"units": {"kv": "text"}}})
    assert got.tables.transformers["connection"].tolist() == ["", "delta", "", "delta"]
    assert got.one("connection_from_text").ids == ("T4",)
    found = got.one("connection_not_in_text")
    assert found.ids == ("T1", "T3")
    assert "('12470Y/7200', '13.2GRDY/7.62')" in found.message


def test_text_is_read_where_the_settings_say_so(export, read):
    sites = [
        site("T1", kv="12470GRDY/7200", kva="3-25", connection=None),
        site("T2", kv="12470D", kva="75", connection="floating_wye"),
        site("T3", kv="?", kva="none"),
    ]
    got = read(export(transformers=sites), input={"transformers": {"units": {"kv": "text", "kva": "text"}}})
    table = got.tables.transformers
    assert table["voltage_v"][:2].tolist() == [12470.0, 12470.0]
    assert table["rating_va"][:2].tolist() == [75e3, 75e3]
    assert table["connection"].tolist() == ["grounded_wye", "floating_wye", "delta"]
    assert got.rules() == [
        ("error", "unusable_kv", "transformers", ("T3",)),
        ("error", "unusable_kva", "transformers", ("T3",)),
        ("assumed", "connection_from_text", "transformers", ("T1",)),
    ]
    plain = read(export(name="plain", transformers=sites))
    assert plain.one("unusable_kv").ids == ("T1", "T2", "T3")
