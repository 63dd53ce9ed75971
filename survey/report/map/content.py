"""From a survey's result to the blobs of the page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from functools import partial
from itertools import chain, pairwise
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from survey.arrays import Bools, Floats, Ints, Objects, Ragged
from survey.assess.score import consequence
from survey.linesets import LineSet, PointSet, SharedLines
from survey.loops import njit
from survey.memory import give_back
from survey.report.background import GROUNDS, in_order
from survey.report.map.grid import MapGrid
from survey.report.map.lines import grid_lines
from survey.report.map.nested import Runs, any_of, pack_sets
from survey.report.map.payload import Blob, Draft, make_blob
from survey.report.tables import Column, TableName, columns_of
from survey.result import SurveyResult

FIRST_BANDS = ("high", "severe")
CABLES_A_BLOB = 200_000
PATHS_A_BLOB, POINTS_A_BLOB = 25_000, 1_000_000
MOST_PATH_POINTS = 8_000_000
"""More than what a page of the largest size holds of them."""
MOST_FINDINGS = 20_000
MOST_ID_LETTERS = 300
NOWHERE = np.iinfo(np.int32).min
CELLS = 48
"""Sites are thinned to one for each cell of a grid this fine before the outline is drawn."""
TIGHTNESS = 0.35
MARGIN = 0.02
FAR_OUT, MANY = 5.0, 10
"""A site so many times as far from its nearest neighbour as the middle one is left outside, where there are so many."""
Blocks = dict[str, "NDArray[Any] | pa.StringArray"]

CODE_TYPES = (np.uint8, np.uint16, np.int32)
NUMBER_TYPES = (np.int8, np.int16, np.int32)
LARGEST_WHOLE = 2.0**53


@dataclass(frozen=True)
class MapContent:
    """Everything that could go into the page, in order of importance.

    ``blobs`` ``core`` first, then cables and paths; what matters to high and severe sites before the rest; ``columns``
    descriptions of the table columns that are there; ``districts`` names of the outlines, in their order; ``origin``
    mercator metres of grid step 0, 0; ``findings_left_out`` findings beyond ``MOST_FINDINGS``; ``changes`` grid steps
    and words of the changes of a what-if that have a place.
    """

    blobs: Iterable[Draft]
    columns: list[dict[str, Any]]
    districts: list[str]
    origin: tuple[float, float]
    findings_left_out: int
    changes: list[tuple[int, int, str]]


def map_content(result: SurveyResult) -> MapContent:
    """Pack the result for the page."""
    site_xy, switch_xy = _point_xy(result.site_points), _point_xy(result.switch_points)
    cables = LineSet.of(result.cable_lines)
    grid = MapGrid(result.crs, _bounds(np.concatenate([site_xy, switch_xy, cables.bounds()])))
    findings = _shown_findings(result.findings)
    packed = [
        pack_table(result.sites, table="sites"),
        pack_table(result.switching_points, table="switching_points"),
        pack_table(findings, table="findings"),
    ]
    give_back()
    runs, districts, outlines = _runs_of(result), *district_outlines(result.sites["district"], site_xy)
    give_back()
    core: Blocks = {}
    for _, blocks in packed:
        core.update(blocks)
    core.update(_places(grid, site_xy=site_xy, switch_xy=switch_xy, result=result) | runs.blocks())
    _link(result, core)
    core.update(grid_lines(LineSet.of(outlines), grid).pack("outlines", np.arange(len(outlines))))
    core.update(_ways(result, grid))
    core.update(_open_points(result, grid))
    give_back()
    core["sites.consequence"] = np.rint(100 * site_consequence(result)).astype(np.int64)
    whole = make_blob("core", core)
    return MapContent(
        blobs=chain(
            [Draft("core", lambda: whole)],
            _background(result, grid),
            _line_blobs(result, runs, cables=cables, grid=grid),
        ),
        columns=[column for columns, _ in packed for column in columns],
        districts=districts,
        origin=(float(grid.origin[0]), float(grid.origin[1])),
        findings_left_out=len(result.findings) - len(findings),
        changes=_changes(result, grid),
    )


def _changes(result: SurveyResult, grid: MapGrid) -> list[tuple[int, int, str]]:
    placed = [change for change in result.record.get("changes_shown", ()) if change["lon"] is not None]
    if not placed:
        return []
    steps = grid.lonlat_steps(np.array([(change["lon"], change["lat"]) for change in placed])).tolist()
    return [(x, y, change["text"]) for (x, y), change in zip(steps, placed, strict=True)]


def site_consequence(result: SurveyResult) -> Floats:
    """What depends on every site, 1 and more, as its risk is weighted."""
    customers, critical, kva = (
        np.nan_to_num(pd.to_numeric(result.sites[name]).to_numpy(dtype=np.float64, na_value=np.nan), posinf=0.0)
        for name in ("customers", "critical", "kva")
    )
    return consequence(customers, critical, rating_va=kva * 1e3, settings=result.settings.score)


@dataclass(frozen=True)
class _ResultRuns:
    """Sections as runs of cables, and exposed sites as runs of sites."""

    sections: Runs
    exposed: Runs

    def blocks(self) -> Blocks:
        named = {"sections": self.sections, "exposed": self.exposed}
        blocks: Blocks = {"exposed.order": self.exposed.order}
        for name, runs in named.items():
            blocks |= {f"{name}.counts": runs.counts, f"{name}.starts": runs.starts, f"{name}.lengths": runs.lengths}
        return blocks


def _runs_of(result: SurveyResult) -> _ResultRuns:
    urgent_site = result.sites["band"].isin(FIRST_BANDS).to_numpy(dtype=bool)
    sections, exposed = Ragged.of(result.section_cables), Ragged.of(result.exposed_by)
    urgent = any_of(exposed, urgent_site)
    return _ResultRuns(
        sections=pack_sets(sections, len(result.cables), first=urgent),
        exposed=pack_sets(exposed, len(result.sites), first=urgent),
    )


def _point_xy(points: Objects | PointSet) -> Floats:
    if isinstance(points, PointSet):
        return points.xy
    return np.column_stack([shapely.get_x(points), shapely.get_y(points)]).reshape(-1, 2)


def _bounds(corners: Floats) -> tuple[float, float, float, float]:
    corners = corners[np.isfinite(corners).all(axis=1)]
    if len(corners) == 0:
        return 0.0, 0.0, 0.0, 0.0
    (west, south), (east, north) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    return west, south, east, north


def _places(grid: MapGrid, *, site_xy: Floats, switch_xy: Floats, result: SurveyResult) -> Blocks:
    """Grid steps of the points; not for a table whose degrees say the same to the step."""
    blocks: Blocks = {}
    tables = (("sites", result.sites, site_xy), ("switching_points", result.switching_points, switch_xy))
    for name, frame, xy in tables:
        at, same = _steps(grid.steps, xy), _steps(grid.lonlat_steps, _degrees(frame))
        if np.abs(at.astype(np.int64) - same).max(initial=0) > 1:
            blocks |= {f"{name}.x": at[:, 0], f"{name}.y": at[:, 1]}
    return blocks


def _ways(result: SurveyResult, grid: MapGrid) -> Blocks:
    """Ways from switching points to those above, as far as a site's worst point needs them."""
    n = len(result.switching_points)
    if result.point_ways is None or result.point_above is None:
        lines, above = LineSet(np.zeros(n, np.int64), np.empty(0, np.int64), np.empty((0, 2))), np.full(n, -1)
    else:
        lines, above = LineSet.of(result.point_ways), result.point_above
    return {**grid_lines(lines, grid).pack("ways", np.arange(n)), "points.above": above}


