"""The worst state of a site as a list of changes, so that a survey of its own proves it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from survey.errors import SettingsError
from survey.report.reread import SavedSurvey
from survey.report.writing import write_rows
from survey.what_if.edits import COLUMNS, Change, changes_from_record


@dataclass(frozen=True)
class NamedState:
    """A state: the changes that make it, and what columns ``tie_...`` of the site say of it."""

    changes: tuple[Change, ...]
    words: str
    point: str
    cable_m: float
    band: str


def find_state(saved: SavedSurvey, site: str) -> NamedState:
    """The worst state of a site, after the changes that the survey itself was made with.

    Raises ``SettingsError``: there is no such site, or no state reroutes it.
    """
    rows = saved.sites[saved.sites["site_id"] == site]
    if not len(rows):
        msg = f"{saved.folder / 'sites.csv'}: no site {site!r}; give one of column site_id"
        raise SettingsError(msg)
    row = rows.iloc[0]
    if "tie_worst_id" not in rows or not row["tie_worst_id"]:
        msg = f"{saved.folder / 'sites.csv'}: site {site!r} has no state in tie_...; no loop that was judged feeds it"
        raise SettingsError(msg)
    words = [(str(row["tie_switch_id"]), "closed"), (str(row["tie_open_id"]), "open")]
    words = [(name, value) for name, value in words if name]
    made = tuple(Change("switch_state", name, value=value, note=f"worst state of {site}") for name, value in words)
    return NamedState(
        changes=(*changes_from_record(saved.record.get("changes", ())), *made),
        words=", ".join(f"{name} {value}" for name, value in words),
        point=str(row["tie_worst_id"]),
        cable_m=float(row["tie_cable_m"]),
        band=str(row["tie_band"]) or "not known",
    )


def write_changes(path: Path, changes: Sequence[Change]) -> None:
    """Write changes as CSV, as a what-if reads them."""
    rows = pd.DataFrame([change.row() for change in changes], columns=list(COLUMNS))
    write_rows(path, rows, columns=dict.fromkeys(COLUMNS))
