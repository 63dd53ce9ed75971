"""The table of a set of sheets, in the map's numbers, with a box to tick and room to write."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Table, TableStyle

from survey.report.ramp import STATUS_MARKS, Mark, mark_of
from survey.report.sheets.drawing import draw_mark
from survey.report.sheets.lettering import BOLD, FAINT, HAIR, INK, QUIET, REGULAR, clean, markup, style
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import FEET_PER_M, Units
from survey.report.sheets.windows import paper_radius

SIZE = 6.6
ROW_HEIGHT = 25.0
NOTHING = "–"
_FIXED = {"number": 22, "site": 64, "switch": 74, "kva": 36, "connection": 58, "walked": 36, "exposed": 40,
          "peak": 34, "loaded": 34, "load": 36, "band": 60, "done": 26}  # fmt: skip
_ACTION_SHARE = 0.66
_WRITTEN_LIMIT = 140


@dataclass(frozen=True)
class TableRow:
    """One site as the table shows it, all text."""

    number: str
    site: str
    switch: str
    kva: str
    connection: str
    walked: str
    exposed: str
    peak: str
    loaded: str
    load: str
    band: str
    action: str


def headings(units: Units) -> dict[str, str]:
    """Heading of each column, by its name, in order."""
    length = "m" if units == "metric" else "ft"
    return {
        "number": "No.",
        "site": "Site",
        "switch": "Switching point",
        "kva": "kVA",
        "connection": "Connection",
        "walked": f"Walked {length}",
        "exposed": f"Exposed cable {length}",
        "peak": "Peak pu no load",
        "loaded": "Peak pu loaded",
        "load": "Load needed kW",
        "band": "Band",
        "action": "Action",
        "done": "Done",
        "notes": "Notes",
    }


def table_rows(sites: pd.DataFrame, *, units: Units) -> list[TableRow]:
    """What the table says of each site; row ``i`` has the map's number ``i + 1``."""
    per_m = 1.0 if units == "metric" else FEET_PER_M
    return [
        TableRow(
            number=str(number),
            site=clean(site.site_id),
            switch=_switch(site),
            kva=_number(site.kva, decimals=1),
            connection=_words(site.connection, site.core),
            walked=_number(site.path_length_m * per_m, decimals=0),
            exposed=_number(site.exposed_cable_m * per_m, decimals=0),
            peak=_number(site.peak_pu, decimals=2),
            loaded=_number(site.peak_loaded_pu, decimals=2),
            load=_number(site.load_needed_kw, decimals=1),
            band=mark_of(str(site.band), str(site.status)).label,
            action=clean(site.action, limit=_WRITTEN_LIMIT) or NOTHING,
        )
        for number, site in enumerate(sites.itertuples(index=False), start=1)
    ]


def _switch(site: object) -> str:
    nearest, device = clean(getattr(site, "switch_id", "")), clean(getattr(site, "switch_device", ""), limit=30)
    worst = clean(getattr(site, "worst_switch_id", ""))
    text = " ".join(part for part in (nearest, f"({device})" if nearest and device else "") if part) or NOTHING
    return f"{text}; worst {worst}" if worst and worst != nearest else text


def _words(connection: object, core: object) -> str:
    return ", ".join(clean(part).replace("_", " ") for part in (connection, core) if str(part)) or NOTHING


def _number(value: float, *, decimals: int) -> str:
    if not np.isfinite(value):
        return NOTHING
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if decimals == 1 else text


class MarkCell(Flowable):  # type: ignore[misc]
    """A band's mark before its name."""

    def __init__(self, mark: Mark, colour: str, text: str) -> None:
        super().__init__()
        self.mark, self.colour, self.text = mark, colour, text
        self.label = Paragraph(markup(text), style(SIZE, font=BOLD if mark.key in {"high", "severe"} else REGULAR))

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the cell's content."""
        _, height = self.label.wrap(available_width - 15, available_height)
        self.height = max(height, SIZE * 1.2)
        return available_width, self.height

    def draw(self) -> None:
        """Draw mark and name at the origin."""
        radius = min(paper_radius(self.mark), 5.0)
        place = (5.5, self.height - SIZE * 0.62)
        draw_mark(self.canv, place, mark=self.mark, radius=radius, colour=self.colour)
        self.label.drawOn(self.canv, 14, 0)


class TickBox(Flowable):  # type: ignore[misc]
    """A box to tick."""

    side = 10.0

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:  # noqa: ARG002
        """Size of the box."""
        return self.side, self.side

    def draw(self) -> None:
        """Draw it at the origin."""
        self.canv.setStrokeColor(HexColor(INK))
        self.canv.setLineWidth(0.8)
        self.canv.rect(0, 0, self.side, self.side, stroke=1, fill=0)


def table_pages(
    rows: Sequence[TableRow], *, marks: Sequence[Mark], colours: Sequence[str], body: Rect, units: Units
) -> list[Table]:
    """The table, one part for each page."""
    widths = _widths(body.width)
    parts: list[Table] = []
    rest = Table(
        [_heading_cells(units), *(_cells(*row) for row in zip(rows, marks, colours, strict=True))],
        colWidths=widths, minRowHeights=[20, *[ROW_HEIGHT] * len(rows)], repeatRows=1, style=_style(),
    )  # fmt: skip
    while rest is not None:
        rest.wrap(body.width, body.height)
        split = rest.split(body.width, body.height)
        parts.append(split[0] if split else rest)
        rest = split[1] if len(split) > 1 else None
    return parts


def draw_table(canvas: Canvas, part: Table, *, body: Rect) -> None:
    """Draw one part at the top of a page's body."""
    _, height = part.wrapOn(canvas, body.width, body.height)
    part.drawOn(canvas, body.x0, body.y1 - height)


def _widths(width: float) -> list[float]:
    free = width - sum(_FIXED.values())
    flexible = {"action": free * _ACTION_SHARE, "notes": free * (1 - _ACTION_SHARE)}
    return [{**_FIXED, **flexible}[name] for name in headings("metric")]


def _heading_cells(units: Units) -> list[Paragraph]:
    return [Paragraph(markup(text), style(SIZE - 0.6, font=BOLD, colour=QUIET)) for text in headings(units).values()]


_RIGHT = ("kva", "walked", "exposed", "peak", "loaded", "load")


def _cells(row: TableRow, mark: Mark, colour: str) -> list[Flowable | str]:
    cells: list[Flowable | str] = [Paragraph(row.number, style(SIZE + 0.6, font=BOLD))]
    for name in list(headings("metric"))[1:10]:
        cells.append(Paragraph(markup(getattr(row, name)), style(SIZE, align=2 if name in _RIGHT else 0)))
    shown = colour if mark not in STATUS_MARKS else HAIR
    return [*cells, MarkCell(mark, shown, row.band), Paragraph(markup(row.action), style(SIZE)), TickBox(), ""]


def _style() -> TableStyle:
    return TableStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 3),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, HexColor(INK)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(FAINT)),
            ("LINEBEFORE", (-1, 0), (-1, -1), 0.4, HexColor(HAIR)),
        ]
    )
