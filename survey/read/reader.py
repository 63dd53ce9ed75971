"""The reading stage, from a path to clean tables."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from survey.errors import SettingsError
from survey.memory import thread_pool
from survey.read.cables import read_cables
from survey.read.columns import Rows
from survey.read.coordinates import Places, choose_places, layer_crs
from survey.read.formats import LayerInfo, RawLayer, open_export, translated
from survey.read.geometry import RawLines, RawPoints, parse_lines, parse_points
from survey.read.ids import order_rows
from survey.read.live import refuse_changed, stamps
from survey.read.matching import MatchedLayer, match_layers, require_fields
from survey.read.points import read_sources, read_switches
from survey.read.tables import NetworkTables
from survey.read.transformers import read_transformers
from survey.settings import LAYERS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from survey.findings import FindingList
    from survey.read.formats import Export
    from survey.settings import Settings


@dataclass(frozen=True)
class _Opened:
    """Rows of a layer in order of id, and its geometry."""

    rows: Rows
    drawn: RawLines | RawPoints
    crs: CRS | None


def read_network(
    path: str | Path,
    *,
    settings: Settings,
    findings: FindingList,
    progress: Callable[[str], None] | None = None,
) -> NetworkTables:
    """Read a network export into clean tables.

    Parameters
    ----------
    path
        One ``.gpkg`` file, a folder of shapefiles, or a folder of GeoParquet files.
    settings
        Names, codes, units and defaults of the export are in ``settings.input``.
    findings
        Takes what is wrong with, or was assumed of, the records.
    progress
        Called with the name of each step as it begins.

    Raises
    ------
    survey.errors.InputError
        The export cannot be read, or lacks a layer, a field or a coordinate system.
    """
    tell = progress or (lambda _: None)
    export = open_export(Path(path))
    infos = export.layers()
    matched = match_layers(infos, settings=settings.input, path=export.path)
    files = export.input_files([layer.info for layer in matched.values()])
    with thread_pool(1) as pool:
        prints = pool.submit(_fingerprints, files)
        before = stamps(files)
        opened = {}
        for name, layer in matched.items():
            tell(name)
            opened[name] = _open(export, layer, settings=settings, findings=findings)
    refuse_changed(files, before=before)
    with translated(export.path):
        fingerprints = prints.result()
    tell("places")
    return _clean(opened, settings=settings, fingerprints=fingerprints, fallback=_settings_crs(settings))


def _open(export: Export, matched: MatchedLayer, *, settings: Settings, findings: FindingList) -> _Opened:
    mapping = getattr(settings.input, matched.name)
    crs = layer_crs(matched.info, fallback=_settings_crs(settings))
    raw: RawLayer = export.read(matched.info, list(dict.fromkeys(matched.fields.values())))
    require_fields(raw, matched=matched, mapping=mapping)
    rows = order_rows(raw, matched=matched, mapping=mapping, findings=findings)
    parse = parse_lines if matched.name == "cables" else parse_points
    return _Opened(rows, parse(raw.wkb, rows.order), crs)


def _settings_crs(settings: Settings) -> CRS | None:
    text = settings.input.crs
    try:
        return None if text is None else CRS.from_user_input(text)
    except CRSError as error:
        msg = f'settings key input.crs: {text!r} is not a coordinate system; give one such as "EPSG:32614"'
        raise SettingsError(msg) from error


def _clean(
    opened: dict[str, _Opened], *, settings: Settings, fingerprints: dict[str, str], fallback: CRS | None
) -> NetworkTables:
    places = _places(opened, fallback=fallback)
    cables = opened["cables"]
    lines = cables.drawn
    assert isinstance(lines, RawLines)
    read = read_cables(cables.rows, lines, places=places, crs=cables.crs, settings=settings.network)
    tables = {}
    counts = {"cables": read.counts}
    other_units = np.empty((0, 2))
    for name, reader in (("transformers", read_transformers), ("switches", read_switches), ("sources", read_sources)):
        layer = opened.get(name) or _absent(name, cables.rows)
        points = layer.drawn
        assert isinstance(points, RawPoints)
        result = reader(layer.rows, points, places=places, crs=layer.crs)
        tables[name], counts[name] = result.table, result.counts
        if name == "transformers":
            other_units = result.other_xy
    return NetworkTables(
        cables=read.table,
        lines=read.lines,
        **tables,
        other_units=other_units,
        working_crs=places.working_crs,
        output_crs=places.output_crs,
        counts=counts,
        fingerprints=fingerprints,
    )


def _absent(name: str, like: Rows) -> _Opened:
    """Stand in for a layer that may be missing: no rows."""
    rows = Rows(name, like.ids.slice(0, 0), np.zeros(0, np.int64), {}, like.mapping, like.findings)
    return _Opened(rows, RawPoints(np.zeros((0, 2))), None)


def _places(opened: dict[str, _Opened], *, fallback: CRS | None) -> Places:
    """Choose the working system by the first layer that has coordinates."""
    crss = {name: layer.crs for name, layer in opened.items()}
    drawn = [name for name in LAYERS if name in opened and np.isfinite(opened[name].drawn.xy).any()]
    of = next((name for name in drawn if crss[name] is not None), None)
    of = of or next((name for name in LAYERS if crss.get(name) is not None), "cables")
    if all(crs is None for crs in crss.values()):
        crss["cables"] = fallback
    xy: NDArray[np.float64] = opened[of].drawn.xy
    return choose_places(crss, xy, of=of)


def _fingerprints(files: Sequence[Path]) -> dict[str, str]:
    """SHA-256 of every file, by its name in the export."""
    prints = {}
    for file in files:
        with file.open("rb") as stream:
            prints[file.name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return prints


__all__ = ["LayerInfo", "read_network"]
