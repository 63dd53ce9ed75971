"""Which maps a set of sheets needs: one overview, and details where its labels find no room."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from survey.arrays import Bools, Floats, Objects
from survey.report.ramp import BANDS, Mark, rank_size
from survey.report.sheets.content import SheetContent
from survey.report.sheets.labels import LabelField, Placed
from survey.report.sheets.lettering import BOLD, REGULAR, SLANTED, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import POINTS_PER_M, ROOM, SMALLEST_SCALE_M, Units, View, customary_scale, fit

RADII = {
    "dot": 1.8,
    "circle": 3.2,
    "triangle": 4.4,
    "diamond": 5.2,
    "ring": 2.7,
    "loop": 3.6,
    "square": 2.5,
    "cross": 2.8,
    "plus": 3.2,
}
"""Half the width of each mark on paper, points: further apart than on a screen, for grey print."""
SWITCH_RADIUS, SWITCH_RIM = 3.0, 2.0
AT_SITE_M = 1.0
CLOSE = 17.0
"""Sites nearer to each other than this on the overview, points, are shown again on a detail."""
OVERVIEW_SIZE, DETAIL_SIZE = 7.0, 8.5
OVERVIEW_REACH, DETAIL_REACH = 18.0, 48.0
REFIT = 1.3
"""A tile whose sites lie close together is drawn at a scale up to so many times larger than its neighbours'."""
ROOM_PER_SITE = 3200.0
"""A detail with less of the frame for each site, square points, is split even where all numbers find room."""
MOST_LED, FEW_SITES = 0.4, 20
"""A detail with more than this share of labels on leader lines is split, unless it holds only a few sites."""
ROOM_AROUND = 18.0
"""Where sites lie on one spot their numbers stand in a ring with so many points of its length for each."""
_ANY_REACH = 1e9
_INK_STEP = 0.8


@dataclass(frozen=True)
class MapPage:
    """A map with every label in its place.

    ``view`` what it shows; ``rows`` sites in the frame, rising; ``labels`` place of each site's number, by row; a row
    in ``rows`` without one found no room; ``switch_labels`` place of each switching point's id, by row of
    ``SheetContent.switch_ids``; details only; ``size`` letter size of the numbers, points; ``field`` what is taken on
    the page.
    """

    view: View
    rows: tuple[int, ...]
    labels: dict[int, Placed]
    switch_labels: dict[int, Placed]
    size: float
    field: LabelField

    @property
    def unlabelled(self) -> tuple[int, ...]:
        """Sites whose number found no room."""
        return tuple(row for row in self.rows if row not in self.labels)


def mark_radius(content: SheetContent, row: int) -> float:
    """Half the width of a site's mark, points: by rank for those with a band, as on the map."""
    ranked = content.marks[row].key in BANDS
    return paper_radius(content.marks[row]) * (rank_size(int(content.sites["rank"].iloc[row])) if ranked else 1.0)


def paper_radius(mark: Mark) -> float:
    """Half the width of a mark on paper, points."""
    return RADII[mark.shape]


def label_font(content: SheetContent, row: int) -> str:
    """Numbers of high and severe sites are bold."""
    return BOLD if content.marks[row].key in {"high", "severe"} else REGULAR


def overview(content: SheetContent, *, frame: Rect, units: Units) -> MapPage:
    """All placed sites, their points and sections; numbers where they find room close by, the most urgent first."""
    view = fit(content.shown_m, frame=frame, units=units)
    return _lay_out(content, view, size=OVERVIEW_SIZE, reach=OVERVIEW_REACH, switches=False)


def crowded(content: SheetContent, page: MapPage) -> NDArray[np.int_]:
    """Sites of a map without a number, or with a neighbour close by."""
    places = page.view.to_page(content.xy_m[list(page.rows)])
    away = np.asarray(cKDTree(places).query(places, k=2)[0])[:, 1]
    missing = np.isin(page.rows, page.unlabelled)
    return np.array(page.rows, dtype=int)[missing | (away < CLOSE)]


