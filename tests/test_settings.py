"""The settings file: what is accepted, and how each refusal is worded."""

import pytest

from survey.errors import SettingsError
from survey.input_schema import field_specs, find_unit, fold_code, phase_mask, unit_table, units_of
from survey.input_settings import LAYERS
from survey.settings import Settings, build_settings, load_settings


def refused(raw):
    with pytest.raises(SettingsError) as caught:
        build_settings(raw, origin="my.toml")
    return str(caught.value)


def test_no_file_gives_the_defaults():
    assert load_settings(None) == Settings()
    assert build_settings({}) == Settings()


def test_settings_cannot_be_changed():
    with pytest.raises(ValueError, match="frozen"):
        Settings().input.crs = "EPSG:4326"


def test_a_file_is_read(tmp_path):
    path = tmp_path / "my.toml"
    path.write_text('[input]\ncrs = "EPSG:32614"\n[input.cables]\nlayer = "ug"\ncodes = { build = { 1 = "oh" } }\n')
    got = load_settings(path)
    assert got.input.crs == "EPSG:32614"
    assert got.input.cables.layer == "ug"
    assert got.input.cables.codes == {"build": {"1": "oh"}}


def test_a_missing_file(tmp_path):
    with pytest.raises(SettingsError, match=r"no.toml: cannot be read \(No such file or directory\); give a TOML file"):
        load_settings(tmp_path / "no.toml")


@pytest.mark.parametrize("content", [b"[input\n", b"\xff\xfe"])
def test_a_file_that_is_not_toml(tmp_path, content):
    path = tmp_path / "my.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match="not a TOML file"):
        load_settings(path)


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        ({"imput": {}}, "key 'imput' is not a setting; accepted here: input, network, electrical, limits"),
        (
            {"input": {"cabels": {}}},
            "key 'input.cabels' is not a setting; accepted here: crs, ignore, cables, transformers",
        ),
        ({"network": {"snap": 1}}, "key 'network.snap' is not a setting; accepted here: snap_m, pickup_m"),
        ({"network": {"snap_m": -1}}, "key 'network.snap_m': Input should be greater than or equal to 0, found -1"),
        ({"network": {"snap_m": float("nan")}}, "key 'network.snap_m': Input should be"),
        ({"electrical": {"frequency_hz": 55}}, "key 'electrical.frequency_hz': Input should be 50 or 60, found 55"),
        ({"score": {"high_s": 10, "severe_s": 20}}, "severe_s and high_s must rise"),
        ({"score": {"high_peak_pu": 7}}, "high_peak_pu and severe_peak_pu must rise"),
        (
            {"limits": {"voltage_pu": 2.5}, "score": {"high_peak_pu": 2.5}},
            "score.high_peak_pu must lie above limits.voltage_pu (2.5)",
        ),
        ({"input": {"cables": [1]}}, "key 'input.cables': "),
        ({"input": {"cables": {"layer": ""}}}, "key 'input.cables.layer': String should have at least 1 character"),
        (
            {"input": {"switches": {"fields": {"pole": "X"}}}},
            (
                "key 'input.switches.fields.pole': is not a field of the survey; "
                "choices: switch_id, poles, device, address, state, state_a, state_b, state_c, arrester, ops_year, "
                "guards, node"
            ),
        ),
        (
            {"input": {"cables": {"units": {"length_m": "furlong"}}}},
            "key 'input.cables.units.length_m': found 'furlong'; choices: m, km, ft, kft, mi, ftUS",
        ),
        ({"input": {"cables": {"units": {"build": "m"}}}}, "key 'input.cables.units.build': has no unit"),
        (
            {"input": {"switches": {"codes": {"poles": {"1": "one"}}}}},
            "key 'input.switches.codes.poles.1': found 'one'; choices: single, three",
        ),
        (
            {"input": {"cables": {"codes": {"phases": {"7": "RST"}}}}},
            "key 'input.cables.codes.phases.7': found 'RST'; choices: A, B, C and their combinations",
        ),
        (
            {"input": {"cables": {"codes": {"cap_nf_km": {"1": "far"}}}}},
            "codes.cap_nf_km.1': found 'far'; choices: a number",
        ),
        (
            {"input": {"cables": {"defaults": {"build": "buried"}}}},
            "key 'input.cables.defaults.build': found 'buried'; choices: ug, oh",
        ),
        (
            {"input": {"cables": {"defaults": {"kv": 0}}}},
            "key 'input.cables.defaults.kv': found 0.0; expected a number above 0, in kV",
        ),
        (
            {"input": {"transformers": {"defaults": {"minload_kw": "some"}}}},
            "key 'input.transformers.defaults.minload_kw': found 'some'; expected a number of 0 or more, in kW",
        ),
        ({"input": {"cables": {"defaults": {"cable_id": "x"}}}}, "defaults.cable_id': cannot have a default"),
        (
            {"input": {"cable_type_patterns": {"(": "x"}}},
            "key 'input.cable_type_patterns': '(' is not a regular expression",
        ),
    ],
)
def test_refusals_name_the_key_what_was_found_and_the_choices(raw, message):
    got = refused(raw)
    assert got.startswith("my.toml: ")
    assert message in got


