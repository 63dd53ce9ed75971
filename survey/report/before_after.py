"""Two states of one network on one drawing, to be looked at in turn, and the matrix of what became of their bands."""

from collections import Counter
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from jinja2 import Environment, PackageLoader
from markupsafe import Markup
from pyproj import CRS

from survey.arrays import Floats, Objects
from survey.projections import projection
from survey.report.gpkg import places
from survey.report.ramp import BAND_HAZARDS, BAND_MARKS, STATUS_MARKS, Mark, drawn_as, hazard_colours, mark_of
from survey.report.sheets.labels import LabelField
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import POINTS_PER_M, Units, View, bar_length_m, length_text, local_crs

WIDTH, MARGIN, MOST_HIGH, FOOT = 1000.0, 30.0, 1100.0, 30.0
MOST_SITES, MOST_PARTS = 5000, 40_000
"""More sites that did not change are not drawn; the lines of a larger network are drawn coarser."""
DEVICE_PX, RING_PX = 5.0, 11.0
HOLLOW = frozenset({"ring", "loop", "plus", "cross"})
_ROUND = "M-1 0A1 1 0 1 0 1 0A1 1 0 1 0 -1 0Z"
OUTLINES = {
    "dot": _ROUND,
    "circle": _ROUND,
    "ring": _ROUND,
    "loop": _ROUND + "M-.45 0A.45 .45 0 1 0 .45 0A.45 .45 0 1 0 -.45 0Z",
    "triangle": "M0 -1L.95 .72L-.95 .72Z",
    "diamond": "M0 -1L1 0L0 1L-1 0Z",
    "square": "M-1 -1H1V1H-1Z",
    "plus": "M-1 0H1M0 -1V1",
    "cross": "M-1 -1L1 1M-1 1L1 -1",
}
"""SVG path of each shape of :class:`survey.report.ramp.Mark`, half as wide as 1."""
ABSENT = Mark("absent", "Not there", "", 0.0, "")
EVERY = {mark.key: mark for mark in (*BAND_MARKS[::-1], *STATUS_MARKS, ABSENT)}
"""All that a site can be, the worst first."""


def fill_page(template: str, **content: Any) -> str:  # noqa: ANN401 - whatever the template shows
    """A page of ``report/compare`` as text; everything from a file is escaped."""
    loader = PackageLoader("survey.report", "compare")
    return Environment(loader=loader, autoescape=True, trim_blocks=True).get_template(template).render(content)


def drawing(
    network: gpd.GeoSeries, *, sites: pd.DataFrame, devices: pd.DataFrame, units: Units = "metric"
) -> dict[str, Any]:
    """What the page draws; nothing where no cable is drawn.

    ``network``: drawn cables. ``sites``: ``site_id, lon, lat, words``, and ``band, status, hazard``, each ``_old`` and
    ``_new``; a site that is not there has the status ``absent``. ``devices``: ``text, words, lon, lat`` of what was
    changed, drawn as squares with a text in them.
    """
    if network.crs is None or network.dropna().empty:
        return {}
    crs = local_crs(*_middle(network))
    parts = shapely.get_parts(np.asarray(network.dropna().to_crs(crs).to_numpy(), object))
    west, south, east, north = shapely.total_bounds(parts)
    scale = min((WIDTH - 2 * MARGIN) / max(east - west, 1.0), (MOST_HIGH - 2 * MARGIN) / max(north - south, 1.0))

    def page(xy: Floats) -> Floats:
        return np.round((xy - (west, north)) * (scale, -scale) + MARGIN, 1)

    marks = _placed(_marked(sites), crs=crs, page=page)
    bar_m = bar_length_m(View(Rect(0, 0, 1, 1), (0.0, 0.0), POINTS_PER_M / scale), longest=220.0, units=units)
    return {
        "width": (east - west) * scale + 2 * MARGIN,
        "height": (north - south) * scale + 2 * MARGIN,
        "foot": FOOT,
        "lines": _lines(parts, page=page, tolerance=0.4 / scale),
        "marks": marks,
        "devices": _numbered(_placed(devices, crs=crs, page=page), marks),
        "bar": (bar_m * scale, length_text(bar_m, units=units)),
        "legend": [(mark, _sample(mark)) for mark in EVERY.values() if mark.shape and _shown(marks, mark)],
        "outlines": OUTLINES,
        "hollow": HOLLOW,
    }


def _middle(network: gpd.GeoSeries) -> tuple[Floats, Floats]:
    to_degrees = projection(network.crs, "EPSG:4326")
    west, south, east, north = to_degrees.transform_bounds(*network.total_bounds)
    return np.array([(west + east) / 2]), np.array([(south + north) / 2])


