"""Maps on the page: network, sections, marks, numbers. Shape, size and lettering tell bands apart in grey print."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import shapely
from reportlab.lib.colors import Color, HexColor, white
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from survey.arrays import Floats, Objects
from survey.report.background import GROUNDS, NAME_COLOUR
from survey.report.ramp import BANDS, Mark
from survey.report.sheets.content import SheetContent
from survey.report.sheets.labels import LabelField, Placed
from survey.report.sheets.lettering import BOLD, FAINT, INK, QUIET, REGULAR, SLANTED, clean, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import View
from survey.report.sheets.windows import (
    OVERVIEW_SIZE,
    SWITCH_RADIUS,
    MapPage,
    mark_radius,
    page_lines,
    switch_radius,
    window_name,
    window_rect,
    window_tags,
)

SECTION_WIDTH, SHIELDED_WIDTH, OVERHEAD_WIDTH = 4.2, 0.9, 0.6
OVERHEAD_DASH, SECTION_DASH = (3.0, 2.0), (2.6, 2.6)
_FILLS = {"ring": white, "loop": white, "square": HexColor(FAINT)}
_STROKES = {
    "cross": ((-1, -1, 1, 1), (-1, 1, 1, -1)),
    "plus": ((-1, 0, 1, 0), (0, -1, 0, 1)),
}
_SECTION_TINT = 0.45
_SIMPLIFY = 0.15
NAME_SIZE = 7.0
STRAIGHT = 0.97
"""A name stands along a line where the way between its ends is hardly longer than the name."""
MOST_TRIES, MOST_NAMES = 12, 80
BESIDE = 6.5
"""Names stand this far from their line, points: cables and exposed sections run along streets."""
_PX = 0.55
"""Points on paper for a pixel on the screen."""


def draw_map(canvas: Canvas, page: MapPage, content: SheetContent, *, close: Sequence[MapPage] = ()) -> None:
    """Draw a map with its labels into its frame; on the overview with the outlines of the details, ``close``."""
    view = page.view
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(view.frame.x0, view.frame.y0, view.frame.width, view.frame.height)
    canvas.clipPath(clip, stroke=0, fill=0)
    draw_ground(canvas, view, content)
    _draw_sections(canvas, view, content)
    draw_cables(canvas, view, content)
    for place in view.to_page(content.changes_m[view.shows(content.changes_m)]).tolist():
        draw_change(canvas, place)
    for place in view.to_page(content.open_m[view.shows(content.open_m)]).tolist():
        draw_open(canvas, place)
    _draw_windows(canvas, page, close)
    _draw_leaders(canvas, [*page.labels.values(), *page.switch_labels.values()])
    _draw_switches(canvas, page, content)
    _draw_sites(canvas, page, content)
    for row, placed in page.labels.items():
        draw_number(canvas, placed.box, str(row + 1), key=content.marks[row].key, size=page.size)
    draw_names(canvas, page, content)
    canvas.restoreState()
    draw_border(canvas, view.frame)


def draw_border(canvas: Canvas, rect: Rect) -> None:
    """A hairline around a rectangle."""
    canvas.setStrokeColor(HexColor(FAINT))
    canvas.setLineWidth(0.6)
    canvas.rect(rect.x0, rect.y0, rect.width, rect.height, stroke=1, fill=0)


def _draw_windows(canvas: Canvas, whole: MapPage, close: Sequence[MapPage]) -> None:
    """Outlines and names of the details on the overview."""
    tags = window_tags(whole, close)
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.8)
    canvas.setDash(1.2, 2.2)
    for page in close:
        rect = window_rect(whole, page)
        canvas.rect(rect.x0, rect.y0, rect.width, rect.height, stroke=1, fill=0)
    canvas.restoreState()
    _draw_leaders(canvas, [tag for tag in tags if tag is not None])
    canvas.setFont(BOLD, OVERVIEW_SIZE)
    for number, tag in enumerate(tags, start=1):
        if tag is not None:
            x0, y0, x1, y1 = tag.box
            canvas.setFillColor(white)
            canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
            canvas.setFillColor(HexColor(INK))
            canvas.drawString(x0 + 2, y0 + 2.4, window_name(number))


def _draw_sections(canvas: Canvas, view: View, content: SheetContent) -> None:
    """Exposed cable as a whole band, exposed overhead line as a broken one."""
    canvas.saveState()
    canvas.setLineJoin(1)
    canvas.setLineWidth(SECTION_WIDTH)
    lines = page_lines(content.sections, view)
    for row in np.flatnonzero(~shapely.is_empty(lines)).tolist():
        shielded = bool(content.section_shielded[row])
        canvas.setLineCap(int(shielded))
        canvas.setDash(*([] if shielded else SECTION_DASH))
        canvas.setStrokeColor(tint(content.section_colours[row]))
        _stroke(canvas, [lines[row]])
    canvas.restoreState()


def tint(colour: str) -> Color:
    """A colour mixed with white, light enough to lie beneath a line."""
    full = HexColor(colour)
    channels = (1 - _SECTION_TINT * (1 - value) for value in (full.red, full.green, full.blue))
    return Color(*channels)


def draw_cables(canvas: Canvas, view: View, content: SheetContent) -> None:
    """Shielded cable full, overhead dashed."""
    lines = page_lines(content.cables, view)
    drawn = ~shapely.is_empty(lines)
    canvas.saveState()
    canvas.setStrokeColor(HexColor(FAINT))
    canvas.setLineWidth(OVERHEAD_WIDTH)
    canvas.setDash(*OVERHEAD_DASH)
    _stroke(canvas, lines[drawn & ~content.shielded])
    canvas.setStrokeColor(HexColor(QUIET))
    canvas.setLineWidth(SHIELDED_WIDTH)
    canvas.setDash()
    _stroke(canvas, lines[drawn & content.shielded])
    canvas.restoreState()


def _stroke(canvas: Canvas, lines: Iterable[shapely.Geometry] | Objects) -> None:
    path = canvas.beginPath()
    for part in shapely.get_parts(shapely.simplify(np.asarray(list(lines), dtype=object), _SIMPLIFY)):
        _add_line(path, shapely.get_coordinates(part))
    canvas.drawPath(path, stroke=1, fill=0)


def _add_line(path: PDFPathObject, xy: Floats) -> None:
    points = np.round(xy, 2).tolist()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)


def _draw_leaders(canvas: Canvas, labels: Sequence[Placed]) -> None:
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.35)
    for label in labels:
        if label.leader is not None:
            canvas.line(*label.leader)


def _draw_switches(canvas: Canvas, page: MapPage, content: SheetContent) -> None:
    shown = np.flatnonzero(page.view.shows(content.switches_m))
    places = page.view.to_page(content.switches_m[shown])
    for place, radius in zip(places.tolist(), switch_radius(content, shown).tolist(), strict=True):
        draw_switch(canvas, place, radius=radius)
    for row, placed in page.switch_labels.items():
        x0, y0, x1, y1 = placed.box
        canvas.setFillColor(white)
        canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
        canvas.setFillColor(HexColor(INK))
        canvas.setFont(SLANTED, page.size - 1.5)
        canvas.drawString(x0 + 1, y0 + 1.6, content.switch_ids[row])


def draw_switch(canvas: Canvas, place: Sequence[float], *, radius: float = SWITCH_RADIUS) -> None:
    """A switching point: a small open square with a stroke through it."""
    x, y = place
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(white)
    canvas.setLineWidth(0.8)
    canvas.rect(x - radius, y - radius, 2 * radius, 2 * radius, stroke=1, fill=1)
    canvas.line(x - radius, y - radius, x + radius, y + radius)


def draw_open(canvas: Canvas, place: Sequence[float], *, radius: float = 3.0) -> None:
    """Where the network is open in its normal state: an open ring."""
    x, y = place
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(white)
    canvas.setLineWidth(0.9)
    canvas.circle(x, y, radius, stroke=0, fill=1)
    canvas.arc(x - radius, y - radius, x + radius, y + radius, startAng=45, extent=270)


def draw_change(canvas: Canvas, place: Sequence[float], *, radius: float = 7.5) -> None:
    """Where a what-if changes something: a broken square around it, as on the map."""
    x, y = place
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(HexColor("#f7e08a"))
    canvas.setLineWidth(0.9)
    canvas.setDash(2.4, 1.8)
    canvas.rect(x - radius, y - radius, 2 * radius, 2 * radius, stroke=1, fill=1)
    canvas.restoreState()


def _draw_sites(canvas: Canvas, page: MapPage, content: SheetContent) -> None:
    """The least urgent first, so that the most urgent lie on top."""
    places = page.view.to_page(content.xy_m)
    for row in reversed(page.rows):
        x, y = places[row].tolist()
        draw_mark(
            canvas, (x, y), mark=content.marks[row], radius=mark_radius(content, row), colour=content.colours[row]
        )


def draw_mark(canvas: Canvas, place: tuple[float, float], *, mark: Mark, radius: float, colour: str) -> None:
    """The mark of a band, or of a status without a band, around a place."""
    canvas.setStrokeColor(HexColor(INK))
    canvas.setFillColor(_FILLS.get(mark.shape) or HexColor(colour))
    canvas.setLineWidth(0.6)
    x, y = place
    if mark.shape in {"dot", "circle", "ring", "loop"}:
        canvas.circle(x, y, radius, stroke=1, fill=1)
        if mark.shape == "loop":
            canvas.circle(x, y, radius * 0.45, stroke=1, fill=0)
    elif mark.shape == "square":
        canvas.rect(x - radius, y - radius, 2 * radius, 2 * radius, stroke=1, fill=1)
    elif mark.shape in _STROKES:
        canvas.setLineWidth(1.1)
        for x0, y0, x1, y1 in _STROKES[mark.shape]:
            canvas.line(x + x0 * radius, y + y0 * radius, x + x1 * radius, y + y1 * radius)
    else:
        _polygon(canvas, place, radius, corners=3 if mark.shape == "triangle" else 4)


def _polygon(canvas: Canvas, place: tuple[float, float], radius: float, *, corners: int) -> None:
    angles = np.pi / 2 + np.arange(corners) * 2 * np.pi / corners
    path = canvas.beginPath()
    _add_line(path, np.array(place) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1))
    path.close()
    canvas.drawPath(path, stroke=1, fill=1)


def draw_number(canvas: Canvas, box: tuple[float, float, float, float], text: str, *, key: str, size: float) -> None:
    """A site's number: white on black when severe, framed when high, plain on white else."""
    x0, y0, x1, y1 = box
    severe, high = key == BANDS[3], key == BANDS[2]
    canvas.setFillColor(HexColor(INK) if severe else white)
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.5)
    canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=int(high), fill=1)
    canvas.setFillColor(white if severe else HexColor(INK))
    canvas.setFont(BOLD if severe or high else REGULAR, size)
    canvas.drawCentredString((x0 + x1) / 2, y0 + 1 + size * 0.15, text)


