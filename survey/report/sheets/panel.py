"""What stands beside a map: legend, scale bar, north arrow, counts, a locator, the sites of the page."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from reportlab.lib.colors import HexColor, white
from reportlab.pdfgen.canvas import Canvas

from survey.report.background import GROUNDS
from survey.report.ramp import (
    BAND_HAZARDS,
    BAND_MARKS,
    BANDS,
    NO_HAZARD,
    RAMP_STEPS,
    RANK_SIZES,
    STATUS_MARKS,
    Mark,
    hazard_colours,
    ramp_hex,
)
from survey.report.sheets.content import SheetContent
from survey.report.sheets.drawing import (
    OVERHEAD_DASH,
    OVERHEAD_WIDTH,
    SECTION_DASH,
    SECTION_WIDTH,
    SHIELDED_WIDTH,
    draw_border,
    draw_change,
    draw_mark,
    draw_number,
    draw_open,
    draw_switch,
    tint,
)
from survey.report.sheets.lettering import BOLD, FAINT, INK, QUIET, REGULAR, clean, fitted, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.states import first_point
from survey.report.sheets.view import Units, View, bar_length_m, length_text, scale_text
from survey.report.sheets.windows import MapPage, paper_radius

SIZE = 7.6
LINE, CLOSEST_LINE = 11.5, 9.0
_SAMPLE, _SECTION_SAMPLE = 22.0, 60.0


@dataclass
class TextColumn:
    """Writes downwards in a panel.

    ``canvas``, ``rect`` where.
    """

    canvas: Canvas
    rect: Rect
    y: float = field(init=False)

    def __post_init__(self) -> None:
        self.y = self.rect.y1

    def heading(self, text: str) -> None:
        """A small heading."""
        self.y -= LINE + 3
        self.text(text, x=0, font=BOLD, colour=QUIET, size=SIZE - 0.4)
        self.y -= 2.5

    def text(self, text: str, *, x: float, font: str = REGULAR, colour: str = INK, size: float = SIZE) -> None:
        """Text at the present height."""
        self.canvas.setFillColor(HexColor(colour))
        self.canvas.setFont(font, size)
        self.canvas.drawString(self.rect.x0 + x, self.y, fitted(text, width=self.rect.width - x, size=size, font=font))


def draw_scale(canvas: Canvas, rect: Rect, *, view: View, units: Units) -> None:
    """Scale bar, scale and north arrow, along the bottom of a panel."""
    length_m = bar_length_m(view, longest=rect.width - 44, units=units)
    width, x, y = length_m * view.points_per_m, rect.x0, rect.y0 + 14
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.7)
    canvas.setFillColor(white)
    canvas.rect(x, y, width, 4, stroke=1, fill=1)
    canvas.setFillColor(HexColor(INK))
    canvas.rect(x, y, width / 2, 4, stroke=1, fill=1)
    canvas.setFont(REGULAR, SIZE - 0.6)
    canvas.drawString(x, y + 7, "0")
    canvas.drawRightString(x + width + 2, y + 7, length_text(length_m, units=units))
    canvas.setFillColor(HexColor(QUIET))
    canvas.drawString(x, y - 11, f"{scale_text(view.scale, units=units)} on this paper")
    _draw_north(canvas, rect.x1 - 12, rect.y0 + 4)


def _draw_north(canvas: Canvas, x: float, y: float) -> None:
    path = canvas.beginPath()
    path.moveTo(x, y + 24)
    path.lineTo(x - 5, y)
    path.lineTo(x, y + 5)
    path.lineTo(x + 5, y)
    path.close()
    canvas.setFillColor(HexColor(INK))
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFont(BOLD, SIZE)
    canvas.drawCentredString(x, y + 26, "N")


def draw_legend(column: TextColumn, content: SheetContent) -> None:
    """Marks in use with their counts, then lines and numbers."""
    column.heading("SHAPE: BAND, OR WHY THERE IS NONE")
    keys = [mark.key for mark in content.marks]
    for mark in (*reversed(BAND_MARKS), *STATUS_MARKS):
        count = keys.count(mark.key)
        if count:
            _legend_mark(column, mark, count)
    _ramp_bar(column)
    _size_line(column)
    column.heading("LINES AND POINTS")
    _legend_line(column, "Shielded cable", width=SHIELDED_WIDTH, colour=QUIET)
    _legend_line(column, "Overhead line", width=OVERHEAD_WIDTH, colour=FAINT, dash=OVERHEAD_DASH)
    section = tint(hazard_colours(np.array([_SECTION_SAMPLE]))[0]).hexval().replace("0x", "#")
    _legend_line(column, "Exposed cable, by hazard", width=SECTION_WIDTH, colour=section)
    if not content.section_shielded.all():
        _legend_line(column, "Exposed overhead line", width=SECTION_WIDTH, colour=section, dash=SECTION_DASH)
    column.y -= LINE
    draw_switch(column.canvas, (column.rect.x0 + _SAMPLE / 2, column.y + 2.5))
    column.text("Single-pole switching point", x=_SAMPLE + 6)
    if len(content.open_m):
        column.y -= LINE
        draw_open(column.canvas, (column.rect.x0 + _SAMPLE / 2, column.y + 2.5))
        column.text("Normally open", x=_SAMPLE + 6)
    if len(content.changes_m):
        column.y -= LINE
        draw_change(column.canvas, (column.rect.x0 + _SAMPLE / 2, column.y + 2.5), radius=4.5)
        column.text("Changed in this what-if", x=_SAMPLE + 6)
    for look in dict.fromkeys(content.background["look"]):
        ground = GROUNDS[look]
        width = 5.0 if ground.fill else ground.width_px
        _legend_line(column, ground.words, width=width, colour=ground.fill or ground.line, dash=ground.dash or None)


def _legend_mark(column: TextColumn, mark: Mark, count: int) -> None:
    column.y -= LINE + 1
    place = (column.rect.x0 + 6, column.y + 2.6)
    hazard = dict(zip(BAND_MARKS, BAND_HAZARDS, strict=True)).get(mark, np.nan)
    colour = hazard_colours(np.array([hazard]))[0]
    draw_mark(column.canvas, place, mark=mark, radius=paper_radius(mark), colour=colour)
    number = (place[0] + 9, column.y - 1.2, place[0] + 20, column.y + 7.3)
    draw_number(column.canvas, number, "n", key=mark.key, size=7)
    column.text(mark.label, x=32)
    column.canvas.drawRightString(column.rect.x1, column.y, str(count))


def _ramp_bar(column: TextColumn) -> None:
    column.y -= LINE + 8
    width = column.rect.width / RAMP_STEPS
    for step, colour in enumerate(ramp_hex()):
        column.canvas.setFillColor(HexColor(colour))
        column.canvas.rect(column.rect.x0 + step * width, column.y + 3, width + 0.2, 5, stroke=0, fill=1)
    column.y -= 6
    column.text("colour: hazard 0", x=0, colour=QUIET)
    column.canvas.drawRightString(column.rect.x1, column.y, "100")


def _size_line(column: TextColumn) -> None:
    """A mark at the size of each group of ranks."""
    column.y -= LINE + 5
    column.text("size: rank", x=0, colour=QUIET)
    x = column.rect.x0 + 42
    for _, factor, label in RANK_SIZES:
        radius = paper_radius(BAND_MARKS[-1]) * factor
        draw_mark(column.canvas, (x + radius, column.y + 2.6), mark=BAND_MARKS[-1], radius=radius, colour="#ffffff")
        column.text(label, x=x - column.rect.x0 + 2 * radius + 2)
        x += 2 * radius + text_width(label, size=SIZE) + 4


def _legend_line(
    column: TextColumn, text: str, *, width: float, colour: str, dash: tuple[float, ...] | None = None
) -> None:
    column.y -= LINE
    canvas = column.canvas
    canvas.saveState()
    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(width)
    if dash:
        canvas.setDash(*dash)
    canvas.line(column.rect.x0, column.y + 2.5, column.rect.x0 + _SAMPLE, column.y + 2.5)
    canvas.restoreState()
    column.text(text, x=_SAMPLE + 6)


def draw_site_list(column: TextColumn, content: SheetContent, rows: Sequence[int], *, heading: str) -> None:
    """Number, site and point to look at of each row, closer when many; says how many found no room."""
    column.heading(heading)
    step = float(np.clip((column.y - column.rect.y0) / (len(rows) + 1), CLOSEST_LINE, LINE))
    fitting = int((column.y - column.rect.y0) / step) - 1
    shown = rows if len(rows) <= fitting else rows[: fitting - 1]
    _site_line(column, ("No.", "Site", "Worst point"), step=step, colour=QUIET)
    for row in shown:
        site = content.sites.iloc[row]
        texts = (str(row + 1), clean(site["site_id"]), clean(first_point(dict(site))) or "–")
        font = BOLD if content.marks[row].key in BANDS[2:] else REGULAR
        _site_line(column, texts, step=step, font=font)
    if len(shown) < len(rows):
        column.y -= step
        more = f"and {len(rows) - len(shown)} more, see the table"
        column.text(more, x=0, colour=QUIET, size=min(SIZE, max(step * 0.8, 7.0)))


def _site_line(
    column: TextColumn, texts: tuple[str, str, str], *, step: float, font: str = REGULAR, colour: str = INK
) -> None:
    size = min(SIZE, max(step * 0.8, 7.0))
    number, site, switch = texts
    column.y -= step
    column.text(number, x=0, font=font, colour=colour, size=size)
    column.text(fitted(site, width=64, size=size), x=22, colour=colour, size=size)
    column.text(switch, x=92, colour=QUIET, size=size)


def draw_locator(column: TextColumn, content: SheetContent, *, whole: View, page: MapPage) -> None:
    """Where a detail lies in the overview."""
    column.heading("WHERE THIS IS")
    height = column.rect.width * whole.frame.height / whole.frame.width
    column.y -= height + 4
    box = Rect(column.rect.x0, column.y, column.rect.x1, column.y + height)
    small = View(box, whole.centre_m, whole.scale * whole.frame.width / box.width)
    canvas = column.canvas
    canvas.setFillColor(HexColor(NO_HAZARD))
    for x, y in small.to_page(content.xy_m[content.placed]).tolist():
        canvas.circle(x, y, 0.7, stroke=0, fill=1)
    ground = page.view.ground
    corners = small.to_page(np.array([[ground.x0, ground.y0], [ground.x1, ground.y1]]))
    (x0, y0), (x1, y1) = corners.tolist()
    x0, y0, x1, y1 = max(x0, box.x0), max(y0, box.y0), min(x1, box.x1), min(y1, box.y1)
    draw_border(canvas, box)
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(1.1)
    canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=1, fill=0)


def text_block(column: TextColumn, text: str, *, size: float = SIZE - 0.6, colour: str = QUIET) -> None:
    """Wrapped text."""
    words, line = text.split(), ""
    for word in [*words, ""]:
        longer = f"{line} {word}".strip()
        if word and text_width(longer, size=size) <= column.rect.width:
            line = longer
            continue
        column.y -= size * 1.3
        column.text(line, x=0, size=size, colour=colour)
        line = word