def _lines(parts: Objects, *, page: Callable[[Floats], Floats], tolerance: float) -> Markup:
    """One SVG path of all cables, no finer than can be seen, each length of cable once."""
    coarse = len(parts) > MOST_PARTS
    grain, fine = (0.5, parts) if coarse else (5.0, shapely.simplify(parts, tolerance))
    xy, part = shapely.get_coordinates(fine, return_index=True)
    grid = np.rint(page(xy) * grain).astype(np.int64)
    code = grid[:, 0] * 100_000 + grid[:, 1]
    pair = np.sort(np.stack([code[:-1], code[1:]], axis=1)[part[1:] == part[:-1]], axis=1)
    ends = np.unique(pair[pair[:, 0] != pair[:, 1]], axis=0)
    x, y = ends // 100_000 / grain, ends % 100_000 / grain
    rows = zip(x[:, 0], y[:, 0], x[:, 1], y[:, 1], strict=True)
    return Markup("".join(f"M{a:g} {b:g}L{c:g} {d:g}" for a, b, c, d in rows))  # noqa: S704 - numbers only


def _placed(table: pd.DataFrame, *, crs: CRS, page: Callable[[Floats], Floats]) -> list[dict[str, Any]]:
    """Rows that have a place, with it."""
    points = places(table["lon"].to_numpy(float), table["lat"].to_numpy(float), crs=crs)
    here = np.array([point is not None for point in points], bool)
    xy = page(shapely.get_coordinates(points[here]))
    rows = table[here].assign(x=xy[:, 0], y=xy[:, 1])
    return [dict(zip(map(str, rows.columns), row, strict=True)) for row in rows.itertuples(index=False)]


def _marked(sites: pd.DataFrame) -> pd.DataFrame:
    """Sites with their marks before and after; those that changed are drawn last."""
    keys = {when: _keys(sites, when) for when in ("old", "new")}
    moved = np.asarray(keys["old"] != keys["new"], bool)
    room = max(0, MOST_SITES - int(moved.sum()))
    order = np.concatenate([np.flatnonzero(~moved)[:room], np.flatnonzero(moved)])
    table = sites.iloc[order].assign(moved=moved[order])
    samples = {mark.key: _sample(mark) for mark in STATUS_MARKS}
    for when, key in keys.items():
        marks = [EVERY[k] for k in key[order]]
        colours = hazard_colours(table[f"hazard_{when}"].to_numpy(float))
        table[f"key_{when}"] = key[order]
        table[f"shape_{when}"] = [mark.shape for mark in marks]
        table[f"r_{when}"] = [mark.size_px / 2 for mark in marks]
        table[f"colour_{when}"] = [samples.get(mark.key, colour) for mark, colour in zip(marks, colours, strict=True)]
    return table


def _numbered(devices: list[dict[str, Any]], marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Devices with the place of their text, beside them and on nothing else; ``leader`` where a line leads to it."""
    spots = np.array(
        [(d["x"], d["y"], DEVICE_PX) for d in devices]
        + [(m["x"], m["y"], RING_PX if m["moved"] else m["r_new"]) for m in marks]
    )
    if not devices:
        return []
    boxes = np.hstack([spots[:, :2] - spots[:, 2:], spots[:, :2] + spots[:, 2:]])
    field = LabelField(Rect(0.0, 0.0, WIDTH, MOST_HIGH), boxes, spots[:0, :2])
    for device in devices:
        size = (6.5 * len(device["text"]) + 3.0, 12.0)
        found = field.place((device["x"], device["y"]), size, radius=DEVICE_PX, reach=60.0)
        box = (device["x"], device["y"], device["x"], device["y"]) if found is None else found.box
        device["text_x"], device["text_y"] = round((box[0] + box[2]) / 2, 1), round((box[1] + box[3]) / 2, 1)
        device["leader"] = None if found is None or found.leader is None else [round(v, 1) for v in found.leader]
    return devices


def _shown(marks: list[dict[str, Any]], mark: Mark) -> bool:
    return any(mark.key in (row["key_old"], row["key_new"]) for row in marks)


def _keys(sites: pd.DataFrame, when: str) -> Objects:
    """What every site is: a band, else a status."""
    pairs = zip(*(sites[f"{name}_{when}"].to_numpy(object) for name in ("band", "status")), strict=True)
    keys = [status if status == ABSENT.key else drawn_as(band, status) for band, status in pairs]
    return np.array([key if key in EVERY else mark_of("", "").key for key in keys], object)


def _sample(mark: Mark) -> str:
    """Colour of a mark in the legend: of a band that of its middle hazard."""
    middle = dict(zip((band.key for band in BAND_MARKS), BAND_HAZARDS, strict=True))
    return hazard_colours(np.array([middle.get(mark.key, np.nan)]))[0]


def matrix(sites: pd.DataFrame) -> dict[str, Any]:
    """Number of sites by what they were (rows) and what they are (columns), the worst first."""
    names = list(EVERY)
    old, new = _keys(sites, "old"), _keys(sites, "new")
    counts = Counter(zip(old, new, strict=True))
    rows, columns = ([name for name in names if name in side] for side in (set(old), set(new)))
    return {
        "columns": [EVERY[name].label for name in columns],
        "rows": [(EVERY[a].label, [(counts[a, b], a == b) for b in columns]) for a in rows],
    }
