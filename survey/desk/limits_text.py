"""The desk table in words: as CSV, and as text for a terminal."""

from __future__ import annotations

import csv
import math
from collections.abc import Hashable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from survey.assess.action import BALANCED
from survey.desk.lengths import LONGEST_M
from survey.desk.limits import APPROXIMATED, TITLES, DeskTable, not_susceptible_lines
from survey.desk.working import FOOT_M, LEFT_OUT, cut_off
from survey.physics.families import CONSTRUCTIONS, FAMILY_TABLE
from survey.report.tables import guarded
from survey.wrapped import TABLE, labelled, terminal_width

COLUMNS = (
    "kv", "kva", "connection", "core", "cable_type", "cap_nf_km", "own_nf", "nll_w", "exc_pct", "screen_m", "screen_ft",
    "study_m", "study_ft", "load_pct", "loaded_m", "loaded_ft", "note",
)  # fmt: skip
KVA_WIDTH = 6
LENGTHS = ("study_m", "loaded_m", "screen_m")


def write_csv(table: DeskTable, path: Path) -> None:
    """Every row of the table, and a row for each winding that needs no limit."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(_cells(table, row) for row in table.rows.to_dict("records"))
        for winding in CONSTRUCTIONS:
            if winding.reason:
                note = f"not susceptible: {winding.reason}"
                blank = [""] * (len(COLUMNS) - 5)
                writer.writerow([f"{table.kv:g}", "", winding.connection, winding.core, *blank, note])


def _cells(table: DeskTable, row: dict[Hashable, Any]) -> list[str]:
    numbers = (f"{row['cap_nf_km']:.2f}", f"{row['own_nf']:.3f}", f"{row['nll_w']:.1f}", f"{row['exc_pct']:.3f}")
    kind = (str(row["connection"]), str(row["core"]), guarded(str(row["cable_type"])))
    unloaded = (*_both(row["screen_m"]), *_both(row["study_m"]))
    loaded = (f"{table.load_share * 100:g}", *_both(row["loaded_m"]))
    return [f"{table.kv:g}", f"{row['kva']:g}", *kind, *numbers, *unloaded, *loaded, _note(row)]


def _both(length_m: float) -> tuple[str, str]:
    if math.isnan(length_m):
        return "", ""
    return f"{cut_off(length_m, 1):.1f}", f"{cut_off(length_m / FOOT_M, 1):.1f}"


def _note(row: dict[Hashable, Any]) -> str:
    if row["study_m"] >= LONGEST_M:
        return f"at or under the voltage limit up to {LONGEST_M:g} m; longer was not tried"
    return "over the voltage limit with no cable at all" if row["study_m"] == 0 else ""


def in_feet(table: DeskTable) -> bool:
    """Whether the settings want feet."""
    return table.settings.report.units == "us"


def longest(table: DeskTable) -> str:
    """The longest length that was tried, never told longer than it is."""
    return f"{cut_off(LONGEST_M / FOOT_M, -2):,.0f} ft" if in_feet(table) else f"{LONGEST_M:,.0f} m"


def title(table: DeskTable) -> str:
    """What the table is."""
    return f"Allowed cable length behind a single-pole switching point, {table.kv:g} kV"


def conditions(table: DeskTable) -> list[str]:
    """What the table holds for: limits, model, defaults, and what it leaves out."""
    limits, electrical = table.settings.limits, table.settings.electrical
    exciting = table.rows["exc_pct"]
    loss = table.rows["nll_w"] / table.rows["kva"] / 10
    by_study = (
        f"By study: every shorter length keeps the open phases at or under {limits.voltage_pu:g} per unit of crest to "
        "ground, poles operated one at a time, with no load and with that much resistive load on the secondary."
    )
    screens = {"xc_xm": "Xc/Xm at or above", "charge_loss": "charging over no-load loss at or under"}
    cleared = (f"{row.title} with {screens[row.screen]} {getattr(limits, row.limit):g}" for row in FAMILY_TABLE)
    by_screen = (
        f"By screen: {', '.join(cleared)} (Xm wye-equivalent; a delta leg is three times that). The study is the "
        "closer look of the two."
    )
    zero = (
        "0: over the limit with the transformer's own capacitance alone. All cable that stays on the open pole counts, "
        f"side branches included; lengths over {longest(table)} were not tried (+)."
    )
    defaults = (
        f"Defaults of the catalogue: no-load loss {loss.min():.3f} to {loss.max():.3f} % of rating by kVA, exciting "
        f"current {exciting.min():.2g} to {exciting.max():.2g} %. One transformer, {electrical.frequency_hz} Hz, "
        f"r {electrical.series_r_pu:g}, knee {electrical.knee_pu:g}, saturated reactance "
        f"{electrical.saturated_x_pu:g} per unit. Lower loss allows less."
    )
    hold = (
        f"Beyond these lengths hold at least {limits.load_rule * 100:g} % of the rating of the whole section, and what "
        f"the study asks for, {BALANCED}; the load in the table is a figure."
    )
    return [f"{by_study} {by_screen}", zero, hold, defaults, LEFT_OUT]


def text_lines(table: DeskTable) -> Iterator[str]:
    """The table for a terminal: a block for each winding, a line for each rating, in the unit of the settings."""
    feet = in_feet(table)
    unit = "ft; --units metric for m" if feet else "m; --units us for ft"
    yield title(table)
    if table.studied:
        yield f"Lengths in {unit}. Three in a cell:"
        yield legend(table)
    else:
        yield f"Lengths in {unit}. By screen; the study was left out."
    for connection, heading in TITLES.items():
        block = table.rows[table.rows["connection"] == connection]
        for lines in _blocks(table, block, unit_m=FOOT_M if feet else 1.0):
            yield ""
            yield heading
            yield from lines
    yield ""
    for text in (APPROXIMATED, *not_susceptible_lines(), "", *conditions(table)):
        yield labelled("", text, indent=0) if text else ""


def _blocks(table: DeskTable, block: pd.DataFrame, *, unit_m: float) -> Iterator[list[str]]:
    """Lines of one winding, as many cable types beside one another as there is room for."""
    ratings = [f"{text:>{KVA_WIDTH}}" for text in ("kVA", "", *(f"{kva:g}" for kva in block["kva"].unique()))]
    lines = ratings
    for key in table.shown:
        cells = _column(table, block, key, unit_m=unit_m)
        width = max(map(len, cells)) + 2
        if lines is not ratings and len(lines[0]) + width > min(terminal_width(), TABLE):
            yield lines
            lines = ratings
        lines = [line + f"{cell:>{width}}" for line, cell in zip(lines, cells, strict=True)]
    yield lines


def _column(table: DeskTable, block: pd.DataFrame, key: str, *, unit_m: float) -> list[str]:
    """A cable type's name in two lines, and its lengths at every rating."""
    words = key.split()
    half = len(words) // 2
    cells = []
    for kva in block["kva"].unique():
        row = block[(block["kva"] == kva) & (block["cable_type"] == key)].iloc[0]
        over = ["+" if row[name] >= LONGEST_M else "" for name in LENGTHS]
        lengths = [length + sign for length, sign in zip(three(row, unit_m=unit_m), over, strict=True)]
        cells.append("/".join(lengths) if table.studied else lengths[2])
    return [" ".join(words[:half]), " ".join(words[half:]), *cells]


def legend(table: DeskTable) -> str:
    """What the three lengths are, in their order."""
    return f"study, no load / study, {table.load_share * 100:g} % load / screen"


def three(row: pd.Series[float], *, unit_m: float = 1.0) -> tuple[str, str, str]:
    """By study at no load and at the load, and by screen, cut off to three figures; a dash where there is none."""
    unloaded, loaded, screen = (_whole(row[name] / unit_m) for name in LENGTHS)
    return unloaded, loaded, screen


def _whole(length: float) -> str:
    if math.isnan(length):
        return "-"
    beyond = max(len(f"{length:.0f}") - 3, 0)
    return f"{cut_off(length, -beyond):.0f}"