def test_more_than_one_fault_is_counted():
    assert refused({"network": {"snap_m": -1, "pickup_m": -1}}).endswith("(and 1 more)")


def test_numbers_may_stand_for_codes():
    got = build_settings({"input": {"transformers": {"codes": {"critical": {"Y": 1}}, "defaults": {"minload_kw": 2}}}})
    assert got.input.transformers.codes == {"critical": {"Y": "1"}}
    assert got.input.transformers.defaults == {"minload_kw": 2.0}


def test_field_table_is_whole():
    kinds = {"id", "node", "text", "number", "code", "phases", "flag"}
    for layer in LAYERS:
        specs = field_specs(layer)
        assert [spec.kind for spec in specs.values()].count("id") == 1
        for name, spec in specs.items():
            assert (spec.layer, spec.name) == (layer, name)
            assert len(name) <= 10  # so that it fits a shapefile
            assert spec.kind in kinds
            assert (spec.kind == "number") == bool(spec.unit)
            assert (spec.kind in ("code", "flag")) == bool(spec.codes)
            assert spec.default is None or spec.kind in ("number", "phases") or spec.default in spec.codes


def test_units_by_quantity():
    assert units_of("share") == {"%": 0.01, "pu": 1.0}
    assert find_unit("length", "FT") == 0.3048
    assert find_unit("voltage", "kv") == 1000.0
    assert find_unit("voltage", "ft") is None
    # A mile is 5280 feet; capacitance per length converts the other way round.
    assert find_unit("length", "mi") == pytest.approx(5280 * 0.3048, rel=1e-12)
    assert find_unit("capacitance per length", "nF/mi") == pytest.approx(1e-9 / 1609.344, rel=1e-12)
    assert find_unit("capacitance per length", "nF/kft") == pytest.approx(1e-9 / 304.8, rel=1e-12)
    assert find_unit("capacitance per length", "pF/ft") == pytest.approx(1e-12 / 0.3048, rel=1e-12)
    assert find_unit("capacitance per length", "uF/mi") == pytest.approx(1e-6 / 1609.344, rel=1e-12)
    assert find_unit("capacitance per length", "uF/kft") == pytest.approx(1e-6 / 304.8, rel=1e-12)
    assert {quantity for quantity, _ in unit_table().values()} >= {"length", "voltage", "power", "apparent power"}


@pytest.mark.parametrize(
    ("text", "mask"),
    [
        ("ABC", 7),
        ("a", 1),
        ("b-c", 6),
        ("C, A", 5),
        ("", None),
        ("AA", None),
        ("ABCN", None),
        ("X", None),
        ("123", None),
    ],
)
def test_phases(text, mask):
    assert phase_mask(text) == mask


def test_codes_fold():
    assert fold_code("  Grounded-Wye ") == fold_code("grounded_wye") == fold_code("GROUNDED  WYE") == "grounded_wye"
