"""The reading stage, from a path to clean tables."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from survey.arrays import Floats
from survey.errors import SettingsError
from survey.findings import FindingList
from survey.input_settings import LAYERS, InputSettings, LayerMap
from survey.memory import give_back, thread_pool
from survey.projections import crs_of
from survey.read.cables import read_cables
from survey.read.columns import Rows
from survey.read.coordinates import Places, choose_places, layer_crs
from survey.read.formats import Export, LayerInfo, open_export, translated
from survey.read.geometry import (
    LINE_KINDS,
    POINT_KINDS,
    RawLines,
    RawPoints,
    base_kinds,
    parse_lines,
    parse_points,
)
from survey.read.ids import order_rows
from survey.read.live import refuse_changed, stamps
from survey.read.matching import MatchedLayer, match_layers, refuse_undrawn, require_fields
from survey.read.parts import compose
from survey.read.points import read_sources, read_switches
from survey.read.recipe import Recipe, make_recipes
from survey.read.tables import LeftOut, NetworkTables, no_units
from survey.read.transformers import read_transformers
from survey.settings import Settings


@dataclass(frozen=True)
class _Opened:
    """Rows of a layer in order of id, and its geometry."""

    rows: Rows
    drawn: RawLines | RawPoints
    crs: CRS | None


def read_network(
    path: str | Path, *, settings: Settings, findings: FindingList, progress: Callable[[str], None] | None = None
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
    plans = _plan(infos, settings=settings.input, path=export.path)
    files = export.input_files(list({info.name: info for plan in plans.values() for info in plan.layers}.values()))
    with thread_pool(1) as pool:
        prints = pool.submit(fingerprints_of, files)
        before = stamps(files)
        opened = {}
        for name, plan in plans.items():
            tell(name)
            bridges = name == "switches" and bool(
                {i.name for i in plan.layers} & {i.name for i in plans["cables"].layers}
            )
            opened[name] = _open(export, plan, settings=settings, findings=findings, begin_lines=bridges)
    refuse_changed(files, before=before)
    used = {info.name for plan in plans.values() for info in plan.layers}
    left = _left_out(export, [info for info in infos if info.name not in used], ignored=settings.input.ignore)
    with translated(export.path):
        fingerprints = prints.result()
    tell("places")
    tables = _clean(opened, settings=settings, fingerprints=fingerprints, fallback=_settings_crs(settings))
    return replace(tables, left_out=left)


def _left_out(export: Export, infos: Sequence[LayerInfo], *, ignored: Sequence[str]) -> tuple[LeftOut, ...]:
    """Layers that no role is made of; those whose file does not tell what they are drawn as are looked into."""
    known = {name.casefold() for name in ignored}
    return tuple(
        LeftOut(info.name, info.drawn or (_drawn(export, info) if info.has_geometry else ""), info.rows)
        for info in infos
        if info.name.casefold() not in known
    )


def _drawn(export: Export, info: LayerInfo) -> str:
    wkb = export.read(info, []).wkb
    kinds = frozenset() if wkb is None else base_kinds(wkb)
    return "lines" if kinds & LINE_KINDS else "points" if kinds & POINT_KINDS else "areas"


@dataclass(frozen=True)
class _Plan:
    """How one of our layers is made: of one of the export's as it is, or by recipes."""

    name: str
    matched: MatchedLayer | None
    recipes: tuple[Recipe, ...] = ()

    @property
    def layers(self) -> list[LayerInfo]:
        """All layers and tables that are read."""
        one = [] if self.matched is None else [self.matched.info]
        return [*one, *(info for recipe in self.recipes for info in recipe.layers.values())]


def _plan(infos: Sequence[LayerInfo], *, settings: InputSettings, path: Path) -> dict[str, _Plan]:
    plain = match_layers(infos, settings=settings, path=path)
    plans = {}
    for name in LAYERS:
        mapping: LayerMap = getattr(settings, name)
        if mapping.composed:
            plans[name] = _Plan(name, None, make_recipes(infos, name=name, mapping=mapping, path=path))
        elif name in plain:
            plans[name] = _Plan(name, plain[name])
    return plans


def _open(export: Export, plan: _Plan, *, settings: Settings, findings: FindingList, begin_lines: bool) -> _Opened:
    """Read a role; devices drawn as lines, which are conductors too, stand where their line begins."""
    mapping: LayerMap = getattr(settings.input, plan.name)
    composed = None
    if plan.matched is None:
        composed = compose(export, plan.recipes, name=plan.name, mapping=mapping)
        raw, matched, mapping = composed.raw, composed.matched, composed.mapping
    else:
        matched = plan.matched
        raw = export.read(matched.info, list(dict.fromkeys(matched.fields.values())))
    crs = layer_crs(matched.info, fallback=_settings_crs(settings))
    require_fields(raw, matched=matched, mapping=mapping)
    rows = order_rows(raw, matched=matched, mapping=mapping, findings=findings)
    if composed is not None:
        composed.report(rows)
    is_lines = plan.name == "cables"
    drawn = parse_lines(raw.wkb, rows.order) if is_lines else parse_points(raw.wkb, rows.order, begin_lines=begin_lines)
    refuse_undrawn(raw, drawn, matched=matched)
    return _Opened(rows, drawn, crs)


def _settings_crs(settings: Settings) -> CRS | None:
    text = settings.input.crs
    try:
        return None if text is None else crs_of(text)
    except CRSError as error:
        msg = f'settings key input.crs: {text!r} is not a coordinate system; give one such as "EPSG:32614"'
        raise SettingsError(msg) from error


def _clean(
    opened: dict[str, _Opened], *, settings: Settings, fingerprints: dict[str, str], fallback: CRS | None
) -> NetworkTables:
    places = _places(opened, fallback=fallback)
    cables = opened.pop("cables")  # what was read of a layer is given up as soon as it is clean
    lines = cables.drawn
    assert isinstance(lines, RawLines)
    read = read_cables(cables.rows, lines, places=places, crs=cables.crs, settings=settings.network)
    nothing = _absent("cables", cables.rows).rows
    del cables, lines
    give_back()
    tables = {}
    counts = {"cables": read.counts}
    other_units, one_phase = np.empty((0, 2)), no_units()
    for name, reader in (("transformers", read_transformers), ("switches", read_switches), ("sources", read_sources)):
        layer = opened.pop(name, None) or _absent(name, nothing)
        points = layer.drawn
        assert isinstance(points, RawPoints)
        result = reader(layer.rows, points, places=places, crs=layer.crs)
        tables[name], counts[name] = result.table, result.counts
        if name == "transformers":
            other_units, one_phase = result.other_xy, result.one_phase
    return NetworkTables(
        cables=read.table,
        lines=read.lines,
        transformers=tables["transformers"],
        switches=tables["switches"],
        sources=tables["sources"],
        other_units=other_units,
        one_phase=one_phase,
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
    xy: Floats = opened[of].drawn.xy
    return choose_places(crss, xy, of=of)


def fingerprints_of(files: Sequence[Path]) -> dict[str, str]:
    """SHA-256 of every file, by its name in the export."""
    prints = {}
    for file in files:
        with file.open("rb") as stream:
            prints[file.name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return prints


__all__ = ["LayerInfo", "read_network"]