def draw_ground(canvas: Canvas, view: View, content: SheetContent) -> None:
    """Areas and lines, bottom first."""
    canvas.saveState()
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    shapes = page_lines(content.background.geometry.to_numpy(), view)
    for shape, look in zip(shapes, content.background["look"], strict=True):
        ground = GROUNDS[look]
        canvas.setDash(*([[_PX * length for length in ground.dash]] if ground.dash else []))
        canvas.setStrokeColor(HexColor(ground.line or ground.fill))
        canvas.setFillColor(HexColor(ground.fill or ground.line))
        canvas.setLineWidth(max(ground.width_px * _PX, 0.4))
        for part in shapely.get_parts(shape):
            _draw_part(canvas, part, stroke=bool(ground.line), fill=bool(ground.fill))
    canvas.restoreState()


def _draw_part(canvas: Canvas, part: shapely.Geometry, *, stroke: bool, fill: bool) -> None:
    area = isinstance(part, shapely.Polygon)
    path = canvas.beginPath()
    for ring in shapely.get_rings(part) if area else (part,):
        points = np.round(shapely.get_coordinates(ring), 2).tolist()
        if len(points) == 1:
            canvas.circle(*points[0], 1.2, stroke=0, fill=1)
            continue
        path.moveTo(*points[0])
        for x, y in points[1:]:
            path.lineTo(x, y)
    canvas.drawPath(path, stroke=int(stroke), fill=int(fill and area), fillMode=FILL_EVEN_ODD)