def window_rect(whole: MapPage, page: MapPage) -> Rect:
    """Outline of a detail on the overview, cut to its frame, points."""
    ground, frame = page.view.ground, whole.view.frame
    corners = whole.view.to_page(np.array([[ground.x0, ground.y0], [ground.x1, ground.y1]]))
    (x0, y0), (x1, y1) = np.clip(corners, (frame.x0, frame.y0), (frame.x1, frame.y1)).tolist()
    return Rect(x0, y0, x1, y1)


def window_tags(whole: MapPage, close: Sequence[MapPage]) -> list[Placed | None]:
    """Place of each detail's name on the overview, at a corner or along an edge of its outline."""
    tags = []
    for number, page in enumerate(close, start=1):
        rect = window_rect(whole, page)
        size = (text_width(window_name(number), size=OVERVIEW_SIZE, font=BOLD) + 4, OVERVIEW_SIZE + 3)
        places = (whole.field.place(anchor, size, radius=0, reach=30.0) for anchor in _edge_places(rect))
        tags.append(next((placed for placed in places if placed is not None), None))
    return tags


def window_name(number: int) -> str:
    """What a detail is called on the overview."""
    return f"Detail {number}"


def _edge_places(rect: Rect) -> list[tuple[float, float]]:
    corners = [(rect.x0, rect.y1), (rect.x1, rect.y1), (rect.x1, rect.y0), (rect.x0, rect.y0)]
    along = [(rect.x0 + share * rect.width, y) for y in (rect.y1, rect.y0) for share in (0.25, 0.5, 0.75)]
    return corners + along


def details(content: SheetContent, whole: MapPage, *, units: Units) -> list[MapPage]:
    """Maps, at larger scales than the overview, that number all its crowded sites; the most urgent site's map first."""
    rows, frame = crowded(content, whole), whole.view.frame
    scale = customary_scale(whole.view.scale / 2, units=units)
    alone = len(rows) > 0 and fit(content.xy_m[rows], frame=frame, units=units).scale <= whole.view.scale / REFIT
    parts = [rows] if alone else [rows[inside] for inside in _tiles(content.xy_m[rows], whole.view, scale)]
    least = SMALLEST_SCALE_M if alone else max(scale / REFIT, SMALLEST_SCALE_M)
    pages = [page for part in parts for page in _split(content, part, frame=frame, units=units, least=least)]
    return sorted(pages, key=lambda page: page.rows)


def _split(
    content: SheetContent, rows: NDArray[np.int_], *, frame: Rect, units: Units, least: float = SMALLEST_SCALE_M
) -> list[MapPage]:
    """One map if it is legible, else several at about twice its scale, side by side, and so on."""
    view = fit(content.xy_m[rows], frame=frame, units=units, least=least)
    page = _lay_out(content, view, size=DETAIL_SIZE, reach=DETAIL_REACH, switches=True)
    if _legible(page, rows):
        return [page]
    if least <= SMALLEST_SCALE_M and view.scale <= SMALLEST_SCALE_M * 1.2:
        start = len(page.rows) * ROOM_AROUND / (2 * np.pi)
        return [_lay_out(content, view, size=DETAIL_SIZE, reach=_ANY_REACH, switches=False, start=start)]
    scale = customary_scale(view.scale / 2, units=units)
    parts = [rows[inside] for inside in _tiles(content.xy_m[rows], view, scale)]
    least = max(scale / REFIT, SMALLEST_SCALE_M)
    return [page for part in parts for page in _split(content, part, frame=frame, units=units, least=least)]


def _tiles(xy: Floats, view: View, scale: float) -> Iterator[Bools]:
    """Which places lie in each tile of an even grid, as coarse as maps of that scale allow; empty ones are left out."""
    if len(xy) == 0:
        return
    low, extent = xy.min(axis=0), np.maximum(np.ptp(xy, axis=0), 1e-9)
    room = np.array([view.frame.width, view.frame.height]) * ROOM / POINTS_PER_M * scale
    across, down = np.maximum(np.ceil(extent / room), 1).astype(int)
    cell = np.minimum((xy - low) / extent * (across, down), (across - 1, down - 1)).astype(int)
    for row in reversed(range(down)):
        for column in range(across):
            inside = (cell == (column, row)).all(axis=1)
            if inside.any():
                yield inside


