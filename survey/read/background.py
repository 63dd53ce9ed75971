"""Layers of the user's own beneath the network: streets, water, parcels. They are drawn; no answer depends on them."""

from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from survey.arrays import Floats, Objects
from survey.errors import FieldError, LayerError
from survey.findings import FindingList
from survey.projections import projection
from survey.read.formats import Export, LayerInfo, open_export
from survey.read.tables import NetworkTables
from survey.settings import BackgroundLayer

AROUND, LEAST_AROUND_M = 0.5, 500.0
"""Drawn as far beyond the network as this share of its extent, and no less than so many metres."""
DETAIL_M, COARSEST = 0.5, 1 / 500
"""Lines are simplified to half a metre, a huge layer down to this share of the extent; then its least shapes go."""
MOST_VERTICES = 300_000
LONGEST_LABEL = 60
DEFAULT_LOOKS = {0: "place", 1: "street", 2: "land"}


def read_background(
    layers: Sequence[BackgroundLayer], path: Path, *, tables: NetworkTables, findings: FindingList
) -> gpd.GeoDataFrame:
    """Read the background around the network.

    ``layers``: what the settings name. ``path``: the export; files are looked for beside it. Returns columns ``look``
    and ``label``, geometry in the output coordinate system; lines, areas or points by row. Raises ``FormatError``,
    ``LayerError``, ``FieldError``: a file cannot be read, or lacks the layer or its label field.
    """
    frames = [_read(layer, path, tables=tables, findings=findings) for layer in layers]
    looks = [look for found in frames for look in found[0]]
    labels = [label for found in frames for label in found[1]]
    shapes = np.concatenate([np.empty(0, object), *(found[2] for found in frames)])
    shapes = _moved(shapes, tables.working_crs, tables.output_crs)
    return gpd.GeoDataFrame({"look": looks, "label": labels}, geometry=shapes, crs=tables.output_crs)


def _read(
    layer: BackgroundLayer, path: Path, *, tables: NetworkTables, findings: FindingList
) -> tuple[list[str], list[str], Objects]:
    """Looks, labels and shapes (in the working coordinate system) of one layer."""
    folder = path if path.is_dir() else path.parent
    export = open_export(folder / layer.file if layer.file else path)
    info = _layer(export, layer.layer)
    raw = export.read(info, [_field(info, layer.label)] if layer.label else [])
    none = raw.wkb is None
    shapes = np.empty(0, object) if none else shapely.from_wkb(np.asarray(raw.wkb, object), on_invalid="ignore")
    if info.crs is None and len(shapes):
        findings.report("background_no_crs", ids=[layer.layer])
    shapes = _moved(shapely.force_2d(shapes), info.crs or tables.output_crs, tables.working_crs)
    shapes, coarse = _around(shapes, _extent(tables))
    shapes, owner = shapely.get_parts(shapes, return_index=True)
    if not len(shapes):
        findings.report("background_empty", ids=[layer.layer])
    if coarse > DETAIL_M:
        findings.report("background_simplified", ids=[layer.layer], detail_m=coarse, most=MOST_VERTICES)
    texts = next(iter(raw.columns.values())).to_pylist() if layer.label else [None] * raw.rows
    looks = [layer.look or DEFAULT_LOOKS[one] for one in shapely.get_dimensions(shapes).tolist()]
    return looks, [_label(texts[row]) for row in owner.tolist()], shapes


def _layer(export: Export, name: str) -> LayerInfo:
    known = export.layers()
    for info in known:
        if info.name.casefold() == name.casefold():
            return info
    there = ", ".join(info.name for info in known[:12])
    msg = f"{export.path}: no layer '{name}' for the background; it has {there}; correct background.layer"
    raise LayerError(msg)


def _field(info: LayerInfo, name: str) -> str:
    for field in info.fields:
        if field.casefold() == name.casefold():
            return field
    there = ", ".join(info.fields[:12])
    msg = f"{info.file}, layer '{info.name}': no field '{name}'; it has {there}; correct background.label"
    raise FieldError(msg)


def _label(value: object) -> str:
    """A name on one line; what cannot be printed is left out."""
    text = "" if value is None else "".join(letter if letter.isprintable() else " " for letter in str(value))
    return " ".join(text.split())[:LONGEST_LABEL]


def _moved(shapes: Objects, source: CRS, target: CRS) -> Objects:
    if source == target or not len(shapes):
        return shapes
    change = projection(source, target)

    def transform(xy: Floats) -> Floats:
        return np.stack(change.transform(xy[:, 0], xy[:, 1]), axis=1)

    return np.asarray(shapely.transform(shapes, transform))


def _extent(tables: NetworkTables) -> tuple[float, float, float, float]:
    """West, south, east, north of the network and some ground around it, metres."""
    points = [table[["x", "y"]].to_numpy(np.float64) for table in (tables.transformers, tables.switches)]
    xy = np.concatenate([tables.lines.xy, *points])
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(xy):
        return 0.0, 0.0, 0.0, 0.0
    low, high = xy.min(axis=0), xy.max(axis=0)
    around = max(float((high - low).max()) * AROUND, LEAST_AROUND_M)
    return (*(low - around).tolist(), *(high + around).tolist())


def _around(shapes: Objects, extent: tuple[float, float, float, float]) -> tuple[Objects, float]:
    """Shapes cut to the extent and simplified, and to how many metres; what is outside or broken comes out missing."""
    bounds = shapely.bounds(shapes)
    with np.errstate(invalid="ignore"):
        apart = (bounds[:, :2] > extent[2:]) | (bounds[:, 2:] < extent[:2])
        within = (bounds[:, :2] >= extent[:2]).all(axis=1) & (bounds[:, 2:] <= extent[2:]).all(axis=1)
    near = np.isfinite(bounds).all(axis=1) & ~apart.any(axis=1)
    out = np.full(len(shapes), None, object)
    out[near & within] = shapes[near & within]
    across = near & ~within
    out[across] = shapely.clip_by_rect(shapely.make_valid(shapes[across]), *extent)
    detail, most = DETAIL_M, max(extent[2] - extent[0], extent[3] - extent[1]) * COARSEST
    whole = out
    out = shapely.simplify(whole, detail)
    while shapely.get_num_coordinates(out).sum() > MOST_VERTICES and detail < most:
        detail *= 2
        out = shapely.simplify(whole, detail, preserve_topology=False)
    return _largest(out), detail


def _largest(shapes: Objects) -> Objects:
    """The largest of the shapes, as many as there is room for."""
    counts = shapely.get_num_coordinates(shapes)
    if counts.sum() <= MOST_VERTICES:
        return shapes
    order = np.argsort(-shapely.length(shapes), kind="stable")
    gone = order[np.cumsum(counts[order]) > MOST_VERTICES]
    shapes[gone] = None
    return shapes