def draw_names(canvas: Canvas, page: MapPage, content: SheetContent) -> list[str]:
    """Write each name once, where it first finds room; gives the names that did."""
    written: list[str] = []
    shapes = page_lines(content.background.geometry.to_numpy(), page.view)
    order = np.argsort(-shapely.length(shapes), kind="stable")
    canvas.setFillColor(HexColor(NAME_COLOUR))
    for row in order[~shapely.is_empty(shapes[order])].tolist():
        name = clean(content.background["label"].iloc[row], limit=40)
        if name and name not in written and len(written) < MOST_NAMES and _write(canvas, page.field, name, shapes[row]):
            written.append(name)
    return written


def _write(canvas: Canvas, field: LabelField, name: str, shape: shapely.Geometry) -> bool:
    width = text_width(name, size=NAME_SIZE, font=SLANTED)
    for middle, angle in _spots(shape, width):
        boxes = _boxes(middle, width, angle)
        if field.take_if_free(boxes):
            canvas.saveState()
            canvas.translate(*middle.tolist())
            canvas.rotate(float(np.rad2deg(angle)))
            canvas.setFont(SLANTED, NAME_SIZE)
            canvas.drawCentredString(0, -NAME_SIZE * 0.35, name)
            canvas.restoreState()
            return True
    return False


