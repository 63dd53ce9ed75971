"""The crew's pages: one block for each switching point, with the one load to hold, what is behind it, boxes to tick."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely
from reportlab.lib.colors import HexColor, white
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from survey.report.ramp import mark_of
from survey.report.sheets.content import SheetContent
from survey.report.sheets.drawing import OVERHEAD_DASH, draw_mark, draw_switch
from survey.report.sheets.lettering import BOLD, INK, QUIET, REGULAR, clean, fitted, markup, style, text_width
from survey.report.sheets.paper import Rect
from survey.report.sheets.states import (
    STATE_LIMIT,
    THREE_POLE_ONLY,
    Site,
    load_words,
    normal_load_kw,
    rows_by_point,
    state_facts,
    states_at,
    told_sites,
    told_state,
    warnings,
)
from survey.report.sheets.view import Units, whole_length
from survey.report.sheets.windows import paper_radius

SIZE, HOLD_SIZE = 8.0, 24.0
ID_SIZES = (17.0, 14.0, 11.0, 9.0)
BLOCK, CAUTIONS, GAP = 151.0, 30.0, 3.0
MOST_SITES = 6
WARNING, WARNING_SIZE, STATE_SIZE = 19.0, 11.0, 10.0
MOST_STATE_LINES = 3
PAPER = "#ffffff"
BESIDE_M = 60.0
"""A point no farther than this from a street with a name stands in it."""
LEAST_BESIDE_M = 1.0
"""Cable that the line does not show, because it leads to no site, is told from this length on."""
_ASSUMED_LIMIT, _WARNING_LIMIT = 260, 340

NO_LOAD = (THREE_POLE_ONLY, "No load keeps every operation under the limit here.")
BALANCED = "on everything behind it together, balanced on all three phases, when opening as well as when closing"
RULE_ONLY = " (common practice alone: the study was left out)"
CAUTION_TEXT = (
    "Hold at least the stated load, or none: a little can be worse than none. A blown fuse is an opening, too. A "
    "three-pole switch protects only when it is used: the energised cable must end at it while single poles are "
    "operated. Check how it is fed tonight: each load stands for the normal state of the records, or for the state "
    "named with it, and for no other."
)
HEIGHT = 34.0
STRIP_SIZE = 7.0
MOST_STOPS = 9
_KIND = {"cable": " cable", "overhead": " o/h"}
_LENGTH = re.compile(r"([\d.]+) m (cable|overhead)")


@dataclass(frozen=True)
class PointBlock:
    """What a block says.

    ``switch_id``, ``about``, ``place``, ``reason`` name; device and feeder; address and coordinates; cable behind it,
    how high it rings, what an arrester takes; ``state`` in which all this is so, ``""`` for the normal one; ``hold``
    the load in kW, or that only a three-pole device will do, and the words to it; ``warnings`` states that ask for
    more, and their loads; ``rows`` sites whose worst point it is in any of these states, by rank; rows of the content;
    ``bands`` their bands, in words; ``beyond`` how many more sites it exposes that these sheets do not list;
    ``assumed`` what was assumed or found about them; ``strip`` its section on one line, as :mod:`survey.assess.strips`
    writes it.
    """

    switch_id: str
    about: str
    place: tuple[str, ...]
    reason: tuple[str, ...]
    state: str
    hold: tuple[str, str]
    warnings: tuple[str, ...]
    rows: tuple[int, ...]
    bands: tuple[str, ...]
    beyond: str
    assumed: str
    strip: str


def point_blocks(content: SheetContent, *, units: Units) -> list[PointBlock]:
    """Blocks of the points at which a site rings with more than the low band, that of the first rank first.

    In the normal state, or in a worst state that asks for more.
    """
    records: list[dict[str, Any]] = content.points.to_dict("records")  # type: ignore[assignment]
    known = {str(point["switch_id"]): point for point in records}
    everyone = told_sites(pd.concat([content.sites, content.others], ignore_index=True))
    listed = rows_by_point(everyone[: len(content.sites)], state="worse")
    behind = rows_by_point(everyone, state="in_state")
    return [
        _block(
            content,
            known.get(name, {"switch_id": name}),
            rows={row: everyone[row] for row in rows},
            behind=[everyone[row] for row in behind[name]],
            units=units,
        )
        for name, rows in listed.items()
    ]


def _block(
    content: SheetContent, point: Mapping[str, Any], *, rows: Mapping[int, Site], behind: Sequence[Site], units: Units
) -> PointBlock:
    """``rows``: sites of the content, by row. ``behind``: those of every district that ring here in any state."""
    name, sites = str(point["switch_id"]), content.sites.iloc[list(rows)]
    here = [site for site in behind if site["at_point"] and site["point"] == name]
    at_point = [site["at_point"] and site["point"] == name for site in rows.values()]
    normal_kw = normal_load_kw(point, here)
    states = states_at(behind, name, normal_kw=normal_kw)
    alone = normal_kw is None
    facts = state_facts(states) if alone else {**point, "hold_kw": normal_kw}
    told = [] if alone else warnings(states, here, name=name)
    notes = dict.fromkeys(part for text in sites["notes"].astype(str) for part in text.split("; ") if part)
    return PointBlock(
        switch_id=clean(name, limit=80),
        about=_about(point),
        place=_place(point, beside=_beside(content, name)),
        reason=(*_reason(facts, units=units), *_taken_there(sites[at_point])),
        state=clean(told_state(states), limit=STATE_LIMIT) if alone else "",
        hold=_hold(facts["hold_kw"], studied=bool(np.isfinite(float(facts.get("peak_pu", np.nan))))),
        warnings=tuple(clean(text, limit=_WARNING_LIMIT) for text in told),
        rows=tuple(rows),
        bands=_bands(content, rows, at_point=at_point),
        beyond=_beyond(content.others, name),
        assumed=clean("; ".join(notes), limit=_ASSUMED_LIMIT),
        strip=str(facts.get("strip", "")),
    )


def _about(point: Mapping[str, Any]) -> str:
    device = f"{'normally open ' if point.get('state') == 'open' else ''}{point.get('switch_device', '')}"
    texts = [clean(text, limit=40) for text in (device, point.get("feeder", ""))]
    return ", feeder ".join(text for text in texts if text)


def _beyond(others: pd.DataFrame, name: str) -> str:
    """How many sites of other districts, or feeders, a point exposes."""
    if others.empty:
        return ""
    here = others[(others[["switch_id", "worst_switch_id", "tie_worst_id"]] == name).any(axis=1)]
    counts = here.groupby("whose", sort=True).size()
    parts = [f"{count} more of {clean(whose, limit=40)}" for whose, count in counts.items()]
    return f"and {', '.join(parts)}" if parts else ""


def _bands(content: SheetContent, rows: Mapping[int, Site], *, at_point: Sequence[bool]) -> tuple[str, ...]:
    """Bands of sites in words; of those that ring here in a state only the band then."""
    return tuple(
        content.marks[row].label.lower() if normal else f"{site['tie_band']} then"
        for (row, site), normal in zip(rows.items(), at_point, strict=True)
    )


def _hold(kw: float, *, studied: bool) -> tuple[str, str]:
    words = load_words(kw)
    if words == THREE_POLE_ONLY:
        return NO_LOAD
    return words, BALANCED if studied else BALANCED + RULE_ONLY


def _place(point: Mapping[str, Any], *, beside: str) -> tuple[str, ...]:
    """The address where one is recorded, else the street it stands by if that is known; coordinates."""
    lat, lon = (float(point.get(name, np.nan)) for name in ("lat", "lon"))
    known = np.isfinite(lat) and np.isfinite(lon)
    words = clean(point.get("address", ""), limit=60) or beside
    return tuple(text for text in (words, f"lat {lat:.5f}, lon {lon:.5f}" if known else "no place recorded") if text)


def _beside(content: SheetContent, name: str) -> str:
    """The named line of the user's own that a point stands by, if there is one near."""
    named = content.background[(content.background["label"] != "") & (content.background.geom_type == "LineString")]
    here = content.switches_m[[one == clean(name, limit=40) for one in content.switch_ids]]
    if not len(named) or not len(here) or not np.isfinite(here[0]).all():
        return ""
    away = shapely.distance(named.geometry.to_numpy(), shapely.Point(here[0]))
    nearest = int(away.argmin())
    return clean(named["label"].iloc[nearest], limit=40) if away[nearest] <= BESIDE_M else ""


