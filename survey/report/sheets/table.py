"""The tables of a set of sheets, in the map's numbers: with a box to tick and room to write, and a short one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Table, TableStyle

from survey.assess.action import NO_ACTION
from survey.report.ramp import STATUS_MARKS, Mark, mark_of
from survey.report.sheets.drawing import draw_mark
from survey.report.sheets.lettering import BOLD, FAINT, HAIR, INK, QUIET, REGULAR, clean, markup, style
from survey.report.sheets.paper import Rect
from survey.report.sheets.states import (
    NAME_LIMIT,
    STATE_LIMIT,
    load_words,
    rings_at_point,
    state_words,
    worse_in_state,
)
from survey.report.sheets.view import FEET_PER_M, Units
from survey.report.sheets.windows import paper_radius

SIZE = 7.6
ROW_HEIGHT = 25.0
NOTHING = "–"
_FIXED = {"number": 22, "site": 60, "switch": 70, "kva": 33, "connection": 64, "walked": 36, "exposed": 40,
          "peak": 52, "load": 36, "band": 68, "done": 31}  # fmt: skip
_ACTION_SHARE = 0.62
_SHORT = {"number": 24, "mark": 20, "site": 64, "kva": 38}
_BESIDE = 3
"""So many sites stand beside each other in the short table."""
_DEVICE_LIMIT, _WRITTEN_LIMIT, _CELL_LIMIT = 40, 320, 700
_SIZE_WIDTH, _LARGEST = 730.0, 1.3
"""Letters are ``SIZE`` on a body this wide, and grow with it up to so many times."""


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
        "peak": "Peak pu no load / loaded",
        "load": "Load to hold kW",
        "band": "Band",
        "action": "Action",
        "done": "Done",
        "notes": "Notes",
    }


def table_rows(sites: pd.DataFrame, *, units: Units) -> list[TableRow]:
    """What the table says of each site; row ``i`` has the map's number ``i + 1``."""
    per_m = 1.0 if units == "metric" else FEET_PER_M
    told = sites.assign(at_point=rings_at_point(sites), in_state=worse_in_state(sites))
    records: list[dict[str, Any]] = told.to_dict("records")  # type: ignore[assignment]
    return [_table_row(site, number=number, per_m=per_m) for number, site in enumerate(records, start=1)]


def _table_row(site: Mapping[str, Any], *, number: int, per_m: float) -> TableRow:
    """``at_point`` of a site says that its point has a block, ``in_state`` that its worst state asks for more."""
    worst = site["worst_switch_id"] and site["worst_switch_id"] != site["switch_id"]

    def with_worst(text: str, of_worst: str) -> str:
        """The nearest point's figure and that of the worst one, which the band and the action go by."""
        return f"{text}; worst {of_worst}" if worst and of_worst != NOTHING else text

    texts = [_number(value, decimals=2) for value in (site["peak_pu"], site["peak_loaded_pu"])]
    peaks = NOTHING if texts == [NOTHING, NOTHING] else " / ".join(texts)
    exposed = _number(site["exposed_cable_m"] * per_m, decimals=0)
    return TableRow(
        number=str(number),
        site=clean(site["site_id"], limit=NAME_LIMIT),
        switch=_switch(site),
        kva=_number(site["kva"], decimals=1),
        connection=_words(site["connection"], site["core"]),
        walked=_number(site["path_length_m"] * per_m, decimals=0),
        exposed=with_worst(exposed, _number(site["worst_cable_m"] * per_m, decimals=0)),
        peak=with_worst(peaks, _number(site["worst_peak_pu"], decimals=2)),
        load=_load(site),
        band=mark_of(str(site["band"]), str(site["status"])).label,
        action=_action(site),
    )


def _load(site: Mapping[str, Any]) -> str:
    """The load to hold, then that of the state that asks for more."""
    normal, state = (_number(site[name], decimals=0) for name in ("hold_kw", "tie_hold_kw"))
    if not site["in_state"]:
        return normal
    then = f"then {state if state != NOTHING else '3-pole'}"
    return f"{normal}; {then}" if site["at_point"] else then


def _action(site: Mapping[str, Any]) -> str:
    """What to do; of a site that rings the block of its point says it; then what its worst state asks for."""
    point = clean(site["worst_switch_id"] or site["switch_id"], limit=NAME_LIMIT)
    words = state_words(site) if site["in_state"] else ""
    written = str(site["action"]).partition(f"{words}, at ")[0] if words else site["action"]
    text = f"See point {point}" if site["at_point"] else clean(written, limit=_WRITTEN_LIMIT)
    if not words:
        return text or NOTHING
    worst = clean(site["tie_worst_id"], limit=NAME_LIMIT)
    state = f"{clean(words, limit=STATE_LIMIT)}, at {worst}: {load_words(site['tie_hold_kw'])}"
    return f"{text.removesuffix('.')}. {state}" if text else f"{state}. See point {worst}"


def _switch(site: Mapping[str, Any]) -> str:
    nearest, worst = (clean(site[name], limit=NAME_LIMIT) for name in ("switch_id", "worst_switch_id"))
    device = clean(site["switch_device"], limit=_DEVICE_LIMIT)
    text = " ".join(part for part in (nearest, f"({device})" if nearest and device else "") if part) or NOTHING
    return f"{text}; worst {worst}" if worst and worst != nearest else text


def _words(connection: object, core: object) -> str:
    return ", ".join(clean(part).replace("_", " ") for part in (connection, core) if str(part)) or NOTHING


def _number(value: float, *, decimals: int) -> str:
    if not np.isfinite(value):
        return NOTHING
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if decimals == 1 else text


