"""What values tell of a field: fit, unit, codes."""

import numpy as np
import pyarrow as pa
import pytest

from survey.input_schema import field_specs
from survey.read.guess_values import guess_values
from survey.read.profile import FieldProfile

NOT_DRAWN = np.zeros(0)


def profile(values, kind="text"):
    texts = [f"{v:g}" if isinstance(v, float) else str(v) for v in values]
    counted = sorted({t: texts.count(t) for t in texts}.items(), key=lambda pair: (-pair[1], pair[0]))
    numbers = np.array([float(v) for v in values if not isinstance(v, str)])
    return FieldProfile(
        name="x",
        kind=kind,
        filled=1.0,
        distinct=len(counted),
        counts=tuple(counted),
        codes=tuple(sorted(dict(counted))) if len(counted) <= 60 else (),
        numbers=numbers,
        numeric=len(numbers) / len(values),
        rows=len(values),
        values=pa.array(list(dict(counted)), pa.large_string()),
    )


def judge(layer, field, values, *, kind="text", name=(), drawn=NOT_DRAWN):
    return guess_values(field_specs(layer)[field], profile(values, kind), drawn_m=drawn, name=name)


@pytest.mark.parametrize(
    ("field", "values", "name", "unit", "sure"),
    [
        ("kva", [75.0, 150.0], ["kva"], "", True),
        ("kva", [75.0, 150.0], [], "", True),
        ("kva", [75_000.0, 150_000.0], [], "VA", True),
        ("kva", [0.16, 0.4], [], "MVA", True),
        ("kva", [25.0], ["sn", "mva"], "MVA", False),
        ("kv", [12470.0], ["kv"], "V", False),
        ("kv", [110.0], ["vn", "hv", "kv"], "", False),
        ("exc_pct", [0.5, 1.8], [], "", True),
        ("exc_pct", [0.1, 0.2], [], "", False),
        ("exc_pct", [0.001, 0.002], [], "pu", True),
        ("nll_w", [0.2, 0.4], ["kw"], "kW", True),
        ("minload_kw", [1e9], [], "", False),
    ],
)
def test_units(field, values, name, unit, sure):
    got = judge("transformers", field, values, kind="number", name=name)
    assert (got.unit, got.unit_sure) == (unit, sure)


@pytest.mark.parametrize(
    ("factor", "unit", "sure"),
    [(1.0, "", True), (1 / 0.3048, "ft", True), (0.001, "km", True), (1 / 1609.344, "mi", True), (2.0, "", False)],
)
def test_length_unit_by_the_drawing(factor, unit, sure):
    drawn = np.array([40.0, 50.0, 60.0, np.nan])
    got = judge("cables", "length_m", [40.0 * factor, 50.0 * factor, 60.0 * factor], kind="number", drawn=drawn)
    assert (got.unit, got.unit_sure) == (unit, sure)


@pytest.mark.parametrize(
    ("layer", "field", "values", "kind", "low", "high"),
    [
        ("cables", "cable_id", ["a", "b", "c"], "text", 1.0, 1.0),
        ("cables", "cable_id", [*map(str, range(30)), "1"], "text", 0.6, 0.6),
        ("cables", "cable_id", ["a", "a", "b"], "text", 0.0, 0.0),
        ("cables", "from_node", [1.5, 2.0], "number", 0.0, 0.0),
        ("cables", "from_node", [1.0, 2.0], "number", 0.5, 1.0),
        ("cables", "feeder", [f"F{i}" for i in range(40)], "text", 0.3, 0.3),
        ("cables", "feeder", ["F1"] * 40, "text", 0.7, 0.7),
        ("cables", "kv", ["high", "low"], "text", 0.0, 0.0),
        ("cables", "build", [f"B{i}" for i in range(100)], "text", 0.0, 0.0),
        ("transformers", "customers", [1.0, 2.0], "number", 0.8, 0.8),
        ("transformers", "customers", [1.5, -2.0], "number", 0.2, 0.2),
        ("transformers", "minload_kw", [0.0, 0.0], "number", 0.5, 0.5),
        ("transformers", "kv", ["12470GRDY/7200", "12470D"], "text", 1.0, 1.0),
        ("transformers", "kva", ["3-25", "75 kVA"], "text", 1.0, 1.0),
    ],
)
def test_fit(layer, field, values, kind, low, high):
    assert low <= judge(layer, field, values, kind=kind).fit <= high


