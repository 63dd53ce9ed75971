"""Cable types that are no key of the catalogue."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from survey.assess.cable_types import typed_capacitance
from survey.assess.capacitance import cable_capacitance
from survey.findings import FindingList
from survey.physics.catalogue import Catalogue

CATALOGUE = Catalogue.load()
NF_KM = 1e-12


def typed(texts, volts=12470.0, **patterns):
    return typed_capacitance(texts, np.full(len(texts), volts), catalogue=CATALOGUE, patterns=patterns)


def test_a_key_wins_over_its_text():
    got = typed(["1/0 XLPE 15kV 133%"])
    assert got.origin.tolist() == ["type"]
    assert got.words == ("",)


def test_text_of_the_same_parts_has_the_capacitance_of_the_key():
    by_key, by_text = typed(["1/0 XLPE 15kV 133%", "1/0 AL 220 XLPE 15KV 1/3CN"]).cap_f_m
    # IEEE 123-bus cable, 220 mil: 53.4924 nF per 1000 ft (diameters over insulation as published there)
    assert by_text == pytest.approx(by_key, rel=0.01)
    assert by_text == pytest.approx(53.4924 / 0.3048 * NF_KM, rel=0.02)


def test_what_stands_in_is_told():
    got = typed(["1/0 AL", "1/0 AL 220 XLPE 15KV"])
    assert got.origin.tolist() == ["text", "text"]
    assert got.words == (
        "1/0 AL, with insulation EPR, insulation level 100 %, class of 12.47 kV",
        "1/0 AL XLPE 15 kV 133 %",
    )
    assert got.cap_f_m[0] > got.cap_f_m[1]  # the assumptions are on the large, safe side


def test_texts_that_say_too_little_keep_the_stand_in_of_the_class():
    got = typed(["", "old cable", "5/0 CU 15KV", "336.4 ACSR"])
    assert got.origin.tolist() == ["class"] * 4
    assert typed(["1/0 AL"], np.nan).origin.tolist() == ["none"]
    assert typed(["1/0 AL XLPE 15kV"], np.nan).origin.tolist() == ["text"]


# IEC 60287-1-1 table 3: impregnated paper 4.0, XLPE 2.5 there and 2.3 in the catalogue; all else equal.
@pytest.mark.parametrize(("kind", "permittivity"), [("PILC", 4.0), ("HMWPE", 2.3), ("EPR", 3.0), ("PVC", 8.0)])
def test_other_insulations_by_their_permittivity(kind, permittivity):
    xlpe, other = typed(["500 CU XLPE 15KV 175 MIL", f"500 CU {kind} 15KV 175 MIL"]).cap_f_m
    assert other / xlpe == pytest.approx(permittivity / 2.3)


def test_a_wall_that_is_told_is_used_where_it_suits_the_class():
    usual, thin, no_wall = typed(["500 PILC 15KV 100%", "500 PILC 15KV 140 MIL", "500 PILC 15KV 40 MIL"]).cap_f_m
    inner, wall = 20.650 + 2 * 0.508, 140 * 0.0254
    assert thin == pytest.approx(2 * np.pi * 8.8541878128e-12 * 4.0 / np.log((inner + 2 * wall) / inner))
    assert no_wall == usual < thin
    words = typed(["500 PILC 15KV 140 MIL", "500 PILC 15KV 40 MIL", "500 PILC 15KV"]).words
    assert words[0] == "500 kcmil PILC 15 kV 3.56 mm wall"
    assert words[1].endswith("not the wall of 1.02 mm, which does not suit the class")
    assert words[2] == "500 kcmil PILC 15 kV, with insulation level 100 %, the wall of extruded cable"


def test_an_insulation_without_a_size_has_that_of_the_stand_in_and_its_uncertainty():
    got = typed(["OLD PAPER LEAD", "500 PILC 100%", "what", "1/0 EPR"])
    assert got.origin.tolist() == ["text", "text", "class", "text"]
    assert got.rough.tolist() == [True, False, True, False]
    assert got.cap_f_m[0] == got.cap_f_m[1] > got.cap_f_m[2]
    assert ", with size 500, " in got.words[0].replace(
        "with insulation level 100 %, the wall of extruded cable, ", "with "
    )


def test_settings_may_teach_a_capacitance():
    got = typed(["BLK (OLD)", "GRN (OLD)", "RED (OLD)"], blk="480 nF/km", grn="0.1 uF/kft", red="0 nF/km")
    assert got.origin.tolist() == ["text", "text", "class"]
    assert got.cap_f_m[:2] == pytest.approx([480e-12, 0.1e-6 / 304.8])
    assert got.words[0] == "480 nF/km"
    assert not got.rough[0]


def test_settings_teach_a_type():
    patterns = {"^old": "1/0 XLPE 15kV 133%", "pilc": "500 CU EPR 15kV"}
    got = typed(["Old cable", "500 PILC"], **patterns)
    assert got.origin.tolist() == ["type", "text"]
    assert typed(["1/0 XLPE 15kV 133%"]).cap_f_m[0] == got.cap_f_m[0]


def test_findings_name_text_length_and_reading():
    cables = pd.DataFrame(
        {
            "cable_id": ["C1", "C2", "C3", "C4"],
            "feeder": "F1",
            "shielded": [True, True, True, False],
            "cable_type": ["1/0 AL XLPE 220", "1/0 AL XLPE 220", "mystery", "mystery"],
            "voltage_v": 12470.0,
            "cap_f_m": np.nan,
            "length_m": [100.0, np.nan, 300.0, 9.0],
            "drawn_m": [1.0, 50.0, 1.0, 1.0],
        }
    )
    tables = SimpleNamespace(cables=cables, transformers=pd.DataFrame({"feeder": [], "voltage_v": []}))
    findings = FindingList()
    cap, stand_in, _ = cable_capacitance(tables, catalogue=CATALOGUE, patterns={}, findings=findings)
    assert stand_in.tolist() == [False, False, True, False]
    assert cap[0] == cap[1] > 0
    assert cap[3] == 0.0
    told = {finding.rule: (finding.severity, finding.ids, finding.message) for finding in findings}
    assert told["cable_type_read"] == (
        "assumed",
        ("C1", "C2"),
        (
            "2 cables (0.15 km) of 1 types that the catalogue does not have; read from their text (longest: '1/0 AL "
            "XLPE 220' as 1/0 AL XLPE 15 kV 133 % 0.15 km); teach them in input.cable_type_patterns where that is "
            "wrong; all in run.json, cable_texts"
        ),
    )
    assert told["unknown_cable_type"][1] == ("C3",)
    assert "1 cables (0.30 km) of 1 types" in told["unknown_cable_type"][2]
    assert "(longest: 'mystery' 0.30 km)" in told["unknown_cable_type"][2]
