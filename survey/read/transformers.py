"""The transformer layer: three-phase sites, banks of single-phase units joined."""

import numpy as np
import pandas as pd
from pyproj import CRS

from survey.input_schema import AS_TEXT
from survey.read.banks import join_banks
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
UNIT_SUFFIX = r"[-_./ ]?[A-Ca-c1-3]$"
NOT_ASSESSABLE = "such a site cannot be assessed"

COLUMNS = [
    "site_id",
    "feeder",
    "district",
    "rating_va",
    "voltage_v",
    "connection",
    "core",
    "no_load_loss_w",
    "exciting_pu",
    "min_load_w",
    "minload_3p",
    "arrester",
    "customers",
    "critical",
    "node",
    "x",
    "y",
    "lon",
    "lat",
    "row",
    "units",
    "usable",
]


def read_transformers(rows: Rows, drawn: RawPoints, *, places: Places, crs: CRS | None) -> PointTable:
    """Clean the transformer layer; one row per three-phase site."""
    records = pd.DataFrame({**_fields(rows), **place_columns(rows, drawn, places=places, crs=crs)}, copy=False)
    records["units"] = 1
    records["usable"] = records["rating_va"].notna() & records["voltage_v"].notna()
    three_phase = (records["phases"] == THREE_PHASE).to_numpy()
    banked = (records["bank_id"] != "").to_numpy(np.bool_) & ~three_phase
    banks, incomplete = join_banks(records, banked=banked, taken=three_phase, findings=rows.findings)
    table = records[three_phase] if banks.empty else _with_banks(records[three_phase], banks)
    table = table[COLUMNS].reset_index(drop=True)
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
    alone = records[~three_phase & ~joined]
    _tell_banks_by_id(rows, alone)
    return PointTable(table, counts, other_xy, _one_phase(alone))


def _tell_banks_by_id(rows: Rows, alone: pd.DataFrame) -> None:
    """Name units that no bank joins, but whose ids differ in the letter of the phase only: T1A, T1B, T1C."""
    stem = alone["site_id"].str.replace(UNIT_SUFFIX, "", regex=True)
    units = alone.groupby(stem.where(stem != alone["site_id"], ""))
    whole = (units.size() == len("ABC")) & (units["phases"].sum() == THREE_PHASE)
    near = (units[["x", "y"]].max() - units[["x", "y"]].min()).max(axis=1) <= BANK_M
    banks = whole.index[whole & near & (whole.index != "")]
    if len(banks):
        ids = alone["site_id"][stem.isin(banks)]
        rows.findings.report("banks_by_id", ids=ids, banks=len(banks), first=banks[0])


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
