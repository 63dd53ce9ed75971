"""Default looks of the GeoPackage layers, kept in the open ``layer_styles`` convention.

Each look is written twice: as Styled Layer Descriptor 1.1 (OGC 05-078r4 with Symbology Encoding, OGC 05-077r4) and in
the XML that desktop GIS programs read from the ``styleQML`` column of that convention.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np

from survey.report.background import GROUNDS
from survey.report.ramp import (
    BAND_HAZARDS,
    BAND_MARKS,
    NO_HAZARD,
    PAPER,
    RANK_SIZES,
    STATUS_MARKS,
    hazard_colours,
    ramp_hex,
)

_SLD, _SE, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/se", "http://www.opengis.net/ogc"
_SLD_SHAPES = {
    "dot": "circle",
    "ring": "circle",
    "loop": "circle",
    "diamond": "square",
    "plus": "cross",
    "arc": "circle",
}
_QML_SHAPES = {
    "dot": "circle", "ring": "circle", "loop": "circle", "cross": "cross2", "plus": "cross", "arc": "third_circle",
}  # fmt: skip
_MM_PER_PX = 25.4 / 96
_INK = "#3d3a35"
_QUIET = "#6f6b64"
AREA = "area"
LABELS_FROM = 8000
"""Ids stand beside the marks at scales of one to this and larger."""


@dataclass(frozen=True)
class Symbol:
    """How one kind of feature is drawn: a mark with a shape, a line when ``shape`` is empty, or an area.

    ``colour`` ``#rrggbb`` of the fill, or of the line; ``size_px`` width of the mark, or of the line, CSS pixels;
    ``shape`` shape name as in :class:`survey.report.ramp.Mark`; empty for lines, :data:`AREA` for areas; ``hollow``
    draw the outline of the mark only; ``by_hazard`` colour by field ``hazard`` where a program can; ``colour`` is that
    of the middle then; ``by_rank`` size by field ``rank`` in the same way.
    """

    colour: str
    size_px: float
    shape: str = ""
    hollow: bool = False
    by_hazard: bool = False
    by_rank: bool = False

    @property
    def varied(self) -> dict[str, str]:
        """Expressions by what they decide, in the language of desktop GIS programs."""
        colour = "fillColor" if self.shape else "outlineColor"
        found = {colour: _ramp_expression()} if self.by_hazard else {}
        return found | ({"size": _size_expression(self.size_px * _MM_PER_PX)} if self.by_rank else {})


def _ramp_expression() -> str:
    stops = ", ".join(f"{step / 100:g}, '{colour}'" for step, colour in enumerate(ramp_hex()) if step % 10 == 0)
    return f'ramp_color(create_ramp(map({stops})), "hazard" / 100)'


def _size_expression(size_mm: float) -> str:
    steps = [f'WHEN "rank" <= {last} THEN {size_mm * factor:.2f}' for last, factor, _ in RANK_SIZES if last]
    return f"CASE {' '.join(steps)} ELSE {size_mm * RANK_SIZES[-1][1]:.2f} END"


@dataclass(frozen=True)
class Look:
    """Default look of a layer: one symbol, or one by each value of a text field and one for every other value.

    ``field`` field that decides; empty when all features look alike; ``symbols`` ``{value: (label, symbol)}``; the
    value ``""`` stands for all other values; ``name_field`` field written beside the features from a close scale on;
    empty for none.
    """

    field: str
    symbols: Mapping[str, tuple[str, Symbol]]
    name_field: str = ""


def layer_looks() -> dict[str, Look]:
    """The look of every layer of ``survey.gpkg``, by layer name, in drawing order from the bottom."""
    colours = hazard_colours(np.array(BAND_HAZARDS))
    pairs = list(zip(BAND_MARKS, colours, strict=True))
    marks = {
        mark.key: (mark.label, Symbol(colour, mark.size_px, mark.shape, by_hazard=True, by_rank=True))
        for mark, colour in pairs
    }
    statuses = {
        mark.key: (mark.label, Symbol(NO_HAZARD, mark.size_px, mark.shape, hollow=mark.shape != "square"))
        for mark in STATUS_MARKS
    }
    lines = {
        mark.key: (mark.label, Symbol(colour, width, by_hazard=True))
        for (mark, colour), width in zip(pairs, (2.4, 3.2, 4.2, 5.2), strict=True)
    }
    point = Symbol(_INK, 7, "square", hollow=True)
    return {
        **_ground_looks(),
        "sections": Look("band", {**lines, "": ("No band", Symbol(NO_HAZARD, 1.6))}),
        "paths": (walked := Look("", {"": ("Walked path", Symbol(_QUIET, 0.8))})),
        "path_pieces": walked,
        "open_points": Look("", {"": ("Normally open", Symbol(_INK, 9, "arc", hollow=True))}),
        "switching_points": Look("", {"": ("Switching point", point)}, "switch_id"),
        "sites": Look(
            "mark", {**marks, **statuses, "": ("Anything else", Symbol(NO_HAZARD, 6, "ring", hollow=True))}, "site_id"
        ),
        "findings": Look(
            "severity",
            {
                "error": ("Error", Symbol(_INK, 10, "cross")),
                "warning": ("Warning", Symbol(_QUIET, 8, "cross")),
                "": ("Assumed", Symbol(NO_HAZARD, 5, "ring", hollow=True)),
            },
        ),
    }


def _ground_looks() -> dict[str, Look]:
    """Looks of the user's own layers, as on the map."""
    shapes = {"areas": AREA, "lines": "", "points": "dot"}
    rest = {"areas": "land", "lines": "street", "points": "place"}
    looks = {}
    for kind, shape in shapes.items():
        symbols = {
            look: (look.capitalize(), Symbol(ground.fill or ground.line, max(ground.width_px * 0.7, 1.0), shape))
            for look, ground in GROUNDS.items()
        }
        looks[f"background_{kind}"] = Look("look", {**symbols, "": ("Anything else", symbols[rest[kind]][1])}, "label")
    return looks


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
    if symbol.shape == AREA:
        area = ET.SubElement(ET.SubElement(rule, "se:PolygonSymbolizer"), "se:Fill")
        _sld_parameters(area, {"fill": symbol.colour})
        return
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


