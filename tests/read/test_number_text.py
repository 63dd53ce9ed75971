"""Numbers with commas and units, as people write them, are read where the column tells what a comma is."""

from __future__ import annotations

import pytest
from conftest import cable, line, site

from survey.read.number_text import lengths_m, plain_numbers


@pytest.mark.parametrize(
    ("texts", "plain"),
    [
        (["37,5", "1.250,25", "50"], ["37.5", "1250.25", "50"]),
        (["1,250.5", "1,000", "37"], ["1250.5", "1000", "37"]),
        (["1,250", "37.5"], ["1250", "37.5"]),
        (["1,250,000"], ["1250000"]),
        (["0,125", "1,250"], ["0.125", "1.250"]),
        (["1,250", "37"], ["1,250", "37"]),  # either
        (["37,5", "1,250.5"], ["37,5", "1,250.5"]),  # both
        (["1,2,3", "A,B"], ["1,2,3", "A,B"]),
    ],
)
def test_all_texts_of_a_column_tell_what_a_comma_is(texts, plain):
    assert plain_numbers(texts) == plain


def test_lengths_with_their_units():
    assert lengths_m(["1,234.5 ft", "10 m", "2 km", "7", "5 Feet", "3 furlongs", "x"]) == pytest.approx(
        [376.2756, 10.0, 2000.0, 7.0, 1.524, None, None]
    )


@pytest.mark.parametrize("parts", [False, True])
def test_commas_and_units_in_an_export(export, read, parts):
    cables = [cable("C1", length_m="100,5"), cable("C2", line((100, 0), (200, 0)), length_m="99")]
    path = export(cables=cables, transformers=[site("T1", kva="37,5", kv="12,47", exc_pct=1.0)])
    said = {"cables": {"parts": [{"layer": "cables"}]}, "transformers": {"where": "true"}} if parts else {}
    got = read(path, input=said)
    assert got.rules() == []
    assert got.tables.cables["length_m"].tolist() == [100.5, 99.0]
    assert got.tables.transformers["rating_va"].tolist() == [37500.0]
    assert got.tables.transformers["voltage_v"].tolist() == [12470.0]


def test_a_comma_that_may_be_either_is_no_number(export, read):
    got = read(export(cables=[cable("C1", length_m="1,250")]))
    assert "'1,250'" in got.one("unusable_length_m").message


def test_lengths_with_units_in_an_export(export, read):
    cables = [cable("C1", length_m="330 ft"), cable("C2", line((100, 0), (200, 0)), length_m="0,1 km")]
    got = read(export(cables=cables), input={"cables": {"units": {"length_m": "text"}}})
    assert got.tables.cables["length_m"].tolist() == pytest.approx([100.584, 100.0])