def _legible(page: MapPage, rows: NDArray[np.int_]) -> bool:
    if not set(rows.tolist()) <= set(page.labels):
        return False
    frame = page.view.frame
    if len(page.rows) > max(frame.width * frame.height / ROOM_PER_SITE, FEW_SITES):
        return False
    led = sum(label.leader is not None for label in page.labels.values())
    return len(page.rows) <= FEW_SITES or led <= MOST_LED * len(page.labels)


def _lay_out(
    content: SheetContent, view: View, *, size: float, reach: float, switches: bool, start: float = 0.0
) -> MapPage:
    rows = np.flatnonzero(content.placed)
    rows = rows[view.shows(content.xy_m[rows])]
    places = view.to_page(content.xy_m[rows])
    shown = np.flatnonzero(np.isfinite(content.switches_m).all(axis=1) & view.shows(content.switches_m))
    switch_places = view.to_page(content.switches_m[shown])
    switch_radii = switch_radius(content, shown)
    radii = _outer_radius(content, rows, shown, switch_radii)
    marks = _mark_boxes(np.concatenate([places, switch_places]), np.concatenate([radii, switch_radii]))
    field = LabelField(view.frame, marks, _ink(content, view))
    labels: dict[int, Placed] = {}
    for row, (x, y), radius in zip(rows.tolist(), places.tolist(), radii.tolist(), strict=True):
        box = (text_width(str(row + 1), size=size, font=label_font(content, row)) + 3, size + 2)
        placed = field.place((x, y), box, radius=radius, reach=reach, start=start)
        if placed is not None:
            labels[row] = placed
    switch_labels = (
        _label_switches(content, field, shown, np.column_stack([switch_places, switch_radii]), size=size - 1.5)
        if switches
        else {}
    )
    return MapPage(view, tuple(rows.tolist()), labels, switch_labels, size, field)


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


def _outer_radius(
    content: SheetContent, rows: NDArray[np.int_], switches: NDArray[np.int_], switch_radii: Floats
) -> Floats:
    """Half the width of each site's mark, or of the switching point's mark around it."""
    radii = np.array([mark_radius(content, row) for row in rows])
    if len(switches) == 0:
        return radii
    away, nearest = cKDTree(content.switches_m[switches]).query(content.xy_m[rows].reshape(-1, 2))
    return np.where(away < AT_SITE_M, np.maximum(switch_radii[nearest], radii), radii)


def switch_radius(content: SheetContent, rows: NDArray[np.int_]) -> Floats:
    """Half the width of switching points' marks, points; one at a site itself is drawn around the site's mark."""
    placed = np.flatnonzero(content.placed)
    away, nearest = cKDTree(content.xy_m[placed]).query(content.switches_m[rows].reshape(-1, 2))
    around = np.array([mark_radius(content, placed[site]) + SWITCH_RIM for site in np.atleast_1d(nearest)])
    return np.where(away < AT_SITE_M, np.maximum(around, SWITCH_RADIUS), SWITCH_RADIUS)


def _mark_boxes(centres: Floats, radii: Floats) -> Floats:
    half = radii[:, None]
    return np.concatenate([centres - half, centres + half], axis=1)


def page_lines(lines: Objects, view: View) -> Objects:
    """Drawn lines in page points, cut to the frame; those outside come out empty."""
    frame = view.frame
    moved = shapely.transform(lines, view.to_page)
    return np.asarray(shapely.clip_by_rect(moved, frame.x0, frame.y0, frame.x1, frame.y1))


def _ink(content: SheetContent, view: View) -> Floats:
    drawn = page_lines(content.cables, view)
    parts = shapely.get_parts(drawn)
    parts = parts[shapely.length(parts) > 0]
    return np.asarray(shapely.get_coordinates(shapely.segmentize(parts, _INK_STEP)))
