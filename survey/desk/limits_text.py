"""The desk table in words: as CSV, and as text for a terminal."""

from __future__ import annotations

import csv
import math
from typing import TYPE_CHECKING, Any

from survey.assess.windings import REASONS
from survey.desk.chain import FOOT_M, LEFT_OUT, cut_off
from survey.desk.lengths import LONGEST_M
from survey.desk.limits import THREE_LEGGED, TITLES, not_susceptible_lines

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator
    from pathlib import Path

    import pandas as pd

    from survey.desk.limits import DeskTable

COLUMNS = (
    "kv", "kva", "connection", "core", "cable_type", "cap_nf_km", "own_nf", "nll_w", "exc_pct", "screen_m", "screen_ft",
    "study_m", "study_ft", "load_pct", "loaded_m", "loaded_ft", "note",
)  # fmt: skip


def write_csv(table: DeskTable, path: Path) -> None:
    """Every row of the table, and a row for each winding that needs no limit."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(_cells(table, row) for row in table.rows.to_dict("records"))
        for name, reason in REASONS.items():
            connection, core = ("grounded_wye", name) if name == "separate" else (name, "")
            note = f"not susceptible: {reason}"
            writer.writerow([f"{table.kv:g}", "", connection, core, *[""] * (len(COLUMNS) - 5), note])


def _cells(table: DeskTable, row: dict[Hashable, Any]) -> list[str]:
    numbers = (f"{row['cap_nf_km']:.2f}", f"{row['own_nf']:.3f}", f"{row['nll_w']:.1f}", f"{row['exc_pct']:.3f}")
    kind = (str(row["connection"]), str(row["core"]), str(row["cable_type"]))
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


def title(table: DeskTable) -> str:
    """What the table is."""
    return f"Allowed cable length behind a single-pole switching point, {table.kv:g} kV"


def conditions(table: DeskTable) -> list[str]:
    """What the table holds for: limits, model, defaults, and what it leaves out."""
    limits, electrical = table.settings.limits, table.settings.electrical
    exciting = table.rows["exc_pct"].iloc[0]
    loss = table.rows["nll_w"] / table.rows["kva"] / 10
    by_study = (
        f"By study: every shorter length keeps the open phases at or under {limits.voltage_pu:g} per unit of crest to "
        "ground, poles operated one at a time, with no load and with that much resistive load on the secondary."
    )
    by_screen = (
        f"By screen: Xc/Xm at or above {limits.delta_xc_xm:g} for delta and {limits.floating_wye_xc_xm:g} for floating "
        f"wye, charging over no-load loss at or under {limits.five_legged_charge_loss:g} for grounded wye (Xm "
        "wye-equivalent; a delta leg is three times that). The study is the closer look of the two."
    )
    zero = (
        "0: over the limit with the transformer's own capacitance alone. All cable that stays on the open pole counts, "
        f"side branches included; lengths over {LONGEST_M:g} m were not tried."
    )
    defaults = (
        f"Defaults of the catalogue: no-load loss {loss.min():.3f} to {loss.max():.3f} % of rating by kVA, exciting "
        f"current {exciting:.2g} %. One transformer, {electrical.frequency_hz} Hz, r {electrical.series_r_pu:g}, knee "
        f"{electrical.knee_pu:g}, saturated reactance {electrical.saturated_x_pu:g} per unit. Lower loss allows less."
    )
    return [f"{by_study} {by_screen}", zero, defaults, LEFT_OUT]


def text_lines(table: DeskTable) -> Iterator[str]:
    """The table for a terminal: a block for each winding, two lines for each rating."""
    yield title(table)
    yield f"Three lengths a cell: {legend(table)}" if table.studied else "Lengths by screen; the study was left out"
    for connection, heading in TITLES.items():
        yield ""
        yield heading
        yield from _block(table, table.rows[table.rows["connection"] == connection])
    yield ""
    yield THREE_LEGGED
    yield from not_susceptible_lines()
    yield ""
    yield from conditions(table)


def _block(table: DeskTable, block: pd.DataFrame) -> Iterator[str]:
    """Lines of one winding, in columns as narrow as what is in them."""
    keys = [key.split() for key in table.shown]
    halves = ([words[: len(words) // 2] for words in keys], [words[len(words) // 2 :] for words in keys])
    lines = [(name, "", list(map(" ".join, half))) for name, half in zip(("kVA", ""), halves, strict=True)]
    for kva in block["kva"].unique():
        rows = [_row(block, kva, key) for key in table.shown]
        for number, unit, unit_m in ((f"{kva:g}", "m", 1.0), ("", "ft", FOOT_M)):
            lengths = [three(row, unit_m=unit_m) for row in rows]
            lines.append((number, unit, [" / ".join(each) if table.studied else each[2] for each in lengths]))
    width = max(len(cell) for *_, cells in lines for cell in cells) + 2
    for number, unit, cells in lines:
        yield f"{number:>6} {unit:<2}" + "".join(f"{cell:>{width}}" for cell in cells)


def legend(table: DeskTable) -> str:
    """What the three lengths are, in their order."""
    return f"by study, no load / by study, {table.load_share * 100:g} % load / by screen"


def _row(block: pd.DataFrame, kva: float, key: str) -> pd.Series[float]:
    return block[(block["kva"] == kva) & (block["cable_type"] == key)].iloc[0]


def three(row: pd.Series[float], *, unit_m: float = 1.0) -> tuple[str, str, str]:
    """By study at no load and at the load, and by screen, cut off to whole units; a dash where there is none."""
    unloaded, loaded, screen = (_whole(row[name] / unit_m) for name in ("study_m", "loaded_m", "screen_m"))
    return unloaded, loaded, screen


def _whole(length: float) -> str:
    return "-" if math.isnan(length) else f"{cut_off(length, 0):.0f}"
