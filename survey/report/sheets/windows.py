"""Which maps a set of sheets needs: one overview, and details where its labels find no room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from survey.report.ramp import Mark
from survey.report.sheets.content import SheetContent
from survey.report.sheets.labels import LabelField, Placed
from survey.report.sheets.lettering import BOLD, REGULAR, SLANTED, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import Floats, Units, View, fit

PX_TO_POINTS = 0.56
LEAST_RADIUS = 2.2
SWITCH_RADIUS, SWITCH_RIM = 3.0, 2.0
AT_SITE_M = 1.0
CLOSE = 17.0
"""Sites nearer to each other than this on the overview, points, are shown again on a detail."""
OVERVIEW_REACH, DETAIL_REACH = 18.0, 48.0
MOST_LED, FEW_SITES = 0.4, 10
"""A detail with more than this share of labels on leader lines is split, unless it holds only a few sites."""
_ANY_REACH = 1e9
_INK_STEP = 0.8


@dataclass(frozen=True)
class MapPage:
    """A map with every label in its place.

    Parameters
    ----------
    view
        What it shows.
    rows
        Sites in the frame, rising.
    labels
        Place of each site's number, by row; a row in ``rows`` without one found no room.
    switch_labels
        Place of each switching point's id, by row of ``SheetContent.switch_ids``; details only.
    size
        Letter size of the numbers, points.
    """

    view: View
    rows: tuple[int, ...]
    labels: dict[int, Placed]
    switch_labels: dict[int, Placed]
    size: float

    @property
    def unlabelled(self) -> tuple[int, ...]:
        """Sites whose number found no room."""
        return tuple(row for row in self.rows if row not in self.labels)


def mark_radius(content: SheetContent, row: int) -> float:
    """Half the width of a site's mark, points."""
    return paper_radius(content.marks[row])


def paper_radius(mark: Mark) -> float:
    """Half the width of a mark on paper, points."""
    return max(mark.size_px * PX_TO_POINTS / 2, LEAST_RADIUS)


def label_font(content: SheetContent, row: int) -> str:
    """Numbers of high and severe sites are bold."""
    return BOLD if content.marks[row].key in {"high", "severe"} else REGULAR


def overview(content: SheetContent, *, frame: Rect, units: Units) -> MapPage:
    """All placed sites; numbers where they find room close by, the most urgent first."""
    view = fit(content.xy_m[content.placed], frame=frame, units=units)
    return _lay_out(content, view, size=6.5, reach=OVERVIEW_REACH, switches=False)


def crowded(content: SheetContent, page: MapPage) -> NDArray[np.int_]:
    """Sites of a map without a number, or with a neighbour close by."""
    places = page.view.to_page(content.xy_m[list(page.rows)])
    nearest = cKDTree(places).query(places, k=2)[0][:, 1]
    missing = np.isin(page.rows, page.unlabelled)
    return np.array(page.rows, dtype=int)[missing | (nearest < CLOSE)]


def details(content: SheetContent, rows: NDArray[np.int_], *, frame: Rect, units: Units) -> list[MapPage]:
    """Maps that between them number all the given sites, the one with the most urgent site first."""
    pages = _split(content, rows, frame, units) if len(rows) else []
    return sorted(pages, key=lambda page: page.rows)


def _split(content: SheetContent, rows: NDArray[np.int_], frame: Rect, units: Units) -> list[MapPage]:
    xy = content.xy_m[rows]
    view = fit(xy, frame=frame, units=units)
    page = _lay_out(content, view, size=7.5, reach=DETAIL_REACH, switches=True)
    if _legible(page, rows):
        return [page]
    parts = _halves(xy)
    if parts is None or len(rows) == 1:
        return [_lay_out(content, view, size=7.5, reach=_ANY_REACH, switches=False)]
    return [page for part in parts for page in _split(content, rows[part], frame, units)]


