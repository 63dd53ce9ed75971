"""Survey sheets: one PDF for each district, or for a feeder."""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from reportlab.lib.colors import HexColor, white
from reportlab.pdfgen.canvas import Canvas

from survey.errors import OutputError
from survey.report.folder import refusal
from survey.report.sheets.content import NO_DISTRICT, SheetContent, districts_of, sheet_content
from survey.report.sheets.drawing import draw_map
from survey.report.sheets.lettering import BOLD, FAINT, INK, QUIET, REGULAR, fitted, load_fonts, text_width
from survey.report.sheets.panel import (
    Column,
    draw_legend,
    draw_locator,
    draw_scale,
    draw_site_list,
    text_block,
)
from survey.report.sheets.paper import FOOTER, HEADER, MARGIN, PAGE_NAMES, PageName, Paper, Rect, paper
from survey.report.sheets.table import draw_table, table_pages, table_rows
from survey.report.sheets.view import Units
from survey.report.sheets.windows import MapPage, crowded, details, overview
from survey.result import CAUTION

if TYPE_CHECKING:
    from survey.report.reread import SavedSurvey

Page = tuple[str, Callable[[Canvas], None]]
LEFT_OUT = (
    "The study leaves out source impedance, arresters, stray capacitance of bushings, remanence beyond the sweep, "
    "frequency-dependent core loss and single-phase load."
)


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
        No such district or feeder, no site to print, or ``out`` cannot be written to.
    """
    if page not in PAGE_NAMES:
        msg = f"sheets: no page '{page}'; choose one of {', '.join(PAGE_NAMES)}"
        raise OutputError(msg)
    single = district is not None or feeder is not None
    districts = [district] if single else districts_of(saved.sites) or [None]
    files: dict[str, bytes] = {}
    for name in districts:
        content = sheet_content(saved, district=name, feeder=feeder)
        files[_file_name(content.title, taken=files)] = sheet_bytes(content, page=page, units=units)
    return _write(files, out)


def _file_name(title: str, *, taken: dict[str, bytes]) -> str:
    stem = "sheets_" + (re.sub(r"[^\w-]+", "_", title.casefold()).strip("_") or "survey")
    names = (f"{stem}{'' if number == 1 else f'_{number}'}.pdf" for number in range(1, len(taken) + 2))
    return next(name for name in names if name not in taken)


def _write(files: dict[str, bytes], out: Path) -> list[Path]:
    """All files or none: each is written aside, then moved into place."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=out, prefix=".sheets-") as aside:
            for name, data in files.items():
                (Path(aside) / name).write_bytes(data)
            return [(Path(aside) / name).replace(out / name) for name in files]
    except OSError as error:
        raise refusal(out, error) from error


def sheet_bytes(content: SheetContent, *, page: PageName, units: Units) -> bytes:
    """One PDF; the same content gives the same bytes."""
    load_fonts()
    sheet = paper(page)
    pages = [*_map_pages(content, sheet, units), *_table_pages(content, sheet, units)]
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(sheet.width, sheet.height), invariant=1, pageCompression=1)
    canvas.setTitle(f"{content.subtitle}: {content.title}")
    canvas.setAuthor("")
    canvas.setSubject(CAUTION)
    for number, (name, draw) in enumerate(pages, start=1):
        _draw_header(canvas, sheet, content, name=name)
        draw(canvas)
        _draw_footer(canvas, sheet, number=number, count=len(pages))
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _map_pages(content: SheetContent, sheet: Paper, units: Units) -> list[Page]:
    if not content.placed.any():
        return []
    whole = overview(content, frame=sheet.frame, units=units)
    close = details(content, crowded(content, whole), frame=sheet.frame, units=units)
    pages: list[Page] = [("Overview", lambda canvas: _draw_overview(canvas, sheet, content, whole, close, units))]
    for number, page in enumerate(close, start=1):
        pages.append((f"Detail {number} of {len(close)}", _detail(sheet, content, whole, page, units)))
    return pages


def _detail(sheet: Paper, content: SheetContent, whole: MapPage, page: MapPage, units: Units) -> Callable[[Canvas], None]:
    return lambda canvas: _draw_detail(canvas, sheet, content, whole=whole, page=page, units=units)


