"""The pages of one file of sheets: overview, details, switching points, table."""

import io
import re
from collections.abc import Callable, Container
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from reportlab.lib.colors import HexColor, white
from reportlab.pdfgen.canvas import Canvas

from survey.errors import OutputError
from survey.fingerprint import NOT_BUILT
from survey.report.folder import commit, refusal, reserve_folder
from survey.report.reread import SavedSurvey
from survey.report.sheets.content import SheetContent, districts_of, sheet_content
from survey.report.sheets.drawing import draw_map
from survey.report.sheets.lettering import (
    BOLD,
    FAINT,
    INK,
    NO_LETTER,
    QUIET,
    REGULAR,
    clean,
    fitted,
    load_fonts,
    text_width,
)
from survey.report.sheets.panel import TextColumn, draw_legend, draw_locator, draw_scale, draw_site_list, text_block
from survey.report.sheets.paper import FOOTER, HEADER, MARGIN, PAGE_NAMES, PageName, Paper, Rect, paper
from survey.report.sheets.points import block_pages, draw_blocks, point_blocks
from survey.report.sheets.table import calm, draw_table, short_pages, table_pages, table_rows
from survey.report.sheets.view import Units
from survey.report.sheets.windows import MapPage, details, overview
from survey.result import CAUTION

LEFT_OUT = (
    "The study leaves out source impedance, stray capacitance of bushings, remanence beyond the sweep, "
    "frequency-dependent core loss and single-phase units between two phases. Peaks are without arresters."
)
FIRST = 15
_NOTE_HEIGHT, _SCALE_HEIGHT = 88.0, 48.0


@dataclass(frozen=True)
class Book:
    """What goes into one file.

    ``content`` sites and network; ``paper`` page; ``units`` of lengths.
    """

    content: SheetContent
    paper: Paper
    units: Units

    def maps(self) -> list[MapPage]:
        """The overview, then the details; none when no site has a place."""
        content, frame = self.content, self.paper.frame
        if not content.placed.any():
            return []
        whole = overview(content, frame=frame, units=self.units)
        return [whole, *details(content, whole, units=self.units)]


Draw = Callable[[Canvas], None]


def book_bytes(book: Book) -> bytes:
    """One PDF; the same content gives the same bytes."""
    load_fonts()
    pages = [*_map_pages(book), *_point_pages(book), *_table_pages(book)]
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(book.paper.width, book.paper.height), invariant=1, pageCompression=1)
    canvas.setTitle(f"{book.content.subtitle}: {book.content.title}")
    canvas.setAuthor("")
    canvas.setSubject(CAUTION)
    for number, (name, draw) in enumerate(pages, start=1):
        _draw_header(canvas, book, name=name)
        draw(canvas)
        _draw_footer(canvas, book.paper, text=f"Page {number} of {len(pages)}")
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _map_pages(book: Book) -> list[tuple[str, Draw]]:
    maps = book.maps()
    if not maps:
        return []
    whole, *close = maps
    drawn = [partial(_draw_detail, book=book, whole=whole, page=page) for page in close]
    names = [f"Detail {number} of {len(close)}" for number in range(1, len(close) + 1)]
    return [("Overview", partial(_draw_overview, book=book, maps=maps)), *zip(names, drawn, strict=True)]


def _point_pages(book: Book) -> list[tuple[str, Draw]]:
    content, body = book.content, book.paper.body
    parts = block_pages(point_blocks(content, units=book.units), body=body)
    names = [f"Points {number} of {len(parts)}" for number in range(1, len(parts) + 1)]
    drawn = [partial(draw_blocks, blocks=part, content=content, body=body, units=book.units) for part in parts]
    return list(zip(names, drawn, strict=True))


def _table_pages(book: Book) -> list[tuple[str, Draw]]:
    content, body = book.content, book.paper.body
    rows = list(zip(table_rows(content.sites, units=book.units), content.marks, content.colours, strict=True))
    parts = {
        "Table": table_pages([row for row in rows if not calm(row[0])], body=body, units=book.units),
        "Without action": short_pages([row for row in rows if calm(row[0])], body=body),
    }
    return [
        (f"{name} {number} of {len(tables)}", partial(draw_table, part=part, body=body))
        for name, tables in parts.items()
        for number, part in enumerate(tables, start=1)
    ]


def _draw_header(canvas: Canvas, book: Book, *, name: str) -> None:
    paper, content = book.paper, book.content
    y = paper.height - MARGIN - 13
    title = fitted(content.title, width=paper.width * 0.5, size=14, font=BOLD)
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(BOLD, 14)
    canvas.drawString(MARGIN, y, title)
    canvas.setFont(REGULAR, 10)
    canvas.drawString(MARGIN + text_width(title, size=14, font=BOLD) + 10, y, name)
    canvas.setFont(REGULAR, 8)
    canvas.setFillColor(HexColor(QUIET))
    canvas.drawRightString(paper.width - MARGIN, y + 4, content.subtitle)
    canvas.drawRightString(paper.width - MARGIN, y - 6, f"Data as of: {content.data_date}")
    if content.what_if:
        _draw_what_if(canvas, paper, text=f"{content.what_if}: {NOT_BUILT}")
    canvas.setStrokeColor(HexColor(FAINT))
    canvas.setLineWidth(0.6)
    line_y = paper.height - MARGIN - HEADER + 10
    canvas.line(MARGIN, line_y, paper.width - MARGIN, line_y)