def _legible(page: MapPage, rows: NDArray[np.int_]) -> bool:
    if not set(rows.tolist()) <= set(page.labels):
        return False
    led = sum(label.leader is not None for label in page.labels.values())
    return len(page.rows) <= FEW_SITES or led <= MOST_LED * len(page.labels)


def _halves(xy: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Cut a group of places in two, across its longer side, at a wide gap near the middle; ``None`` for one spot."""
    along = xy[:, int(np.argmax(np.ptp(xy, axis=0)))]
    order = np.sort(along)
    gaps = np.diff(order)
    if gaps.size == 0 or gaps.max() <= 0:
        return None
    share = np.arange(1, len(order)) / len(order)
    cut = int(np.argmax(gaps * share * (1 - share)))
    low = along <= order[cut]
    return low, ~low


def _lay_out(content: SheetContent, view: View, *, size: float, reach: float, switches: bool) -> MapPage:
    rows = np.flatnonzero(content.placed)
    rows = rows[view.shows(content.xy_m[rows])]
    places = view.to_page(content.xy_m[rows])
    radii = np.array([mark_radius(content, row) for row in rows])
    shown = np.flatnonzero(np.isfinite(content.switches_m).all(axis=1) & view.shows(content.switches_m))
    switch_places = view.to_page(content.switches_m[shown])
    switch_radii = switch_radius(content, shown)
    marks = _mark_boxes(np.concatenate([places, switch_places]), np.concatenate([radii, switch_radii]))
    field = LabelField(view.frame, marks, _ink(content, view))
    labels: dict[int, Placed] = {}
    for row, (x, y), radius in zip(rows.tolist(), places.tolist(), radii.tolist(), strict=True):
        box = (text_width(str(row + 1), size=size, font=label_font(content, row)) + 3, size + 2)
        placed = field.place((x, y), box, radius=radius, reach=reach)
        if placed is not None:
            labels[row] = placed
    switch_labels = _label_switches(content, field, shown, np.column_stack([switch_places, switch_radii]), size=size - 1.5) if switches else {}
    return MapPage(view, tuple(rows.tolist()), labels, switch_labels, size)


def _label_switches(
    content: SheetContent, field: LabelField, shown: NDArray[np.int_], places: Floats, *, size: float
) -> dict[int, Placed]:
    """Switching points get their ids where there is room left: the table has them all."""
    labels: dict[int, Placed] = {}
    for row, (x, y, radius) in zip(shown.tolist(), places.tolist(), strict=True):
        box = (text_width(content.switch_ids[row], size=size, font=SLANTED) + 2, size + 1.5)
        placed = field.place((x, y), box, radius=radius, reach=12.0)
        if placed is not None:
            labels[row] = placed
    return labels


def switch_radius(content: SheetContent, rows: NDArray[np.int_]) -> Floats:
    """Half the width of switching points' marks, points; one at a site itself is drawn around the site's mark."""
    placed = np.flatnonzero(content.placed)
    away, nearest = cKDTree(content.xy_m[placed]).query(content.switches_m[rows].reshape(-1, 2))
    around = np.array([mark_radius(content, placed[site]) + SWITCH_RIM for site in nearest])
    return np.where(away < AT_SITE_M, np.maximum(around, SWITCH_RADIUS), SWITCH_RADIUS)


def _mark_boxes(centres: Floats, radii: Floats) -> Floats:
    half = radii[:, None]
    return np.concatenate([centres - half, centres + half], axis=1)


def page_lines(lines: NDArray[np.object_], view: View) -> NDArray[np.object_]:
    """Drawn lines in page points, cut to the frame; those outside come out empty."""
    frame = view.frame
    moved = shapely.transform(lines, view.to_page)
    return np.asarray(shapely.clip_by_rect(moved, frame.x0, frame.y0, frame.x1, frame.y1))


def _ink(content: SheetContent, view: View) -> Floats:
    drawn = page_lines(content.cables, view)
    drawn = drawn[~shapely.is_empty(drawn)]
    return np.asarray(shapely.get_coordinates(shapely.segmentize(drawn, _INK_STEP)))
