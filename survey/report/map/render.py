"""The page: a Leaflet map with the survey's own pieces and data in line."""

import base64
import json
import re
from dataclasses import asdict
from functools import cache
from html import escape
from importlib.metadata import distribution
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined

from survey.assess.action import LONGER_CABLE
from survey.assess.score import HIGH_FROM, SEVERE_FROM
from survey.fingerprint import NOT_BUILT, what_if_words
from survey.memory import give_back
from survey.report.background import GROUNDS, NAME_COLOUR
from survey.report.map.content import FIRST_BANDS, MapContent, map_content
from survey.report.map.grid import STEP_M
from survey.report.map.payload import PAGE_LIMIT, Payload, pack_payload
from survey.report.ramp import BAND_HAZARDS, BAND_MARKS, NO_HAZARD, PAPER, RANK_SIZES, STATUS_MARKS, Mark, ramp_hex
from survey.result import CAUTION, SurveyResult

SCRIPTS = (
    *("data.js", "network.js", "marks.js", "fan.js", "choice.js", "index.js", "draw.js", "ground.js", "layer.js"),
    *("extent.js", "address.js", "table.js", "strip.js", "wave.js", "card.js", "panel.js", "paper.js", "start.js"),
)
STYLES = ("page.css", "panel.css", "print.css")
MAP_NAME = "map_survey"
MAP_OPTIONS = {
    "center": [0.0, 0.0],
    "zoom": 1,
    "zoomControl": False,
    "attributionControl": False,
    "zoomSnap": 0.25,
    "zoomDelta": 1,
    "bounceAtZoomLimits": False,
}
MOST_ZOOM = 21
PACKAGE = "js_lib_leaflet"
DISTRIBUTION = "django-js-lib-leaflet"


def render_map(result: SurveyResult, *, limit: int = PAGE_LIMIT) -> str:
    """The whole page as one HTML document that asks nothing of a network.

    The same result gives the same text. Only ``settings.report.background_tiles`` makes the page fetch anything.

    Parameters
    ----------
    result
        What to show.
    limit
        Most bytes of data in the page. What does not fit is left out, least important first, and the page says so.
    """
    content = map_content(result)
    payload = pack_payload(content.blobs, limit=limit)
    give_back()
    environment = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True)
    template = environment.from_string(_piece("page.html.j2"))
    return template.render(
        title=result.settings.report.title,
        caution=CAUTION,
        what_if=_what_if(result),
        data_date=result.settings.report.data_date,
        leaflet_script=leaflet_script(),
        leaflet_style=leaflet_style(),
        leaflet_licence=leaflet_licence(),
        styles="\n".join(_piece(name) for name in STYLES),
        scripts="\n".join(_piece(name) for name in SCRIPTS),
        map_script=_map_script(result),
        image_sources="data: blob: https: http:" if result.settings.report.background_tiles else "data: blob:",
        about=_in_script(_about(result, content, payload)),
        blobs=payload.scripts,
        map_name=MAP_NAME,
    )


def _map_script(result: SurveyResult) -> str:
    """What makes the map, and its background where one is wanted."""
    report = result.settings.report
    lines = [f'var {MAP_NAME} = L.map("{MAP_NAME}", {_in_script(MAP_OPTIONS)});']
    if report.background_tiles:
        options = {"maxZoom": MOST_ZOOM, "attribution": escape(report.background_credit, quote=True)}
        lines.append(f"L.tileLayer({_in_script(report.background_tiles)}, {_in_script(options)}).addTo({MAP_NAME});")
    return "\n".join(lines)


def _about(result: SurveyResult, content: MapContent, payload: Payload) -> dict[str, Any]:
    """What the page's scripts need to know beside the data."""
    score = result.settings.score
    n_cables, n_paths = len(result.cables), len(result.sites)
    n_shapes = 0 if result.background is None else len(result.background)
    return {
        "columns": content.columns,
        "districts": content.districts,
        "origin": content.origin,
        "step_m": STEP_M,
        "ramp": ramp_hex(),
        "no_hazard": NO_HAZARD,
        "paper": PAPER,
        "rank_sizes": [{"to": to, "factor": factor, "label": label} for to, factor, label in RANK_SIZES],
        "band_from": [round(cut, 1) for cut in (0.0, HIGH_FROM, SEVERE_FROM)],
        "bands": [
            {**_mark(mark), "colour": ramp_hex()[int(hazard)]}
            for mark, hazard in zip(BAND_MARKS, BAND_HAZARDS, strict=True)
        ],
        "statuses": [_mark(mark) for mark in STATUS_MARKS],
        "first_bands": FIRST_BANDS,
        "most_ops_year": _most_operations(result),
        "longer_cable": LONGER_CABLE,
        "most_consequence": 1.0 + score.customers_weight + score.rating_weight + score.critical_weight,
        "units": result.settings.report.units,
        "voltage_limit_pu": result.settings.limits.voltage_pu,
        "counts": {"cables": n_cables, "paths": n_paths, "background": n_shapes},
        "findings_left_out": content.findings_left_out,
        "blobs": payload.index,
        "changes": content.changes,
        "waveforms": list(result.waveforms),
        "grounds": [{"look": look, **asdict(ground)} for look, ground in GROUNDS.items()],
        "name_colour": NAME_COLOUR,
        "credit": result.settings.report.background_credit,
    }


def _most_operations(result: SurveyResult) -> float:
    """Most operations a year of any point, for a bar's whole."""
    most = result.switching_points["ops_year"].max()
    return float(most) if most > 0 else 1.0


def _what_if(result: SurveyResult) -> dict[str, Any]:
    """What the page says of a what-if; empty for the network as it is."""
    words = what_if_words(result.record)
    texts = [change["text"] for change in result.record.get("changes_shown", ())]
    return {"words": words, "not_built": NOT_BUILT, "changes": texts} if words else {}


def _mark(mark: Mark) -> dict[str, Any]:
    return {"key": mark.key, "label": mark.label, "shape": mark.shape, "size": mark.size_px}


def _in_script(value: object) -> str:
    """JSON that is safe inside a script element, whatever its texts hold."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for letter in "<>&\u2028\u2029":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text.encode("utf-8", "replace").decode("utf-8")


def _piece(name: str) -> str:
    return files("survey.report.map").joinpath(name).read_text(encoding="utf-8")


@cache
def leaflet_script() -> str:
    """Leaflet's program: no link to its home page (nothing leads outside), no pointer to a source map."""
    text = (_folder() / "leaflet.js").read_text(encoding="utf-8")
    text = re.sub(r"//# sourceMappingURL=\S*", "", text)
    text = re.sub(r'<a href="https?://[^"]*"[^>]*>', "<a>", text)
    return text.replace("</script", "<\\/script")


@cache
def leaflet_style() -> str:
    """Leaflet's style sheet with its pictures in line."""
    folder = _folder()

    def inlined(match: re.Match[str]) -> str:
        data = base64.b64encode((folder / match[1]).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{data})"

    text = (folder / "leaflet.css").read_text(encoding="utf-8")
    return re.sub(r"url\((images/[\w.-]+)\)", inlined, text)


@cache
def leaflet_licence() -> str:
    """The licence text that copies of Leaflet have to carry."""
    files = distribution(DISTRIBUTION).files or []
    licence = next(file for file in files if file.name.upper().startswith("LICENSE"))
    return licence.read_text().replace("*/", "* /").replace("--", "- -")


def _folder() -> Path:
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:  # the package is a dependency; only a broken installation gets here
        raise ModuleNotFoundError(PACKAGE)
    return Path(spec.origin).parent / "static" / PACKAGE
