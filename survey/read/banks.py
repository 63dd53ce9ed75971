"""Banks: single-phase units with one ``bank_id`` make one three-phase site."""

import math
from collections.abc import Iterable, Iterator
from functools import reduce
from itertools import count, groupby
from operator import or_
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.findings import FindingList, find_rule
from survey.read.tables import THREE_PHASE

FIRST_OF_UNITS = ("feeder", "district", "node")
PLACE = ("x", "y", "lon", "lat")
Units = dict[str, list[Any]]
"""Columns of the records of one bank."""


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

    ``records``: all records of the layer in order of id. ``banked``: which records are units of a bank. ``taken``:
    which records are sites by themselves; a bank cannot have the id of one. ``findings``: gets ``incomplete_bank``,
    ``bank_id_taken``, ``bank_..._differs`` and ``bank_core``. Returns ``banks``: one row per bank whose units cover A,
    B and C; ``incomplete``: number of units of all other banks, which a finding names.
    """
    if not banked.any():
        return records.iloc[:0], 0
    used, faults = set(records["site_id"][taken]), _Faults()
    banks, incomplete = [], 0
    for bank_id, units in _by_bank(records[banked]):
        if _covered(units) != THREE_PHASE:
            faults.note("incomplete_bank", bank_id, ids=units["site_id"], found=_lacking(units))
            incomplete += len(units["site_id"])
        else:
            banks.append(_join(bank_id, units=units, used=used, faults=faults))
    faults.report(findings)
    table = pd.DataFrame(banks, columns=records.columns)
    return (table.astype(records.dtypes.to_dict()) if len(table) else records.iloc[:0]), incomplete


def _by_bank(records: pd.DataFrame) -> Iterator[tuple[str, Units]]:
    """Banks in order of id, as plain lists: a table of each would take a hundred times as long."""
    records = records.sort_values("bank_id", kind="stable")
    ids, columns = records["bank_id"].tolist(), {str(name): column.tolist() for name, column in records.items()}
    first = 0
    for bank_id, units in groupby(ids):
        last = first + len(list(units))
        yield str(bank_id), {name: column[first:last] for name, column in columns.items()}
        first = last


def _join(bank_id: str, *, units: Units, used: set[str], faults: _Faults) -> dict[str, Any]:
    site_id = bank_id
    if bank_id in used:
        number = next(k for k in count(2) if f"{bank_id}#{k}" not in used)
        site_id = f"{bank_id}#{number}"
        faults.note("bank_id_taken", bank_id, ids=[site_id], found=site_id)
    used.add(site_id)
    rating, customers = units["rating_va"], [number for number in units["customers"] if number == number]  # noqa: PLR0124
    voltage = _agreed(bank_id, units=units, faults=faults, field="voltage_v", missing=math.nan)
    weighted = [share * va for share, va in zip(units["exciting_pu"], rating, strict=True)]
    return {
        **{name: values[0] for name, values in units.items()},
        **{field: next((str(text) for text in units[field] if text), "") for field in FIRST_OF_UNITS},
        **_place(units),
        "site_id": site_id,
        "phases": THREE_PHASE,
        "rating_va": sum(rating),
        "voltage_v": voltage,
        "connection": _agreed(bank_id, units=units, faults=faults, field="connection", missing=""),
        "core": _core(bank_id, units, faults=faults),
        "no_load_loss_w": sum(units["no_load_loss_w"]),
        "exciting_pu": sum(weighted) / sum(rating) if sum(rating) else math.nan,
        "min_load_w": sum(units["min_load_w"]),
        "minload_3p": _common(units["minload_3p"], otherwise="no"),
        "arrester": _common(units["arrester"], otherwise="unknown"),
        "customers": sum(customers) if customers else math.nan,
        "critical": any(units["critical"]),
        "units": len(rating),
        "usable": all(map(math.isfinite, (*rating, voltage))),
    }


def _common(codes: list[Any], *, otherwise: str) -> str:
    """Code that all units share."""
    return str(codes[0]) if len(set(codes)) == 1 else otherwise


def _place(units: Units) -> dict[str, float]:
    """Place of the first unit that has one."""
    chosen = next((k for k, x in enumerate(units["x"]) if not math.isnan(x)), 0)
    return {name: float(units[name][chosen]) for name in PLACE}


def _agreed(bank_id: str, *, units: Units, field: str, missing: Any, faults: _Faults) -> Any:  # noqa: ANN401
    """Value that all units which have one agree on; otherwise it counts as missing, with a finding."""
    distinct = sorted({value for value in units[field] if value == value and value != ""})  # noqa: PLR0124 - not NaN
    if len(distinct) == 1:
        return distinct[0]
    if distinct:
        found = ", ".join(f"{value / 1e3:g}" if isinstance(value, float) else str(value) for value in distinct)
        name = "kv" if field == "voltage_v" else field
        faults.note("bank_{field}_differs", bank_id, ids=units["site_id"], found=found, field=name)
    return missing


def _core(bank_id: str, units: Units, *, faults: _Faults) -> str:
    """Core construction; single-phase units that record none have a core each."""
    if any(units["core"]):
        return str(_agreed(bank_id, units=units, faults=faults, field="core", missing=""))
    faults.note("bank_core", bank_id, ids=units["site_id"])
    return "separate"


def _covered(units: Units) -> int:
    """Phases that the units have between them, as a mask."""
    return reduce(or_, units["phases"])


def _lacking(units: Units) -> str:
    covered = "".join(phase for i, phase in enumerate("ABC") if _covered(units) >> i & 1)
    return f"{len(units['phases'])} units cover {covered} only"