def _draw_what_if(canvas: Canvas, paper: Paper, *, text: str) -> None:
    """White on black along the top edge, and a striped frame, on every page of a what-if."""
    canvas.saveState()
    canvas.setFillColor(HexColor(INK))
    canvas.rect(0, paper.height - MARGIN + 4, paper.width, MARGIN - 4, stroke=0, fill=1)
    canvas.setFillColor(white)
    canvas.setFont(BOLD, 13)
    canvas.drawCentredString(paper.width / 2, paper.height - MARGIN + 12, text)
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(6)
    canvas.setDash(14, 8)
    canvas.rect(12, 12, paper.width - 24, paper.height - MARGIN - 8, stroke=1, fill=0)
    canvas.restoreState()


def _draw_footer(canvas: Canvas, paper: Paper, *, text: str) -> None:
    y = MARGIN + FOOTER - 16
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(BOLD, 7)
    canvas.drawString(MARGIN, y, CAUTION)
    canvas.setFont(REGULAR, 8)
    canvas.drawRightString(paper.width - MARGIN, y, text)


def _draw_overview(canvas: Canvas, *, book: Book, maps: list[MapPage]) -> None:
    content, panel = book.content, book.paper.panel
    whole, *close = maps
    draw_map(canvas, whole, content, close=close)
    column = TextColumn(canvas, panel)
    draw_legend(column, content)
    listed = TextColumn(canvas, Rect(panel.x0, panel.y0 + _NOTE_HEIGHT + 8, panel.x1, column.y))
    draw_site_list(listed, content, range(min(FIRST, len(content.sites))), heading="LOOK AT FIRST")
    notes = TextColumn(canvas, Rect(panel.x0, panel.y0, panel.x1, panel.y0 + _NOTE_HEIGHT))
    text_block(notes, _notes(content) + LEFT_OUT)
    draw_scale(canvas, panel, view=whole.view, units=book.units)


def _notes(content: SheetContent) -> str:
    """What a reader of this file has to know besides the caution."""
    missing = int(np.count_nonzero(~content.placed))
    notes = f"Without a place, in the table only: {missing}. " if missing else ""
    names = content.sites[["site_id", "switch_id", "action"]].to_numpy().ravel()
    if any(NO_LETTER in clean(name) for name in names):
        notes += f"{NO_LETTER} stands for a letter that this print lacks; the survey's tables have it. "
    return notes


def _draw_detail(canvas: Canvas, *, book: Book, whole: MapPage, page: MapPage) -> None:
    content, panel = book.content, book.paper.panel
    draw_map(canvas, page, content)
    column = TextColumn(canvas, panel)
    draw_locator(column, content, whole=whole.view, page=page)
    listed = TextColumn(canvas, Rect(panel.x0, panel.y0 + _SCALE_HEIGHT, panel.x1, column.y))
    draw_site_list(listed, content, page.rows, heading="ON THIS PAGE")
    draw_scale(canvas, panel, view=page.view, units=book.units)


def make_sheets(
    saved: SavedSurvey,
    *,
    out: Path,
    district: str | None = None,
    feeder: str | None = None,
    page: PageName = "letter",
    units: Units = "metric",
) -> list[Path]:
    """Write printable sheets into a folder: overview, details where sites are crowded, table.

    Parameters
    ----------
    saved
        The survey, see :func:`survey.report.reread.read_results`.
    out
        Folder for the files; made when missing.
    district, feeder
        What to print; without both, one file for each district.
    page
        Paper: ``letter``, ``a4``, ``tabloid`` or ``a3``, landscape.
    units
        ``metric`` or ``us`` (feet).

    Returns
    -------
    list of Path
        The files, by district name.

    Raises
    ------
    OutputError
        No such page, district or feeder, no site to print, or ``out`` cannot be written to.
    """
    if page not in PAGE_NAMES:
        msg = f"sheets: no page '{page}'; choose one of {', '.join(PAGE_NAMES)}"
        raise OutputError(msg)
    one_file = district is not None or feeder is not None or len(saved.sites) == 0
    chosen: list[str | None] = [district] if one_file else list(districts_of(saved.sites))
    files: dict[str, bytes] = {}
    for name in chosen:
        content = sheet_content(saved, district=name, feeder=feeder)
        files[file_name(content.title, taken=files)] = book_bytes(Book(content, paper(page), units))
    return _write(files, out)


def file_name(title: str, *, taken: Container[str]) -> str:
    """A file name that any system accepts, made from a title, and not yet taken."""
    stem = "sheets_" + (re.sub(r"[^\w-]+", "_", title.casefold()).strip("_") or "survey")
    name, number = f"{stem}.pdf", 1
    while name in taken:
        number += 1
        name = f"{stem}_{number}.pdf"
    return name


def _write(files: dict[str, bytes], out: Path) -> list[Path]:
    """Write each file aside, then move all into place."""
    with reserve_folder(out) as held:
        try:
            for name, data in files.items():
                (held.staging / name).write_bytes(data)
        except OSError as error:
            raise refusal(out, error) from error
        commit(held, names=tuple(files))
    return [out / name for name in files]
