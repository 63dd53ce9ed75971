"""Banks: single-phase units with one ``bank_id`` make one three-phase site."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from survey.findings import find_rule
from survey.read.tables import THREE_PHASE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from survey.findings import FindingList

FIRST_OF_UNITS = ("feeder", "district", "node")
PLACE = ["x", "y", "lon", "lat"]


class _Faults:
    """What is odd about the banks, gathered so that each kind is told once."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], list[tuple[str, str, list[str]]]] = {}

    def note(self, rule: str, bank_id: str, *, ids: Iterable[str], found: str = "", field: str = "") -> None:
        self._found.setdefault((rule, field), []).append((bank_id, found, list(ids)))

    def report(self, findings: FindingList) -> None:
        for (rule, field), banks in self._found.items():
            bank, found, _ = banks[0]
            ids = [name for *_, units in banks for name in units]
            values: dict[str, Any] = {"bank": bank, "banks": len(banks), "found": found, "field": field}
            findings.report(rule, ids=ids, **{name: values[name] for name in find_rule(rule).wants})


def join_banks(
    records: pd.DataFrame, *, banked: NDArray[np.bool_], taken: NDArray[np.bool_], findings: FindingList
) -> tuple[pd.DataFrame, int]:
    """Join the units of each bank.

    Parameters
    ----------
    records
        All records of the layer in order of id.
    banked
        Which records are units of a bank.
    taken
        Which records are sites by themselves; a bank cannot have the id of one.
    findings
        Gets ``incomplete_bank``, ``bank_id_taken``, ``bank_..._differs`` and ``bank_core``.

    Returns
    -------
    banks
        One row per bank whose units cover A, B and C.
    incomplete
        Number of units of all other banks, which a finding names.
    """
    if not banked.any():
        return records.iloc[:0], 0
    used, faults = set(records["site_id"][taken]), _Faults()
    banks, incomplete = [], 0
    for bank_id, units in records[banked].groupby("bank_id", sort=True, observed=True):
        if np.bitwise_or.reduce(units["phases"].to_numpy()) != THREE_PHASE:
            faults.note("incomplete_bank", str(bank_id), ids=units["site_id"], found=_lacking(units))
            incomplete += len(units)
        else:
            banks.append(_join(str(bank_id), units=units, used=used, faults=faults))
    faults.report(findings)
    table = pd.DataFrame(banks, columns=records.columns)
    return (table.astype(records.dtypes.to_dict()) if len(table) else records.iloc[:0]), incomplete


def _join(bank_id: str, *, units: pd.DataFrame, used: set[str], faults: _Faults) -> dict[str, Any]:
    site_id = bank_id
    if bank_id in used:
        number = 2
        while f"{bank_id}#{number}" in used:
            number += 1
        site_id = f"{bank_id}#{number}"
        faults.note("bank_id_taken", bank_id, ids=[site_id], found=site_id)
    used.add(site_id)
    rating = units["rating_va"].to_numpy()
    voltage = _agreed(bank_id, units=units, faults=faults, field="voltage_v", missing=np.nan)
    return {
        **{str(name): value for name, value in units.iloc[0].items()},
        **{field: _first(units[field]) for field in FIRST_OF_UNITS},
        **_place(units),
        "site_id": site_id,
        "phases": THREE_PHASE,
        "rating_va": rating.sum(),
        "voltage_v": voltage,
        "connection": _agreed(bank_id, units=units, faults=faults, field="connection", missing=""),
        "core": _core(bank_id, units, faults=faults),
        "no_load_loss_w": units["no_load_loss_w"].to_numpy().sum(),
        "exciting_pu": (units["exciting_pu"].to_numpy() * rating).sum() / rating.sum(),
        "min_load_w": units["min_load_w"].to_numpy().sum(),
        "minload_3p": _common(units["minload_3p"], otherwise="no"),
        "arrester": _common(units["arrester"], otherwise="unknown"),
        "customers": units["customers"].sum(min_count=1),
        "critical": bool(units["critical"].any()),
        "units": len(units),
        "usable": bool(np.isfinite(rating).all() and np.isfinite(voltage)),
    }


def _common(codes: pd.Series, *, otherwise: str) -> str:
    """Code that all units share."""
    return str(codes.iloc[0]) if (codes == codes.iloc[0]).all() else otherwise


def _first(texts: pd.Series) -> str:
    return next((str(text) for text in texts if text), "")


def _place(units: pd.DataFrame) -> dict[str, float]:
    """Place of the first unit that has one."""
    placed = units[units["x"].notna()]
    chosen = (placed if len(placed) else units).iloc[0]
    return {name: float(chosen[name]) for name in PLACE}


def _agreed(bank_id: str, *, units: pd.DataFrame, field: str, missing: Any, faults: _Faults) -> Any:  # noqa: ANN401
    """Value that all units which have one agree on; otherwise it counts as missing, with a finding."""
    values = units[field]
    there = values[values.notna() & (values != "")]
    distinct = sorted(there.unique().tolist())
    if len(distinct) == 1:
        return distinct[0]
    if distinct:
        found = ", ".join(f"{value / 1e3:g}" if isinstance(value, float) else str(value) for value in distinct)
        name = "kv" if field == "voltage_v" else field
        faults.note("bank_{field}_differs", bank_id, ids=units["site_id"], found=found, field=name)
    return missing


def _core(bank_id: str, units: pd.DataFrame, *, faults: _Faults) -> str:
    """Core construction; single-phase units that record none have a core each."""
    if (units["core"] != "").any():
        return str(_agreed(bank_id, units=units, faults=faults, field="core", missing=""))
    faults.note("bank_core", bank_id, ids=units["site_id"])
    return "separate"


def _lacking(units: pd.DataFrame) -> str:
    covered = int(np.bitwise_or.reduce(units["phases"].to_numpy()))
    return f"{len(units)} units cover {''.join(phase for i, phase in enumerate('ABC') if covered >> i & 1)} only"
