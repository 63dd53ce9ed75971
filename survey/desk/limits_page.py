"""The desk table as a page for the wall: PDF (a page for every five cable types) or PNG (one page)."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from survey.desk.lengths import LONGEST_M
from survey.desk.limits import APPROXIMATED, TITLES, not_susceptible_lines
from survey.desk.limits_text import LENGTHS, conditions, in_feet, three, title
from survey.desk.working import FOOT_M
from survey.errors import OutputError
from survey.result import CAUTION

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from survey.desk.lengths import LONGEST_M
from survey.desk.limits import DeskTable

INK, QUIET, STRIPE, RULE = "#26241f", "#5f5b54", "#efece6", "#a8a397"
TYPES_A_PAGE: Final = 5
PAPER_IN: Final = {"us": (11.0, 8.5), "metric": (11.69, 8.27)}
MARGIN_IN, ROW_IN, HEAD_IN, GAP_IN, KVA_IN = 0.4, 0.114, 0.17, 0.05, 0.55
THIRDS: Final = (0.34, 0.73, 1.0)
"""Right edges of the three lengths within a cable type's column."""
LINE_IN, LETTERS_AN_IN = 0.105, 20.0


def write_page(table: DeskTable, path: Path) -> None:
    """Draw the pages into a PDF, or the only one into a PNG; the same bytes every time.

    Raises ``OutputError``: a PNG was asked for and there are more cable types than one page holds.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    shown = table.shown
    pages = [shown[start : start + TYPES_A_PAGE] for start in range(0, len(shown), TYPES_A_PAGE)]
    with mpl.rc_context({"font.family": "sans-serif", "text.color": INK, "pdf.fonttype": 42}):
        if path.suffix.lower() == ".png":
            if len(pages) > 1:
                msg = f"-o: a .png has room for {TYPES_A_PAGE} cable types, found {len(table.shown)}; write a .pdf"
                raise OutputError(msg)
            draw_page(table, pages[0]).savefig(path, dpi=150, metadata={"Software": None})
            return
        stamp: dict[str, Any] = {"CreationDate": None, "Title": title(table)}
        with PdfPages(path, metadata=stamp) as book:
            for types in pages:
                book.savefig(draw_page(table, types))


def draw_page(table: DeskTable, types: tuple[str, ...]) -> Figure:
    """One page: heading, a block for each winding, the windings that need no limit, what it all holds for."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = PAPER_IN[table.settings.report.units]
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1), frameon=False)
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.axis("off")
    axes.text(MARGIN_IN, MARGIN_IN + 0.05, title(table), fontsize=14, fontweight="bold", va="center")
    y = draw_heads(axes, table, types, y=MARGIN_IN + 0.28)
    for connection, heading in TITLES.items():
        y = draw_block(axes, table, types, connection=connection, heading=heading, y=y)
    draw_notes(axes, table, y=y)
    return figure


def columns_in(axes: Axes, count: int) -> list[float]:
    """Left edges of the cable types' columns, and the right edge of the last, inches."""
    left, right = MARGIN_IN + KVA_IN, axes.get_xlim()[1] - MARGIN_IN
    return [left + (right - left) * k / count for k in range(count + 1)]


def draw_heads(axes: Axes, table: DeskTable, types: tuple[str, ...], *, y: float) -> float:
    """Cable types, and what the three lengths of each are."""
    edges = columns_in(axes, len(types))
    step = (edges[1] - edges[0]) / 3
    parts = ("no load", f"{table.load_share * 100:g} % load", "screen")
    for key, left in zip(types, edges, strict=False):
        axes.text(left + 1.5 * step, y, key, fontsize=8.5, fontweight="bold", ha="center", va="center")
        axes.plot([left + 0.06, left + 3 * step - 0.02], [y + 0.09] * 2, color=RULE, linewidth=0.8)
        for k, part in enumerate(parts):
            axes.text(
                left + 3 * step * THIRDS[k] - 0.04, y + 0.17, part, fontsize=6.8, ha="right", va="center", color=QUIET
            )
    axes.text(
        MARGIN_IN, y + 0.17, "kVA; ft" if in_feet(table) else "kVA; m (ft)", fontsize=6.8, va="center", color=QUIET
    )
    return y + 0.28


def draw_block(
    axes: Axes, table: DeskTable, types: tuple[str, ...], *, connection: str, heading: str, y: float
) -> float:
    """All ratings of one winding; returns where the next block begins."""
    block = table.rows[table.rows["connection"] == connection].set_index(["kva", "cable_type"])
    edges = columns_in(axes, len(types))
    axes.text(MARGIN_IN, y + HEAD_IN / 2, heading, fontsize=9.5, fontweight="bold", va="center")
    axes.plot([MARGIN_IN, edges[-1]], [y + HEAD_IN] * 2, color=INK, linewidth=1.0)
    y += HEAD_IN
    for number, kva in enumerate(block.index.unique("kva")):
        if number % 2:
            axes.axhspan(
                y, y + ROW_IN, xmin=_share(axes, MARGIN_IN), xmax=_share(axes, edges[-1]), color=STRIPE, linewidth=0
            )
        middle = y + ROW_IN / 2 + 0.005
        axes.text(MARGIN_IN + 0.45, middle, f"{kva:g}", fontsize=7.0, fontweight="bold", ha="right", va="center")
        for key, left, right in zip(types, edges, edges[1:], strict=False):
            _draw_lengths(axes, block.loc[(kva, key)], table=table, left=left, right=right, y=middle)
        y += ROW_IN
    return y + GAP_IN


def _draw_lengths(axes: Axes, row: pd.Series[float], *, table: DeskTable, left: float, right: float, y: float) -> None:
    for k, (metres, feet) in enumerate(zip(three(row), three(row, unit_m=FOOT_M), strict=True)):
        shown = feet if in_feet(table) else f"{metres} ({feet})"
        text = metres if metres in ("0", "-") else shown
        if row[LENGTHS[k]] >= LONGEST_M:
            text = f"over {feet if in_feet(table) else metres}"
        axes.text(left + (right - left) * THIRDS[k] - 0.04, y, text, fontsize=6.9, ha="right", va="center",
                  fontweight="bold" if k == 0 else "normal", color=QUIET if k == 2 else INK)  # fmt: skip


def _share(axes: Axes, x: float) -> float:
    return x / axes.get_xlim()[1]


def draw_notes(axes: Axes, table: DeskTable, *, y: float) -> None:
    """Windings without a limit, conditions, and the caution."""
    free = " ".join([APPROXIMATED, *not_susceptible_lines()])
    y += 0.06
    most = int((axes.get_xlim()[1] - 2 * MARGIN_IN) * LETTERS_AN_IN)
    for text in (free, *conditions(table)):
        for line in textwrap.wrap(text, most):
            axes.text(MARGIN_IN, y, line, fontsize=6.3, va="center", color=QUIET)
            y += LINE_IN
    axes.text(MARGIN_IN, y + 0.05, CAUTION, fontsize=8, fontweight="bold", va="center")