def _reason(point: Mapping[str, Any], *, units: Units) -> tuple[str, ...]:
    cable, peak = (float(point.get(name, np.nan)) for name in ("exposed_cable_m", "peak_pu"))
    parts = [f"{whole_length(cable, units=units)} of cable behind it"] if np.isfinite(cable) else []
    strip = str(point.get("strip", ""))
    beside = cable - sum(float(metres) for metres, kind in _LENGTH.findall(strip) if kind == "cable")
    if strip and parts and beside >= LEAST_BESIDE_M:
        parts = [f"{parts[0]}, {whole_length(beside, units=units)} of it to no site"]
    return (*parts, f"up to {peak:.1f} times normal voltage") if np.isfinite(peak) else tuple(parts)


def _taken_there(sites: pd.DataFrame) -> tuple[str, ...]:
    """What one arrester takes, and the single-phase rating there, in a line; nothing where both are nothing."""
    if not len(sites):
        return ()
    watts, kva = (
        float(np.nan_to_num(sites[name].to_numpy(np.float64)).max()) for name in ("arrester_w", "one_phase_kva")
    )
    parts = [f"{watts:,.0f} W in one arrester"] if watts >= 1 else []
    parts += [f"{kva:g} kVA single-phase a phase"] if kva > 0 else []
    return (", ".join(parts),) if parts else ()


