"""Default looks of the GeoPackage layers."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from survey.findings import SEVERITIES
from survey.report.ramp import BAND_MARKS, BANDS, STATUS_MARKS
from survey.report.styles import layer_looks, qml_text, sld_text

SE, OGC = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}"
# Well-known marks every reader of Symbology Encoding 1.1 has to know (OGC 05-077r4, 11.3.2).
KNOWN_MARKS = {"square", "circle", "triangle", "star", "cross", "x"}

LAYERS = sorted(layer_looks())


@pytest.mark.parametrize("layer", LAYERS)
def test_sld_has_a_rule_for_every_value_and_for_the_rest(layer: str) -> None:
    look = layer_looks()[layer]
    root = ET.fromstring(sld_text(look, layer=layer))
    assert root.get("version") == "1.1.0"
    rules = root.findall(f".//{SE}Rule")
    assert [rule.findtext(f"{SE}Name") for rule in rules] == [label for label, _ in look.symbols.values()]
    literals = [rule.findtext(f".//{OGC}Literal") for rule in rules]
    assert [value or "" for value in literals] == list(look.symbols)
    assert len(root.findall(f".//{SE}ElseFilter")) == (1 if look.field else 0)
    assert {mark.text for mark in root.iter(f"{SE}WellKnownName")} <= KNOWN_MARKS


@pytest.mark.parametrize("layer", LAYERS)
def test_qml_categories_name_their_symbols(layer: str) -> None:
    look = layer_looks()[layer]
    root = ET.fromstring(qml_text(look, headings={}))
    symbols = {symbol.get("name") for symbol in root.findall("./renderer-v2/symbols/symbol")}
    categories = root.findall("./renderer-v2/categories/category")
    assert [category.get("value") for category in categories] == (list(look.symbols) if look.field else [])
    assert {category.get("symbol") for category in categories} <= symbols
    assert len(symbols) == len(look.symbols)


def test_every_band_and_severity_has_its_look() -> None:
    looks = layer_looks()
    assert tuple(looks["sites"].symbols) == (*BANDS, *(mark.key for mark in STATUS_MARKS), "")
    for band in BANDS:
        assert set(looks["sites"].symbols[band][1].varied) == {"fillColor", "size"}
        assert set(looks["sections"].symbols[band][1].varied) == {"outlineColor"}
    assert set(SEVERITIES) - set(looks["findings"].symbols) == {"assumed"}


def test_bands_differ_without_colour() -> None:
    symbols = [layer_looks()["sites"].symbols[mark.key][1] for mark in BAND_MARKS]
    assert len({(symbol.shape, symbol.size_px) for symbol in symbols}) == len(BANDS)
    widths = [layer_looks()["sections"].symbols[band][1].size_px for band in BANDS]
    assert widths == sorted(set(widths))