@pytest.mark.parametrize(
    ("layer", "field", "values", "name", "codes"),
    [
        ("switches", "state", ["1", "0"], ["closed"], {"1": ("closed", True), "0": ("open", True)}),
        ("switches", "state", ["Y", "N"], ["normally", "open"], {"Y": ("open", True), "N": ("closed", True)}),
        ("switches", "state", ["1", "0"], ["status"], {"1": ("closed", False), "0": ("open", False)}),
        ("switches", "state", ["closed", "N.O."], [], {"N.O.": ("open", True)}),
        ("switches", "poles", ["Y", "N"], ["ganged"], {"Y": ("three", True), "N": ("single", True)}),
        (
            "switches",
            "poles",
            ["Cutout", "RECLOSER"],
            ["type"],
            {"Cutout": ("single", True), "RECLOSER": ("presumed", False)},
        ),
        ("cables", "phases", ["7", "4"], [], {"7": ("ABC", True), "4": ("A", False)}),
        ("cables", "phases", ["RST", "R"], [], {"RST": ("ABC", True), "R": ("A", True)}),
        ("transformers", "critical", ["Y", "N"], [], {}),
        (
            "transformers",
            "connection",
            ["Yg-Yg", "Y", "??"],
            [],
            {"Yg-Yg": ("grounded_wye", True), "Y": ("floating_wye", False), "??": ("", False)},
        ),
    ],
)
def test_codes(layer, field, values, name, codes):
    got = judge(layer, field, values, name=name)
    assert {code.theirs: (code.ours, code.sure) for code in got.codes} == codes


@pytest.mark.parametrize(
    ("values", "codes"),
    [
        (["N"] * 9 + ["O"], {("N", "closed", True), ("O", "open", True)}),
        (["K"] * 9 + ["L"], {("K", "closed", False), ("L", "open", False)}),
        (["O"] * 9 + ["X"], {("O", "closed", False), ("X", "open", False)}),
        (["O"] * 9, {("O", "open", False)}),
        (["C"] * 2 + ["O"] * 9, {("C", "closed", True), ("O", "open", True)}),
        (["NC"] * 2 + ["NO"] * 9, {("NC", "closed", True), ("NO", "open", True)}),
    ],
)
def test_open_is_not_taken_in_silence(values, codes):
    found = judge("switches", "state", values, name=["norm", "st"]).codes
    assert {(code.theirs, code.ours, code.sure) for code in found} == codes


def test_core_words_stand_anywhere_in_a_text():
    values = ["5LEG WND", "3-LEG STK", "FIVE LEG", "TRIPLEX CORE", "15LEG", "OTHER"]
    found = {code.theirs: code.ours for code in judge("transformers", "core", values).codes}
    assert found == dict(zip(values, ["five_legged", "three_legged", "five_legged", "separate", "", ""], strict=True))


def test_nameplates_tell_the_primary_connection():
    meant = {
        "12470GY/7200 - 208Y/120": ("grounded_wye", True),
        "12470GRDY/7200-208Y/120": ("grounded_wye", True),
        "12470 DELTA - 208Y/120": ("delta", True),
        "12470D - 480Y/277": ("delta", True),
        "12470Y/7200 - 208Y/120": ("floating_wye", False),
        "OPEN WYE 7200/12470Y - 240D": ("open_wye", True),
        "13200-480Y/277": ("", False),
        "208D": ("", False),
    }
    found = judge("transformers", "connection", list(meant)).codes
    assert {code.theirs: (code.ours, code.sure) for code in found} == meant