def block_height(block: PointBlock) -> float:
    """Height of a block, points."""
    return BLOCK + WARNING * len(block.warnings)


def block_pages(blocks: Sequence[PointBlock], *, body: Rect) -> list[Sequence[PointBlock]]:
    """As many blocks as fit on each page."""
    pages: list[list[PointBlock]] = []
    room = 0.0
    for block in blocks:
        needed = block_height(block) + GAP
        if not pages or needed > room:
            pages.append([])
            room = body.height - CAUTIONS
        pages[-1].append(block)
        room -= needed
    return list(pages)


def draw_blocks(
    canvas: Canvas, *, blocks: Sequence[PointBlock], content: SheetContent, body: Rect, units: Units
) -> None:
    """Blocks from the top of a page's body, the cautions at its foot."""
    top = body.y1
    for block in blocks:
        low = top - block_height(block)
        _draw_block(canvas, block, content=content, rect=Rect(body.x0, low, body.x1, top), units=units)
        top = low - GAP
    _paragraph(canvas, CAUTION_TEXT, rect=Rect(body.x0, body.y0, body.x1, body.y0 + CAUTIONS - 4), size=SIZE)


def _draw_block(canvas: Canvas, block: PointBlock, *, content: SheetContent, rect: Rect, units: Units) -> None:
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(1.0)
    canvas.rect(rect.x0, rect.y0, rect.width, rect.height, stroke=1, fill=0)
    ticks = rect.y0 + 24
    above_strip = ticks + HEIGHT if block.strip else ticks
    low = above_strip + WARNING * len(block.warnings)
    canvas.setLineWidth(0.5)
    canvas.line(rect.x0, ticks, rect.x1, ticks)
    first, second = rect.x0 + rect.width * 0.34, rect.x0 + rect.width * 0.62
    for x in (first, second):
        canvas.line(x, low, x, rect.y1)
    _draw_name(canvas, block, rect=Rect(rect.x0 + 8, low + 3, first - 6, rect.y1 - 4))
    _draw_hold(canvas, block, rect=Rect(first + 8, low + 3, second - 6, rect.y1 - 4))
    _draw_sites(canvas, block, content=content, rect=Rect(second + 8, low + 3, rect.x1 - 6, rect.y1 - 4))
    for number, text in enumerate(reversed(block.warnings)):
        y = above_strip + number * WARNING
        _draw_warning(canvas, text, rect=Rect(rect.x0, y, rect.x1, y + WARNING))
    if block.strip:
        canvas.line(rect.x0, above_strip, rect.x1, above_strip)
        strip = Rect(rect.x0 + 8, ticks, rect.x1 - 8, above_strip)
        draw_strip(canvas, block.strip, sites=content.sites, rect=strip, units=units)
    _draw_ticks(canvas, rect=Rect(rect.x0 + 8, rect.y0, rect.x1 - 8, ticks))