def _open_points(result: SurveyResult, grid: MapGrid) -> Blocks:
    """Grid steps of the devices that are open in the normal state."""
    degrees = np.array(result.record.get("open_places", []), dtype=np.float64).reshape(-1, 2)
    at = grid.lonlat_steps(degrees[np.isfinite(degrees).all(axis=1)])
    return {"open.x": at[:, 0], "open.y": at[:, 1]}


def _degrees(frame: pd.DataFrame) -> Floats:
    return np.round(frame[["lon", "lat"]].to_numpy(dtype=np.float64, na_value=np.nan), 7)


def _steps(steps_of: Callable[[Floats], NDArray[np.int32]], places: Floats) -> NDArray[np.int32]:
    placed = np.isfinite(places).all(axis=1)
    at = np.full((len(places), 2), NOWHERE, dtype=np.int32)
    at[placed] = steps_of(places[placed])
    return at


def _link(result: SurveyResult, core: Blocks) -> None:
    """Add the rows of ``switching_points`` that the sites name, -1 for none; ids that a row tells are dropped."""
    # pandas, not Arrow, whose hash tables can end the process where memory runs out
    points = pd.Index(result.switching_points["switch_id"].astype(str))
    for column, link in (("switch_id", "switch_row"), ("worst_switch_id", "worst_row")):
        ids = result.sites[column].fillna("").astype(str)
        rows = points.get_indexer(pd.Index(ids)).astype(np.int64)
        core[f"sites.{link}"] = rows
        if ((rows >= 0) | (ids == "").to_numpy(dtype=bool)).all():
            core.pop(f"sites.{column}.texts")
            core.pop(f"sites.{column}", None)


def _shown_findings(findings: pd.DataFrame) -> pd.DataFrame:
    shown = findings.head(MOST_FINDINGS).copy()
    shown["ids"] = [_shortened(ids) for ids in shown["ids"].fillna("").astype(str)]
    return shown