def _table_pages(content: SheetContent, sheet: Paper, units: Units) -> list[Page]:
    rows = table_rows(content.sites, units=units)
    parts = table_pages(rows, marks=content.marks, colours=content.colours, body=sheet.body, units=units)
    return [
        (f"Table {number} of {len(parts)}", lambda canvas, part=part: draw_table(canvas, part, body=sheet.body))
        for number, part in enumerate(parts, start=1)
    ]


def _draw_header(canvas: Canvas, sheet: Paper, content: SheetContent, *, name: str) -> None:
    y = sheet.height - MARGIN - 13
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(BOLD, 14)
    title = fitted(content.title, width=sheet.width * 0.5, size=14, font=BOLD)
    canvas.drawString(MARGIN, y, title)
    canvas.setFont(REGULAR, 10)
    canvas.drawString(MARGIN + text_width(title, size=14, font=BOLD) + 10, y, name)
    canvas.setFont(REGULAR, 8)
    canvas.setFillColor(HexColor(QUIET))
    canvas.drawRightString(sheet.width - MARGIN, y + 4, content.subtitle)
    canvas.drawRightString(sheet.width - MARGIN, y - 6, f"Data as of: {content.data_date}")
    canvas.setStrokeColor(HexColor(FAINT))
    canvas.setLineWidth(0.6)
    canvas.line(MARGIN, sheet.height - MARGIN - HEADER + 10, sheet.width - MARGIN, sheet.height - MARGIN - HEADER + 10)


def _draw_footer(canvas: Canvas, sheet: Paper, *, number: int, count: int) -> None:
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(BOLD, 7)
    canvas.drawString(MARGIN, MARGIN + FOOTER - 16, CAUTION)
    canvas.setFont(REGULAR, 8)
    canvas.drawRightString(sheet.width - MARGIN, MARGIN + FOOTER - 16, f"Page {number} of {count}")


def _draw_overview(
    canvas: Canvas, sheet: Paper, content: SheetContent, whole: MapPage, close: list[MapPage], units: Units
) -> None:
    draw_map(canvas, whole, content)
    for number, page in enumerate(close, start=1):
        _draw_window(canvas, whole, page, number=number)
    column = Column(canvas, sheet.panel)
    draw_legend(column, content)
    listed = Column(canvas, Rect(sheet.panel.x0, sheet.panel.y0 + 96, sheet.panel.x1, column.y))
    draw_site_list(listed, content, range(min(10, len(content.sites))), heading="LOOK AT FIRST")
    low = Column(canvas, Rect(sheet.panel.x0, sheet.panel.y0, sheet.panel.x1, sheet.panel.y0 + 88))
    text_block(low, _placing_note(content) + LEFT_OUT)
    draw_scale(canvas, sheet.panel, view=whole.view, units=units)


def _placing_note(content: SheetContent) -> str:
    missing = int(np.count_nonzero(~content.placed))
    return f"{missing} sites have no place and are in the table only. " if missing else ""


def _draw_window(canvas: Canvas, whole: MapPage, page: MapPage, *, number: int) -> None:
    ground = page.view.ground
    (x0, y0), (x1, y1) = whole.view.to_page(np.array([[ground.x0, ground.y0], [ground.x1, ground.y1]])).tolist()
    frame = whole.view.frame
    x0, y0, x1, y1 = max(x0, frame.x0), max(y0, frame.y0), min(x1, frame.x1), min(y1, frame.y1)
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.8)
    canvas.setDash(1.2, 2.2)
    canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=1, fill=0)
    canvas.restoreState()
    text = f"Detail {number}"
    width = text_width(text, size=6) + 4
    canvas.setFillColor(white)
    canvas.rect(x0 + 3, y1 - 4, width, 8, stroke=0, fill=1)
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(REGULAR, 6)
    canvas.drawString(x0 + 5, y1 - 2, text)


def _draw_detail(
    canvas: Canvas, sheet: Paper, content: SheetContent, *, whole: MapPage, page: MapPage, units: Units
) -> None:
    draw_map(canvas, page, content)
    column = Column(canvas, sheet.panel)
    column.heading("WHERE THIS IS")
    draw_locator(column, content, whole=whole.view, page=page)
    listed = Column(canvas, Rect(sheet.panel.x0, sheet.panel.y0 + 48, sheet.panel.x1, column.y))
    draw_site_list(listed, content, page.rows, heading="ON THIS PAGE")
    draw_scale(canvas, sheet.panel, view=page.view, units=units)


__all__ = ["NO_DISTRICT", "make_sheets", "sheet_bytes"]
