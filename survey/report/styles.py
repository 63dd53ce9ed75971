"""Default looks of the GeoPackage layers, kept in the open ``layer_styles`` convention.

Each look is written twice: as Styled Layer Descriptor 1.1 (OGC 05-078r4 with Symbology Encoding, OGC 05-077r4) and in
the XML that desktop GIS programs read from the ``styleQML`` column of that convention.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np

from survey.report.ramp import BAND_HAZARDS, BAND_MARKS, NO_HAZARD, STATUS_MARKS, hazard_colours

_SLD, _SE, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/se", "http://www.opengis.net/ogc"
_SLD_SHAPES = {"dot": "circle", "ring": "circle", "loop": "circle", "diamond": "square", "plus": "cross"}
_QML_SHAPES = {"dot": "circle", "ring": "circle", "loop": "circle", "cross": "cross2", "plus": "cross"}
_MM_PER_PX = 25.4 / 96
_INK = "#3d3a35"
_QUIET = "#6f6b64"


@dataclass(frozen=True)
class Symbol:
    """How one kind of feature is drawn: a mark with a shape, or a line when ``shape`` is empty.

    Parameters
    ----------
    colour
        ``#rrggbb`` of the fill, or of the line.
    size_px
        Width of the mark, or of the line, CSS pixels.
    shape
        Shape name as in :class:`survey.report.ramp.Mark`; empty for lines.
    hollow
        Draw the outline of the mark only.
    """

    colour: str
    size_px: float
    shape: str = ""
    hollow: bool = False


@dataclass(frozen=True)
class Look:
    """Default look of a layer: one symbol, or one by each value of a text field and one for every other value.

    Parameters
    ----------
    field
        Field that decides; empty when all features look alike.
    symbols
        ``{value: (label, symbol)}``; the value ``""`` stands for all other values.
    """

    field: str
    symbols: Mapping[str, tuple[str, Symbol]]


def layer_looks() -> dict[str, Look]:
    """The look of every layer of ``survey.gpkg``, by layer name, in drawing order from the bottom."""
    colours = hazard_colours(np.array(BAND_HAZARDS))
    marks = {
        mark.key: (mark.label, Symbol(colour, mark.size_px, mark.shape))
        for mark, colour in zip(BAND_MARKS, colours, strict=True)
    }
    statuses = {
        mark.key: (mark.label, Symbol(NO_HAZARD, mark.size_px, mark.shape, hollow=True)) for mark in STATUS_MARKS
    }
    lines = {
        mark.key: (mark.label, Symbol(colour, width))
        for mark, colour, width in zip(BAND_MARKS, colours, (0.8, 1.2, 1.8, 2.4), strict=True)
    }
    return {
        "sections": Look("band", {**lines, "": ("No band", Symbol(NO_HAZARD, 0.8))}),
        "paths": (walked := Look("", {"": ("Walked path", Symbol(_QUIET, 0.8))})),
        "path_pieces": walked,
        "switching_points": Look("", {"": ("Switching point", Symbol(_INK, 7, "square", hollow=True))}),
        "sites": Look("mark", {**marks, **statuses, "": ("Anything else", Symbol(NO_HAZARD, 6, "ring", hollow=True))}),
        "findings": Look(
            "severity",
            {
                "error": ("Error", Symbol(_INK, 10, "cross")),
                "warning": ("Warning", Symbol(_QUIET, 8, "cross")),
                "": ("Assumed", Symbol(NO_HAZARD, 5, "ring", hollow=True)),
            },
        ),
    }


def sld_text(look: Look, *, layer: str) -> str:
    """A look as a Styled Layer Descriptor document."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.1.0", "xmlns": _SLD, "xmlns:se": _SE, "xmlns:ogc": _OGC})
    named = ET.SubElement(root, "NamedLayer")
    ET.SubElement(named, "se:Name").text = layer
    style = ET.SubElement(ET.SubElement(named, "UserStyle"), "se:FeatureTypeStyle")
    for value, (label, symbol) in look.symbols.items():
        rule = ET.SubElement(style, "se:Rule")
        ET.SubElement(rule, "se:Name").text = label
        _sld_filter(rule, look.field, value)
        _sld_symbol(rule, symbol)
    return ET.tostring(root, encoding="unicode")