def _shortened(ids: str) -> str:
    """Ids separated by blanks, cut between two of them."""
    return ids if len(ids) <= MOST_ID_LETTERS else ids[:MOST_ID_LETTERS].rsplit(maxsplit=1)[0] + " ..."


def _background(result: SurveyResult, grid: MapGrid) -> Iterator[Draft]:
    """The user's own layers, bottom first; points as lines of one point."""
    drawn = in_order(result.background)
    if len(drawn):
        lines = _outlines(drawn.geometry.to_numpy())
        looks = drawn["look"].map({look: number for number, look in enumerate(GROUNDS)})
        blocks: Blocks = {"background.look": looks.to_numpy(np.int64), **pack_texts("background.label", drawn["label"])}
        blocks.update(grid_lines(lines, grid).pack("background", np.arange(len(drawn))))
        yield Draft("background", partial(make_blob, "background", blocks))


def _outlines(shapes: Objects) -> LineSet:
    """Lines and points as they are, areas as their rings."""
    outlines = np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes)
    parts, owner = shapely.get_parts(outlines, return_index=True)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    count = np.bincount(owner, minlength=len(shapes)).astype(np.int64)
    return LineSet(count, np.bincount(part, minlength=len(parts)).astype(np.int64), xy)


def _line_blobs(result: SurveyResult, runs: _ResultRuns, *, cables: LineSet, grid: MapGrid) -> Iterator[Draft]:
    """Cables and paths; those of high and severe sites lead."""
    urgent = np.flatnonzero(result.sites["band"].isin(FIRST_BANDS).to_numpy(dtype=bool))
    first_paths = int(urgent.max(initial=-1)) + 1
    order, first_cables = runs.sections.order, runs.sections.first_items
    shielded = result.cables["shielded"].to_numpy(dtype=bool)
    paths = SharedLines.of(result.site_paths)
    points = np.cumsum(paths.points())
    yield from _cable_blobs(cables, shielded, order[:first_cables], grid=grid)
    yield from _path_blobs(paths, points[:first_paths], first=0, grid=grid)
    yield from _cable_blobs(cables, shielded, order[first_cables:], grid=grid)
    yield from _path_blobs(paths, points, first=first_paths, grid=grid)


def _cable_blobs(cables: LineSet, shielded: Bools, rows: Ints, *, grid: MapGrid) -> Iterator[Draft]:
    def made(part: Ints) -> Blob:
        return _line_blob("cables", cables.taken(part), {"cables.shielded": shielded[part]}, grid=grid)

    for first in range(0, len(rows), CABLES_A_BLOB):
        yield Draft("cables", partial(made, rows[first : first + CABLES_A_BLOB]))


def _path_blobs(paths: SharedLines, points: Ints, *, first: int, grid: MapGrid) -> Iterator[Draft]:
    """Paths from the first one on, until there are more points up to one (``points``) than a page can hold."""

    def made(rows: Ints) -> Blob:
        return _line_blob("paths", paths.taken(rows).whole(), {}, grid=grid)

    while first < len(points):
        room = points[first] + POINTS_A_BLOB
        last = min(first + PATHS_A_BLOB, max(first + 1, int(np.searchsorted(points, room))), len(points))
        if points[last - 1] > MOST_PATH_POINTS:
            return
        yield Draft("paths", partial(made, np.arange(first, last)))
        first = last


def _line_blob(name: str, lines: LineSet, more: Blocks, *, grid: MapGrid) -> Blob:
    return make_blob(name, {**grid_lines(lines, grid).pack(name, np.arange(len(lines))), **more})


def district_outlines(districts: pd.Series[Any], xy: Floats) -> tuple[list[str], Objects]:
    """Names and outline polygons of the districts that have a name and a placed site, by name.

    ``districts``: district of each site. Shape (n_sites,). ``xy``: places of the sites in survey coordinates, NaN where
    there is none. Shape (n_sites, 2).
    """
    placed = np.isfinite(xy).all(axis=1) & districts.notna().to_numpy() & (districts != "").to_numpy(dtype=bool)
    codes, names = pd.factorize(districts[placed].astype(str), sort=True)
    order = np.argsort(codes, kind="stable")
    at, start = xy[placed][order], np.searchsorted(codes[order], np.arange(len(names) + 1))
    away = _away(at, start)
    outlines = np.empty(len(names), dtype=object)
    outlines[:] = [_outline(at[a:b], away[a:b]) for a, b in pairwise(start.tolist())]
    return [str(name) for name in names], outlines


