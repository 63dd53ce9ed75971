"""The transformer layer: three-phase sites, banks of single-phase units joined."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from functools import reduce
from itertools import count, groupby
from operator import or_
from typing import Any

import numpy as np
import pandas as pd
from pyproj import CRS

from survey.arrays import Bools
from survey.findings import FindingList, find_rule
from survey.input_schema import AS_TEXT
from survey.read.columns import (
    MISSING,
    Encoded,
    Rows,
    encode,
    read_code,
    read_flag,
    read_number,
    read_phases,
    read_text,
    text_series,
)
from survey.read.coordinates import Places
from survey.read.geometry import RawPoints
from survey.read.points import PointTable, place_columns
from survey.read.tables import THREE_PHASE, UNIT_COLUMNS
from survey.read.transformer_text import NEUTRAL_NOT_SAID, SYSTEM_NAMED, parse_voltage_text

BANK_M = 15.0  # units of a bank stand no further apart (judgement)
UNIT_SUFFIX = r"[-_./ ]?[A-CR-Wa-cr-w1-3]$"  # phases A B C, R S T, U V W or 1 2 3 (common practice, no source)
SPOT_DECIMALS = 1  # units on one spot are drawn alike to a tenth of a metre (judgement)
NOT_ASSESSABLE = "such a site cannot be assessed"

FIRST_OF_UNITS = ("feeder", "district", "node")
PLACE = ("x", "y", "lon", "lat")
Units = dict[str, list[Any]]
"""Columns of the records of one bank."""


def read_transformers(rows: Rows, drawn: RawPoints, *, places: Places, crs: CRS | None) -> PointTable:
    """Clean the transformer layer; one row per three-phase site."""
    records = pd.DataFrame({**_fields(rows), **place_columns(rows, drawn, places=places, crs=crs)}, copy=False)
    records["units"] = 1
    records["usable"] = records["rating_va"].notna() & records["voltage_v"].notna()
    three_phase = (records["phases"] == THREE_PHASE).to_numpy()
    banked = (records["bank_id"] != "").to_numpy(np.bool_) & ~three_phase
    banks, incomplete = join_banks(records, banked=banked, taken=three_phase, findings=rows.findings)
    table = records[three_phase] if banks.empty else _with_banks(records[three_phase], banks)
    table = table.drop(columns=["phases", "bank_id"]).reset_index(drop=True)
    _check_exciting(rows, table)
    counts = {
        "in": len(rows),
        "used": len(table),
        "joined": int(banked.sum()) - incomplete - len(banks),
        "not_three_phase": int((~three_phase & ~banked).sum()),
        "incomplete_bank": incomplete,
    }
    other_xy = records.loc[~three_phase, ["x", "y"]].to_numpy(np.float64)
    joined = banked & records["bank_id"].isin(banks["bank_id"]).to_numpy(np.bool_)
    alone = records.loc[~three_phase & ~joined, [*UNIT_COLUMNS, "voltage_v"]]
    _tell_likely_banks(rows, alone)
    return PointTable(table, counts, other_xy, _one_phase(alone))


def _tell_likely_banks(rows: Rows, alone: pd.DataFrame) -> None:
    """Name units that no bank joins, but whose ids differ in the letter of the phase only: T1A, T1B, T1C.

    And those that stand on the same spot, alike, one on each phase.
    """
    alone = alone[["site_id", "phases", "rating_va", "voltage_v", "x", "y"]]
    stem = alone["site_id"].str.replace(UNIT_SUFFIX, "", regex=True)
    lettered = stem != alone["site_id"]
    units = alone[lettered].groupby(stem[lettered])
    near = (units[["x", "y"]].max() - units[["x", "y"]].min()).max(axis=1) <= BANK_M
    whole = _one_a_phase(units) & near
    banks = whole.index[whole & (whole.index != "")]
    if len(banks):
        ids = alone["site_id"][stem.isin(banks)]
        rows.findings.report("banks_by_id", ids=ids, banks=len(banks), first=banks[0])
    rest = alone[~stem.isin(banks) & alone["x"].notna()]
    spot = _spot(rest)
    alike = _one_a_phase(rest.groupby(spot))
    same = rest["site_id"][spot.isin(alike.index[alike])]
    if len(same):
        rows.findings.report("banks_by_place", ids=same, banks=len(same) // len("ABC"), first=same.iloc[0])


def _spot(units: pd.DataFrame) -> pd.Series[int]:
    """Number of the spot, rating and voltage that units of one bank have alike."""
    alike = [units["x"].round(SPOT_DECIMALS), units["y"].round(SPOT_DECIMALS), units["rating_va"], units["voltage_v"]]
    return units.groupby(alike, dropna=False).ngroup()


def _one_a_phase(units: Any) -> pd.Series[bool]:  # noqa: ANN401 - groups of a table
    """Groups of three units, one on each phase."""
    whole: pd.Series[bool] = (units.size() == len("ABC")) & (units["phases"].sum() == THREE_PHASE)
    return whole


def _one_phase(units: pd.DataFrame) -> pd.DataFrame:
    """Single-phase units, kept for what they do to the sections they stand on."""
    units = units[list(UNIT_COLUMNS)].reset_index(drop=True)
    return units.assign(rating_va=units["rating_va"].fillna(0.0))


def _with_banks(sites: pd.DataFrame, banks: pd.DataFrame) -> pd.DataFrame:
    joined = pd.concat([sites, banks], ignore_index=True) if len(sites) else banks
    return joined.sort_values("site_id", kind="stable")


def _fields(rows: Rows) -> dict[str, object]:
    rating = _required(rows, "kva")
    return {
        "site_id": text_series(rows.ids),
        "phases": read_phases(rows),
        "bank_id": read_text(rows, "bank_id"),
        "feeder": read_text(rows, "feeder"),
        "district": read_text(rows, "district"),
        "rating_va": rating,
        "voltage_v": _required(rows, "kv"),
        "connection": _connection(rows).texts(),
        "core": read_code(rows, "core", fallback="").texts(),
        "no_load_loss_w": read_number(rows, "nll_w", then="counted as missing").si,
        "exciting_pu": read_number(rows, "exc_pct", then="counted as missing").si,
        "min_load_w": read_number(rows, "minload_kw", then="counted as 0").si,
        "minload_3p": read_code(rows, "minload_3p", fallback="").texts(),
        "arrester": read_code(rows, "arrester", fallback="unknown").texts(),
        "customers": read_number(rows, "customers", then="counted as missing").si,
        "critical": read_flag(rows, "critical"),
    }


def _connection(rows: Rows) -> Encoded:
    """Connection on record, else the one that the voltage's text tells of when that is a nameplate's."""
    column = read_code(rows, "connection", fallback="")
    if rows.mapping.units.get("kv") != AS_TEXT:
        return column
    worded = encode(rows, "kv")
    place = {name: i for i, name in enumerate(column.names)}
    read = [parse_voltage_text(text) for text in worded.names]
    hint = worded.lookup([place.get(text.connection, MISSING) for text in read])
    told = (column.codes == MISSING) & (hint != MISSING)
    rows.report("connection_from_text", where=told)
    wye = worded.lookup([text.note in (SYSTEM_NAMED, NEUTRAL_NOT_SAID) for text in read]) == 1
    untold = (column.codes == MISSING) & wye
    rows.report("connection_not_in_text", where=untold, examples=worded.examples(untold))
    return Encoded(np.where(told, hint, column.codes), column.names)


def _required(rows: Rows, field: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    numbers = read_number(rows, field, then=NOT_ASSESSABLE)
    rows.report("missing_{field}", where=numbers.missing, field=field, done=NOT_ASSESSABLE)
    return numbers.si


def _check_exciting(rows: Rows, table: pd.DataFrame) -> None:
    """Drop exciting currents that are not above the core loss: they leave nothing for magnetizing."""
    loss_pu = table["no_load_loss_w"] / table["rating_va"]
    rounding = 1e-6  # a loss current recorded as exciting current equals the loss but for its last digit
    low = (table["exciting_pu"] <= loss_pu * (1 + rounding)).to_numpy(np.bool_)
    if low.any():
        rows.findings.report("exciting_below_loss", ids=table["site_id"][low], all=len(table))
        table.loc[low, "exciting_pu"] = np.nan


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
    records: pd.DataFrame, *, banked: Bools, taken: Bools, findings: FindingList
) -> tuple[pd.DataFrame, int]:
    """Join the units of each bank.

    ``records``: all records of the layer in order of id. ``banked``: which records are units of a bank. ``taken``:
    which records are sites by themselves; a bank cannot have the id of one. ``findings``: gets ``incomplete_bank``,
    ``bank_id_taken``, ``bank_apart``, ``bank_..._differs`` and ``bank_core``. Returns ``banks``: one row per bank whose
    units cover A, B and C; ``incomplete``: number of units of all other banks, which a finding names.
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
    spread = _spread(units)
    if spread > BANK_M:
        faults.note("bank_apart", bank_id, ids=units["site_id"], found=f"{spread:,.0f} m")
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


def _spread(units: Units) -> float:
    """How far the units that have a place are apart, metres, along x or y."""
    known = [[value for value in units[name] if not math.isnan(value)] for name in ("x", "y")]
    return max((max(values) - min(values) for values in known if values), default=0.0)


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
