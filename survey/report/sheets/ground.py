"""The user's own layers beneath a map on paper, and their names where these keep clear of everything else."""

from collections.abc import Iterator

import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

from survey.report.background import GROUNDS, NAME_COLOUR
from survey.report.sheets.content import SheetContent
from survey.report.sheets.labels import LabelField
from survey.report.sheets.lettering import SLANTED, clean, text_width
from survey.report.sheets.view import Floats, View
from survey.report.sheets.windows import MapPage, page_lines

NAME_SIZE = 7.0
STRAIGHT = 0.97
"""A name stands along a line where the way between its ends is hardly longer than the name."""
MOST_TRIES, MOST_NAMES = 12, 80
BESIDE = 6.5
"""Names stand this far from their line, points: cables and exposed sections run along streets."""
_PX = 0.55
"""Points on paper for a pixel on the screen."""


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