def _outline(xy: Floats, away: Floats) -> BaseGeometry:
    if len(xy) >= MANY:
        xy = xy[away <= FAR_OUT * max(float(np.median(away)), 1e-9)]
    low, span = xy.min(axis=0), np.ptp(xy, axis=0)
    cells = np.floor((xy - low) / np.maximum(span, 1e-9) * (CELLS - 1e-6)).astype(np.int64)
    chosen = np.unique(cells[:, 0] * CELLS + cells[:, 1], return_index=True)[1]
    margin = MARGIN * max(float(np.hypot(*span)), 1e-6)
    hull = shapely.concave_hull(shapely.MultiPoint(xy[np.sort(chosen)]), ratio=TIGHTNESS)
    return hull.buffer(margin, quad_segs=4).simplify(margin / 8)


def _away(xy: Floats, start: Ints) -> Floats:
    """How far every place is from the nearest other one of its group (``start[k]`` to ``start[k + 1]``), 0 for none."""
    if len(xy) == 0:
        return np.zeros(0)
    axis = int(np.argmax(np.ptp(xy, axis=0)))
    along = xy[:, axis]
    order = np.lexsort((xy[:, 1 - axis], along, np.repeat(np.arange(len(start) - 1), np.diff(start))))
    away = np.empty(len(xy))
    away[order] = _nearest(along[order], xy[order], start)
    return away


def _nearest_by_tree(_: Floats, xy: Floats, start: Ints) -> Floats:
    """As :func:`_nearest`."""
    away = np.zeros(len(xy))
    for a, b in pairwise(start.tolist()):
        points = np.asarray(shapely.points(xy[a:b]))
        (row, _), off = shapely.STRtree(points).query_nearest(
            points, exclusive=True, return_distance=True, all_matches=False
        )
        away[a + row] = off
    return away


@njit(plain=_nearest_by_tree, cache=True)
def _nearest(along: Floats, xy: Floats, start: Ints) -> Floats:
    """From each place of a group, which lie by ``along``, both ways as long as a nearer one can lie there."""
    away = np.zeros(len(xy))
    for k in range(len(start) - 1):
        for i in range(start[k], start[k + 1]):
            if i > start[k] and xy[i, 0] == xy[i - 1, 0] and xy[i, 1] == xy[i - 1, 1]:
                away[i] = away[i - 1]
                continue
            best = np.inf
            for way in (-1, 1):
                j = i + way
                while start[k] <= j < start[k + 1] and (along[j] - along[i]) ** 2 < best:
                    off = (xy[j, 0] - xy[i, 0]) ** 2 + (xy[j, 1] - xy[i, 1]) ** 2
                    if 0 < off < best:
                        best = off
                    j += way
            if best < np.inf:
                away[i] = np.sqrt(best)
    return away


def pack_table(frame: pd.DataFrame, *, table: TableName) -> tuple[list[dict[str, Any]], Blocks]:
    """Describe and pack every column that the table's file has."""
    columns = columns_of(frame, table=table)
    blocks: Blocks = {}
    for column in columns:
        name = f"{table}.{column.name}"
        if column.kind == "text":
            blocks.update(pack_texts(name, frame[column.name]))
        else:
            blocks[name] = pack_numbers(frame[column.name], column.decimals)
    return [_description(column, table) for column in columns], blocks


def _description(column: Column, table: TableName) -> dict[str, Any]:
    described = asdict(column)
    return {"table": table, "column": described.pop("name"), **described}


def pack_texts(name: str, values: pd.Series[Any]) -> Blocks:
    """Distinct texts and, where any repeat, the code of each row. Missing is the empty text."""
    texts = _text_array(values).dictionary_encode()
    words = texts.dictionary
    if len(words) == len(texts):
        return {f"{name}.texts": words}
    codes = texts.indices.to_numpy(zero_copy_only=False)
    return {f"{name}.texts": words, name: codes.astype(_smallest(len(words), CODE_TYPES))}


def _text_array(values: pd.Series[Any]) -> pa.StringArray:
    try:
        texts = pa.array(values, type=pa.string(), from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        texts = pa.array([None if pd.isna(value) else str(value) for value in values], type=pa.string())
    whole = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    return pc.fill_null(whole, "")


def pack_numbers(values: pd.Series[Any], decimals: int) -> NDArray[Any]:
    """Whole multiples of the last decimal; the type's least value, or NaN, stands for a missing one."""
    floats = pd.to_numeric(values, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(floats * 10.0**decimals)
        known = np.abs(scaled) <= LARGEST_WHOLE
    largest = float(np.abs(scaled[known]).max(initial=0.0))
    if largest > np.iinfo(np.int32).max:
        return np.where(known, scaled / 10.0**decimals, np.nan)
    kind = _smallest(largest, NUMBER_TYPES)
    return np.where(known, scaled, np.iinfo(kind).min).astype(kind)


def _smallest(largest: float, types: tuple[type[np.integer[Any]], ...]) -> type[np.integer[Any]]:
    return next(kind for kind in types if largest <= np.iinfo(kind).max)