def _draw_name(canvas: Canvas, block: PointBlock, *, rect: Rect) -> None:
    draw_switch(canvas, (rect.x0 + 6, rect.y1 - 13), radius=6)
    sizes = (size for size in ID_SIZES if text_width(block.switch_id, size=size, font=BOLD) <= rect.width - 18)
    size = next(sizes, ID_SIZES[-1])
    _text(canvas, block.switch_id, x=rect.x0 + 18, y=rect.y1 - 19, width=rect.width - 18, font=BOLD, size=size)
    for line, text in enumerate((block.about, *block.place, *block.reason)):
        _text(canvas, text, x=rect.x0, y=rect.y1 - 33 - line * 10.8, width=rect.width, size=SIZE + 0.5)


def _draw_warning(canvas: Canvas, text: str, *, rect: Rect) -> None:
    """White on black, across the block."""
    canvas.setFillColor(HexColor(INK))
    canvas.rect(rect.x0, rect.y0 + 0.5, rect.width, rect.height - 1, stroke=0, fill=1)
    _text(
        canvas, text, x=rect.x0 + 8, y=rect.y0 + 5.5, width=rect.width - 16, size=WARNING_SIZE, font=BOLD, colour=PAPER
    )


def _draw_hold(canvas: Canvas, block: PointBlock, *, rect: Rect) -> None:
    figure, words = block.hold
    if block.state:
        lines = simpleSplit(block.state, BOLD, STATE_SIZE, rect.width)[:MOST_STATE_LINES]
        for line, text in enumerate(lines):
            _text(canvas, text, x=rect.x0, y=rect.y1 - 11 - line * 12, width=rect.width, size=STATE_SIZE, font=BOLD)
        rect = Rect(rect.x0, rect.y0, rect.x1, rect.y1 - 12 * len(lines))
    size = HOLD_SIZE if block.hold != NO_LOAD else HOLD_SIZE * 0.75
    _text(canvas, figure, x=rect.x0, y=rect.y1 - 26, width=rect.width, font=BOLD, size=size)
    _paragraph(canvas, words, rect=Rect(rect.x0, rect.y0, rect.x1, rect.y1 - 34), size=SIZE + 1)
    _text(canvas, "or operate all three phases together", x=rect.x0, y=rect.y0 + 2, width=rect.width, size=SIZE + 1)


def _draw_sites(canvas: Canvas, block: PointBlock, *, content: SheetContent, rect: Rect) -> None:
    most = MOST_SITES - bool(block.beyond)
    shown = block.rows if len(block.rows) <= most else block.rows[: most - 1]
    y = rect.y1 - 8
    for row, band in zip(shown, block.bands, strict=False):
        site, mark = content.sites.iloc[row], content.marks[row]
        draw_mark(
            canvas, (rect.x0 + 6, y + 2.6), mark=mark, radius=min(paper_radius(mark), 4.6), colour=content.colours[row]
        )
        _text(canvas, str(row + 1), x=rect.x0 + 15, y=y, width=22, font=BOLD, size=SIZE)
        winding = clean(site["connection"]).replace("_", " ")
        text = f"{clean(site['site_id'], limit=30)}  {site['kva']:g} kVA {winding}, {band}"
        _text(canvas, text, x=rect.x0 + 36, y=y, width=rect.width - 36, size=SIZE)
        y -= 13
    left_out = len(block.rows) - len(shown)
    more = (f"and {left_out} more, see the table" if left_out else "", block.beyond)
    for text in filter(None, more):
        _text(canvas, text, x=rect.x0 + 36, y=y, width=rect.width - 36, size=SIZE)
        y -= 13
    if block.assumed and y > rect.y0 + 10:
        low = Rect(rect.x0, rect.y0, rect.x1, y + 9)
        _paragraph(canvas, f"Assumed or found: {block.assumed}", rect=low, size=7.0, colour=QUIET)


