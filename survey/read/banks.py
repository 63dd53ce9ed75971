"""Banks: single-phase units with one ``bank_id`` make one three-phase site."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from survey.read.columns import Rows

FIRST_OF_UNITS = ("feeder", "district", "node")
PLACE = ["x", "y", "lon", "lat"]


def join_banks(
    rows: Rows, records: pd.DataFrame, *, banked: NDArray[np.bool_], taken: NDArray[np.bool_]
) -> tuple[pd.DataFrame, int]:
    """Join the units of each bank.

    Parameters
    ----------
    rows
        Takes the findings.
    records
        All records of the layer in order of id.
    banked
        Which records are units of a bank.
    taken
        Which records are sites by themselves; a bank cannot have the id of one.

    Returns
    -------
    banks
        One row per bank whose units cover A, B and C.
    incomplete
        Number of units of all other banks, which a finding names.
    """
    if not banked.any():
        return records.iloc[:0], 0
    used = set(records["site_id"][taken])
    banks, incomplete = [], 0
    for bank_id, units in records[banked].groupby("bank_id", sort=True, observed=True):
        if np.bitwise_or.reduce(units["phases"].to_numpy()) != THREE_PHASE:
            _report_incomplete(rows, str(bank_id), units)
            incomplete += len(units)
        else:
            banks.append(_join(rows, str(bank_id), units=units, used=used))
    table = pd.DataFrame(banks, columns=records.columns)
    return (table.astype(records.dtypes.to_dict()) if len(table) else records.iloc[:0]), incomplete


def _join(rows: Rows, bank_id: str, *, units: pd.DataFrame, used: set[str]) -> dict[str, Any]:
    site_id = bank_id
    if bank_id in used:
        number = 2
        while f"{bank_id}#{number}" in used:
            number += 1
        site_id = f"{bank_id}#{number}"
        message = f"bank {bank_id} has the id of a site; the bank was named {site_id}; give each its own"
        _add(rows, "error", "duplicate_id", ids=[site_id], message=message)
    used.add(site_id)
    rating = units["rating_va"].to_numpy()
    voltage = _agreed(rows, bank_id, units=units, field="voltage_v", missing=np.nan)
    return {
        **{str(name): value for name, value in units.iloc[0].items()},
        **{field: _first(units[field]) for field in FIRST_OF_UNITS},
        **_place(units),
        "site_id": site_id,
        "phases": THREE_PHASE,
        "rating_va": rating.sum(),
        "voltage_v": voltage,
        "connection": _agreed(rows, bank_id, units=units, field="connection", missing=""),
        "core": _core(rows, bank_id, units),
        "no_load_loss_w": units["no_load_loss_w"].to_numpy().sum(),
        "exciting_pu": (units["exciting_pu"].to_numpy() * rating).sum() / rating.sum(),
        "min_load_w": units["min_load_w"].to_numpy().sum(),
        "customers": units["customers"].sum(min_count=1),
        "critical": bool(units["critical"].any()),
        "units": len(units),
        "usable": bool(np.isfinite(rating).all() and np.isfinite(voltage)),
    }


def _first(texts: pd.Series) -> str:
    return next((str(text) for text in texts if text), "")


def _place(units: pd.DataFrame) -> dict[str, float]:
    """Place of the first unit that has one."""
    placed = units[units["x"].notna()]
    chosen = (placed if len(placed) else units).iloc[0]
    return {name: float(chosen[name]) for name in PLACE}


def _agreed(rows: Rows, bank_id: str, *, units: pd.DataFrame, field: str, missing: Any) -> Any:  # noqa: ANN401
    """Value that all units which have one agree on; otherwise it counts as missing, with a finding."""
    values = units[field]
    there = values[values.notna() & (values != "")]
    distinct = sorted(there.unique().tolist())
    if len(distinct) == 1:
        return distinct[0]
    if distinct:
        found = ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in distinct)
        message = f"units of bank {bank_id} disagree on {field} ({found}); counted as missing; correct the records"
        _add(rows, "error", f"bank_{field}_differs", ids=units["site_id"], message=message)
    return missing


def _core(rows: Rows, bank_id: str, units: pd.DataFrame) -> str:
    """Core construction; single-phase units that record none have a core each."""
    if (units["core"] != "").any():
        return str(_agreed(rows, bank_id, units=units, field="core", missing=""))
    message = f"no unit of bank {bank_id} has a core on record; single-phase units have separate cores; record it"
    _add(rows, "assumed", "bank_core", ids=units["site_id"], message=message)
    return "separate"


def _report_incomplete(rows: Rows, bank_id: str, units: pd.DataFrame) -> None:
    covered = int(np.bitwise_or.reduce(units["phases"].to_numpy()))
    letters = "".join(letter for i, letter in enumerate("ABC") if covered >> i & 1)
    message = (
        f"bank {bank_id}: its {len(units)} units cover {letters} only, expected A, B and C between them; "
        "no three-phase site, not surveyed; record the missing unit, or correct phases or bank_id"
    )
    _add(rows, "error", "incomplete_bank", ids=units["site_id"], message=message)


def _add(rows: Rows, severity: Any, rule: str, *, ids: Iterable[str], message: str) -> None:  # noqa: ANN401
    rows.findings.add(severity, rule, layer=rows.name, ids=ids, message=message)