def _sld_filter(rule: ET.Element, field: str, value: str) -> None:
    if not field:
        return
    if not value:
        ET.SubElement(rule, "se:ElseFilter")
        return
    equal = ET.SubElement(ET.SubElement(rule, "ogc:Filter"), "ogc:PropertyIsEqualTo")
    ET.SubElement(equal, "ogc:PropertyName").text = field
    ET.SubElement(equal, "ogc:Literal").text = value


def _sld_symbol(rule: ET.Element, symbol: Symbol) -> None:
    if not symbol.shape:
        line = ET.SubElement(ET.SubElement(rule, "se:LineSymbolizer"), "se:Stroke")
        _sld_parameters(line, {"stroke": symbol.colour, "stroke-width": f"{symbol.size_px:g}"})
        return
    graphic = ET.SubElement(ET.SubElement(rule, "se:PointSymbolizer"), "se:Graphic")
    mark = ET.SubElement(graphic, "se:Mark")
    ET.SubElement(mark, "se:WellKnownName").text = _SLD_SHAPES.get(symbol.shape, symbol.shape)
    if not symbol.hollow:
        _sld_parameters(ET.SubElement(mark, "se:Fill"), {"fill": symbol.colour})
    outline = symbol.colour if symbol.hollow or symbol.shape == "cross" else _INK
    _sld_parameters(ET.SubElement(mark, "se:Stroke"), {"stroke": outline, "stroke-width": "0.7"})
    ET.SubElement(graphic, "se:Size").text = f"{symbol.size_px:g}"
    if symbol.shape in {"diamond", "cross"}:
        ET.SubElement(graphic, "se:Rotation").text = "45"


def _sld_parameters(parent: ET.Element, values: Mapping[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, "se:SvgParameter", {"name": name}).text = value


def qml_text(look: Look) -> str:
    """A look as the XML document of the convention's ``styleQML`` column."""
    root = ET.Element("qgis", {"version": "3.22", "styleCategories": "Symbology"})
    kind = "categorizedSymbol" if look.field else "singleSymbol"
    renderer = ET.SubElement(root, "renderer-v2", {"type": kind, "symbollevels": "0", "enableorderby": "0"})
    if look.field:
        renderer.set("attr", look.field)
        _qml_categories(ET.SubElement(renderer, "categories"), look)
    symbols = ET.SubElement(renderer, "symbols")
    for number, (_, symbol) in enumerate(look.symbols.values()):
        _qml_symbol(symbols, symbol, name=str(number))
    return ET.tostring(root, encoding="unicode")


def _qml_categories(parent: ET.Element, look: Look) -> None:
    for number, (value, (label, _)) in enumerate(look.symbols.items()):
        ET.SubElement(
            parent,
            "category",
            {"value": value, "label": label, "symbol": str(number), "render": "true", "type": "string"},
        )


def _qml_symbol(parent: ET.Element, symbol: Symbol, *, name: str) -> None:
    kind, layer_class = ("marker", "SimpleMarker") if symbol.shape else ("line", "SimpleLine")
    element = ET.SubElement(parent, "symbol", {"name": name, "type": kind, "alpha": "1", "clip_to_extent": "1"})
    layer = ET.SubElement(element, "layer", {"class": layer_class, "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(layer, "Option", {"type": "Map"})
    for key, value in _qml_values(symbol).items():
        ET.SubElement(options, "Option", {"name": key, "type": "QString", "value": value})


def _qml_values(symbol: Symbol) -> dict[str, str]:
    size = f"{symbol.size_px * _MM_PER_PX:.2f}"
    if not symbol.shape:
        return {"line_color": _rgba(symbol.colour), "line_width": size, "line_width_unit": "MM", "line_style": "solid"}
    outline = symbol.colour if symbol.hollow or symbol.shape == "cross" else _INK
    return {
        "name": _QML_SHAPES.get(symbol.shape, symbol.shape),
        "color": _rgba(symbol.colour, alpha=0 if symbol.hollow else 255),
        "outline_color": _rgba(outline),
        "outline_width": "0.2",
        "outline_width_unit": "MM",
        "size": size,
        "size_unit": "MM",
    }


def _rgba(colour: str, *, alpha: int = 255) -> str:
    channels: Sequence[int] = tuple(bytes.fromhex(colour.removeprefix("#")))
    return ",".join(str(value) for value in (*channels, alpha))