def _draw_ticks(canvas: Canvas, *, rect: Rect) -> None:
    """Boxes to tick and room to write, in four parts."""
    labels = (
        "all three phases together",
        "load measured, kW:  A ______  B ______  C ______",
        "held to the end",
        "date, name ______________",
    )
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.9)
    for label, share in zip(labels, (0.0, 0.23, 0.62, 0.76), strict=True):
        x = rect.x0 + rect.width * share
        if "date" not in label:
            canvas.rect(x, rect.y0 + 6, 12, 12, stroke=1, fill=0)
        _text(canvas, label, x=x + 17, y=rect.y0 + 10, width=rect.width, size=SIZE)


def _text(
    canvas: Canvas,
    text: str,
    *,
    x: float,
    y: float,
    width: float,
    size: float,
    font: str = REGULAR,
    colour: str = INK,
) -> None:
    canvas.setFillColor(HexColor(colour))
    canvas.setFont(font, size)
    canvas.drawString(x, y, fitted(text, width=width, size=size, font=font))


def _paragraph(canvas: Canvas, text: str, *, rect: Rect, size: float, colour: str = INK) -> None:
    """Wrapped text from the top of a rectangle; what finds no room is cut at a line."""
    looks = style(size, colour=colour)
    lines = simpleSplit(clean(text, limit=600), looks.fontName, size, rect.width)
    fitting = max(int(rect.height // looks.leading), 1)
    made = Paragraph(markup(" ".join(lines[:fitting]) + (" …" if len(lines) > fitting else ""), limit=600), looks)
    _, height = made.wrap(rect.width, rect.height)
    made.drawOn(canvas, rect.x0, rect.y1 - height)


@dataclass
class Stop:
    """A device, transformer or branch of a strip, and the lengths (metres, shielded) that lead to it.

    ``kind`` is the sign it is written with: ``/ = @ +``, or ``.`` for what is left out or has nothing at its end.
    """

    kind: str
    text: str
    before: list[tuple[float, bool]] = field(default_factory=list)


def read_strip(text: str) -> list[Stop]:
    """Take a strip apart; of one with many stops those in the middle are left out."""
    stops: list[Stop] = []
    lengths: list[tuple[float, bool]] = []
    for part in text.split(" | "):
        if length := _LENGTH.fullmatch(part):
            lengths.append((float(length[1]), length[2] == "cable"))
        elif part:
            stops.append(Stop(part[0], part[1:], lengths))
            lengths = []
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
            _draw_lengths(canvas, stop, x0=x - step, x1=x, y=y, units=units)
    for place, stop in enumerate(stops):
        room = min(step, 120.0) if place < len(stops) - 1 else min(step + 10, 92.0)
        _draw_stop(canvas, stop, sites=sites, x=rect.x0 + 46 + place * step, y=y, room=room, units=units)


def _draw_lengths(canvas: Canvas, stop: Stop, *, x0: float, x1: float, y: float, units: Units) -> None:
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
    fitting = [text for text in known if text_width(text, size=STRIP_SIZE, font=font) <= room]
    shown = fitted((fitting or known[-1:])[0], width=room, size=STRIP_SIZE, font=font)
    canvas.setFillColor(HexColor(INK))
    canvas.setFont(font, STRIP_SIZE)
    canvas.drawString(x - text_width(shown, size=STRIP_SIZE, font=font) / 2, y, shown)