def qml_text(look: Look, *, headings: Mapping[str, str]) -> str:
    """A look as the XML document of the convention's ``styleQML`` column, with the headings of the fields."""
    labels = str(int(bool(look.name_field)))
    root = ET.Element(
        "qgis", {"version": "3.22", "styleCategories": "Symbology|Labeling|Fields", "labelsEnabled": labels}
    )
    kind = "categorizedSymbol" if look.field else "singleSymbol"
    renderer = ET.SubElement(root, "renderer-v2", {"type": kind, "symbollevels": "0", "enableorderby": "0"})
    if look.field:
        renderer.set("attr", look.field)
        _qml_categories(ET.SubElement(renderer, "categories"), look)
    symbols = ET.SubElement(renderer, "symbols")
    for number, (_, symbol) in enumerate(look.symbols.values()):
        _qml_symbol(symbols, symbol, name=str(number))
    if look.name_field:
        _qml_labels(root, look)
    aliases = ET.SubElement(root, "aliases")
    for number, (field, heading) in enumerate(headings.items()):
        ET.SubElement(aliases, "alias", {"index": str(number), "field": field, "name": heading})
    return ET.tostring(root, encoding="unicode")


def _qml_labels(root: ET.Element, look: Look) -> None:
    """Names along lines, over areas and beside points, with a pale rim, at close scales only."""
    placement = {"": "2", AREA: "1"}.get(look.symbols[""][1].shape, "6")
    settings = ET.SubElement(ET.SubElement(root, "labeling", {"type": "simple"}), "settings")
    text = {"fieldName": look.name_field, "fontSize": "8", "fontSizeUnit": "Point", "textColor": _rgba(_INK)}
    style = ET.SubElement(settings, "text-style", text)
    ET.SubElement(style, "text-buffer", {"bufferDraw": "1", "bufferSize": "0.7", "bufferColor": _rgba(PAPER)})
    ET.SubElement(settings, "placement", {"placement": placement, "dist": "1"})
    ET.SubElement(settings, "rendering", {"scaleVisibility": "1", "scaleMin": "1", "scaleMax": str(LABELS_FROM)})


def _qml_categories(parent: ET.Element, look: Look) -> None:
    for number, (value, (label, _)) in enumerate(look.symbols.items()):
        ET.SubElement(
            parent,
            "category",
            {"value": value, "label": label, "symbol": str(number), "render": "true", "type": "string"},
        )


def _qml_symbol(parent: ET.Element, symbol: Symbol, *, name: str) -> None:
    kinds = {"": ("line", "SimpleLine"), AREA: ("fill", "SimpleFill")}
    kind, layer_class = kinds.get(symbol.shape, ("marker", "SimpleMarker"))
    element = ET.SubElement(parent, "symbol", {"name": name, "type": kind, "alpha": "1", "clip_to_extent": "1"})
    layer = ET.SubElement(element, "layer", {"class": layer_class, "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(layer, "Option", {"type": "Map"})
    for key, value in _qml_values(symbol).items():
        ET.SubElement(options, "Option", {"name": key, "type": "QString", "value": value})
    if symbol.varied:
        varied = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option", {"type": "Map"})
        ET.SubElement(varied, "Option", {"name": "name", "type": "QString", "value": ""})
        properties = ET.SubElement(varied, "Option", {"name": "properties", "type": "Map"})
        for what, expression in symbol.varied.items():
            _qml_expression(ET.SubElement(properties, "Option", {"name": what, "type": "Map"}), expression)
        ET.SubElement(varied, "Option", {"name": "type", "type": "QString", "value": "collection"})


def _qml_expression(parent: ET.Element, expression: str) -> None:
    ET.SubElement(parent, "Option", {"name": "active", "type": "bool", "value": "true"})
    ET.SubElement(parent, "Option", {"name": "expression", "type": "QString", "value": expression})
    ET.SubElement(parent, "Option", {"name": "type", "type": "int", "value": "3"})


def _qml_values(symbol: Symbol) -> dict[str, str]:
    size = f"{symbol.size_px * _MM_PER_PX:.2f}"
    if symbol.shape == AREA:
        return {"color": _rgba(symbol.colour), "style": "solid", "outline_style": "no"}
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