def _spots(shape: shapely.Geometry, width: float) -> Iterator[tuple[Floats, float]]:
    """Middles and slopes for a name: under a place, inside an area, beside straight enough parts of lines."""
    if isinstance(shape, shapely.Point):
        yield np.array([shape.x, shape.y - NAME_SIZE]), 0.0
    elif shapely.get_dimensions(shape) == 2:
        x, y = shapely.get_coordinates(shapely.centroid(shape))[0].tolist()
        name = shapely.box(x - width / 2, y - NAME_SIZE, x + width / 2, y + NAME_SIZE)
        if shapely.contains(shape, name):
            yield np.array([x, y]), 0.0
    else:
        for line in shapely.get_parts(shape):
            yield from _along(line, width)


def _along(line: shapely.LineString, width: float) -> Iterator[tuple[Floats, float]]:
    if line.length < width:
        return
    middles = np.linspace(width / 2, line.length - width / 2, MOST_TRIES)
    middles = middles[np.argsort(np.abs(middles - line.length / 2), kind="stable")]
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(line, middles + side))
        for side in (-width / 2, width / 2)
    ]
    for first, last in zip(*ends, strict=True):
        step = last - first if last[0] >= first[0] else first - last
        if np.hypot(*step) >= STRAIGHT * width:
            up = np.array([-step[1], step[0]]) / np.hypot(*step) * BESIDE
            yield from (((first + last) / 2 + side, float(np.arctan2(step[1], step[0]))) for side in (up, -up))


def _boxes(middle: Floats, width: float, angle: float) -> Floats:
    """Room of a name that leans, as a row of small squares, shape (n, 4)."""
    steps = max(int(np.ceil(width / NAME_SIZE)), 2)
    out = width * ((np.arange(steps) + 0.5) / steps - 0.5)
    centres = middle + out[:, None] * np.array([np.cos(angle), np.sin(angle)])
    return np.concatenate([centres - NAME_SIZE / 2, centres + NAME_SIZE / 2], axis=1)
