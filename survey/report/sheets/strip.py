"""The strip of a section across a block: the point at the left, its last transformer at the right."""

import re
from dataclasses import dataclass, field

import pandas as pd
from reportlab.lib.colors import HexColor, white
from reportlab.pdfgen.canvas import Canvas

from survey.report.ramp import mark_of
from survey.report.sheets.drawing import OVERHEAD_DASH, draw_mark, draw_switch
from survey.report.sheets.lettering import BOLD, INK, REGULAR, clean, fitted, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import Units, whole_length
from survey.report.sheets.windows import paper_radius

HEIGHT = 34.0
SIZE = 7.0
MOST_STOPS = 9
_KIND = {"cable": " cable", "overhead": " o/h"}
_LENGTH = re.compile(r"([\d.]+) m (cable|overhead)")


@dataclass
class Stop:
    """A device, transformer or branch of a strip, and the stretches (metres, shielded) that lead to it.

    ``kind`` is the sign it is written with: ``/ = @ +``, or ``.`` for what is left out or has nothing at its end.
    """

    kind: str
    text: str
    before: list[tuple[float, bool]] = field(default_factory=list)


def read_strip(text: str) -> list[Stop]:
    """Take a strip apart; of one with many stops those in the middle are left out."""
    stops: list[Stop] = []
    stretch: list[tuple[float, bool]] = []
    for part in text.split(" | "):
        if length := _LENGTH.fullmatch(part):
            stretch.append((float(length[1]), length[2] == "cable"))
        elif part:
            stops.append(Stop(part[0], part[1:], stretch))
            stretch = []
    if len(stops) <= MOST_STOPS:
        return stops
    left_out = stops[MOST_STOPS - 2 : -1]
    return [*stops[: MOST_STOPS - 2], Stop(".", f"{len(left_out)} more"), stops[-1]]


def draw_strip(canvas: Canvas, text: str, *, sites: pd.DataFrame, rect: Rect, units: Units) -> None:
    """Draw a strip into a rectangle of :data:`HEIGHT`; nothing where there is none."""
    stops = read_strip(text)
    if len(stops) < 2:
        return
    step, y = (rect.width - 92) / (len(stops) - 1), rect.y0 + 12
    for place, stop in enumerate(stops):
        x = rect.x0 + 46 + place * step
        if place:
            _draw_stretch(canvas, stop, x0=x - step, x1=x, y=y, units=units)
    for place, stop in enumerate(stops):
        room = min(step, 120.0) if place < len(stops) - 1 else min(step + 10, 92.0)
        _draw_stop(canvas, stop, sites=sites, x=rect.x0 + 46 + place * step, y=y, room=room, units=units)


def _draw_stretch(canvas: Canvas, stop: Stop, *, x0: float, x1: float, y: float, units: Units) -> None:
    """Cable thick, overhead dashed, with their lengths; each takes an equal part of the way."""
    parts = stop.before or [(0.0, True)]
    width = (x1 - x0) / len(parts)
    for number, (metres, shielded) in enumerate(parts):
        left = x0 + number * width
        canvas.saveState()
        canvas.setStrokeColor(HexColor(INK))
        canvas.setLineWidth(2.2 if shielded and metres else 0.8)
        if not shielded:
            canvas.setDash(*OVERHEAD_DASH)
        canvas.line(left, y, left + width, y)
        canvas.restoreState()
        if metres:
            _centred(canvas, [whole_length(metres, units=units)], x=left + width / 2, y=y - 9, room=width - 12)


def _draw_stop(
    canvas: Canvas, stop: Stop, *, sites: pd.DataFrame, x: float, y: float, room: float, units: Units
) -> None:
    found = sites[sites["site_id"].astype(str) == stop.text] if stop.kind == "@" else sites.iloc[:0]
    words = _words(stop.text.removeprefix("@"), units)
    if stop.kind == "/":
        draw_switch(canvas, (x, y), radius=4)
    elif stop.kind == "@" and len(found):
        site = found.iloc[0]
        mark = mark_of(str(site["band"]), str(site["status"]))
        canvas.setFillColor(white)
        canvas.circle(x, y, 5.5, stroke=0, fill=1)
        draw_mark(canvas, (x, y), mark=mark, radius=min(paper_radius(mark), 4.6), colour="#ffffff")
        words = [f"{stop.text}, {site['kva']:g} kVA", stop.text]
    else:
        _draw_other(canvas, stop, x=x, y=y)
    _centred(canvas, words, x=x, y=y + 9, room=room - 4, font=BOLD if stop.kind in "/@" else REGULAR)


def _words(text: str, units: Units) -> list[str]:
    """What is written at a stop: in full, and shorter; its stroke tells cable from overhead line anyhow."""
    full = _LENGTH.sub(lambda found: whole_length(float(found[1]), units=units) + _KIND[found[2]], text)
    return [full, _LENGTH.sub(lambda found: whole_length(float(found[1]), units=units), text)]


def _draw_other(canvas: Canvas, stop: Stop, *, x: float, y: float) -> None:
    """A three-pole device as a filled square, a branch as a stroke that leaves, anything else as a dot."""
    canvas.saveState()
    canvas.setFillColor(HexColor(INK))
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.9)
    if stop.kind == "=":
        canvas.rect(x - 4, y - 4, 8, 8, stroke=1, fill=1)
    elif stop.kind == "+":
        shielded = " cable" in stop.text
        canvas.setLineWidth(2.2 if shielded else 0.8)
        canvas.setDash(*([] if shielded else (2.0, 1.2)))
        canvas.line(x, y, x + 7, y + 7)
    else:
        canvas.circle(x, y, 2.4, stroke=1, fill=1)
    canvas.restoreState()


def _centred(canvas: Canvas, texts: list[str], *, x: float, y: float, room: float, font: str = REGULAR) -> None:
    """The first of the texts that fits; the last one cut short where none does."""
    room = max(room, 20.0)
    known = [clean(text, limit=60) for text in texts]
    fitting = [text for text in known if text_width(text, size=SIZE, font=font) <= room]
    shown = fitted((fitting or known[-1:])[0], width=room, size=SIZE, font=font)
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(font, SIZE)
    canvas.drawString(x - text_width(shown, size=SIZE, font=font) / 2, y, shown)