class MarkCell(Flowable):
    """A band's mark before its name."""

    def __init__(self, mark: Mark, colour: str, text: str, *, size: float) -> None:
        super().__init__()
        self.mark, self.colour, self.size = mark, colour, size
        self.label = Paragraph(markup(text), style(size, font=BOLD if mark.key in {"high", "severe"} else REGULAR))

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Size of the cell's content."""
        _, height = self.label.wrap(max(available_width - 15, 1.0), available_height)
        self.height = max(height, self.size * 1.2)
        return available_width, self.height

    def draw(self) -> None:
        """Draw mark and name at the origin."""
        radius = min(paper_radius(self.mark), 5.0)
        place = (5.5, self.height - self.size * 0.62)
        draw_mark(self.canv, place, mark=self.mark, radius=radius, colour=self.colour)
        self.label.drawOn(self.canv, 14, 0)


class TickBox(Flowable):
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


Drawn = tuple[TableRow, Mark, str]
"""A row with its mark and colour."""


def calm(row: TableRow) -> bool:
    """Whether a site asks for nothing: it stands in the short table at the end."""
    return row.action.startswith(NO_ACTION)


def table_pages(rows: Sequence[Drawn], *, body: Rect, units: Units) -> list[Table]:
    """The table, one part for each page."""
    growth = _growth(body)
    head = [_paragraph(text, SIZE * growth - 0.6, font=BOLD, colour=QUIET) for text in headings(units).values()]
    cells = [head, *(_cells(*row, SIZE * growth) for row in rows)]
    heights = [20, *[ROW_HEIGHT] * len(rows)]
    whole = Table(cells, colWidths=_widths(body.width, growth), minRowHeights=heights, repeatRows=1, style=_style())
    return _parts(whole, body) if rows else []


def short_pages(rows: Sequence[Drawn], *, body: Rect) -> list[Table]:
    """Sites that ask for nothing under the reason why, several to a line, one part for each page."""
    growth = _growth(body)
    size, fixed = SIZE * growth, [width * growth for width in _SHORT.values()]
    groups: dict[str, list[list[Flowable]]] = {}
    for row, mark, colour in rows:
        why = row.action.removeprefix(NO_ACTION).removeprefix(": ")
        groups.setdefault(why, []).append(_short_cells(row, mark, colour, size))
    across = len(fixed) + 1
    lines: list[list[Any]] = [
        [_paragraph(text, size - 0.6, font=BOLD, colour=QUIET) for text in _SHORT_HEADINGS] * _BESIDE
    ]
    looks: list[Any] = [*_LOOKS, ("LINEBELOW", (0, 0), (-1, -1), 0.3, HexColor(FAINT))]
    for why, cells in groups.items():
        looks.append(("SPAN", (0, len(lines)), (-1, len(lines))))
        lines.append([_paragraph(why[:1].upper() + why[1:], size, font=BOLD), *[""] * (across * _BESIDE - 1)])
        for first in range(0, len(cells), _BESIDE):
            line = [cell for site in cells[first : first + _BESIDE] for cell in site]
            lines.append(line + [""] * (across * _BESIDE - len(line)))
    widths = [*fixed, body.width / _BESIDE - sum(fixed)] * _BESIDE
    return _parts(Table(lines, colWidths=widths, repeatRows=1, style=TableStyle(looks)), body) if rows else []


_SHORT_HEADINGS = ("No.", "", "Site", "kVA", "Switching point")


def _short_cells(row: TableRow, mark: Mark, colour: str, size: float) -> list[Flowable]:
    texts = [_paragraph(text, size) for text in (row.site, row.kva, row.switch)]
    return [_paragraph(row.number, size, font=BOLD), MarkCell(mark, _shown(mark, colour), "", size=size), *texts]


def _growth(body: Rect) -> float:
    return min(max(body.width / _SIZE_WIDTH, 1.0), _LARGEST)


def _parts(rest: Table | None, body: Rect) -> list[Table]:
    """What fits on each page."""
    parts: list[Table] = []
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


def _widths(width: float, growth: float) -> list[float]:
    fixed = {name: value * growth for name, value in _FIXED.items()}
    free = width - sum(fixed.values())
    flexible = {"action": free * _ACTION_SHARE, "notes": free * (1 - _ACTION_SHARE)}
    return [{**fixed, **flexible}[name] for name in headings("metric")]


_RIGHT = ("kva", "walked", "exposed", "peak", "load")


def _cells(row: TableRow, mark: Mark, colour: str, size: float) -> list[Flowable | str]:
    number = _paragraph(row.number, size + 0.6, font=BOLD)
    texts = {name: markup(getattr(row, name), limit=_CELL_LIMIT) for name in list(headings("metric"))[1:9]}
    cells = [Paragraph(text, style(size, align=2 if name in _RIGHT else 0)) for name, text in texts.items()]
    return [
        number,
        *cells,
        MarkCell(mark, _shown(mark, colour), row.band, size=size),
        _paragraph(row.action, size),
        TickBox(),
        "",
    ]


def _shown(mark: Mark, colour: str) -> str:
    return colour if mark not in STATUS_MARKS else HAIR


def _paragraph(text: str, size: float, *, font: str = REGULAR, colour: str = INK) -> Paragraph:
    return Paragraph(markup(text, limit=_CELL_LIMIT), style(size, font=font, colour=colour))


_LOOKS = [
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ("TOPPADDING", (0, 0), (-1, -1), 3),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
]


def _style() -> TableStyle:
    return TableStyle(
        [
            *_LOOKS,
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, HexColor(INK)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(FAINT)),
            ("LINEBEFORE", (-1, 0), (-1, -1), 0.4, HexColor(HAIR)),
        ]
    )
