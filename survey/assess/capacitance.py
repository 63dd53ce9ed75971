"""Capacitance to ground of every cable, and where it comes from.

A recorded ``cap_nf_km`` wins, then the cable type of the catalogue, then what the type's text says (a finding of
severity ``assumed``), then the stand-in of the voltage class (another). Overhead lines count only a recorded one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.assess.cable_types import TypedCapacitance, typed_capacitance
from survey.assess.unread import teaching_line

if TYPE_CHECKING:
    from collections.abc import Mapping

    from survey.findings import FindingList
    from survey.physics.catalogue import Catalogue
    from survey.read.tables import NetworkTables

Floats = NDArray[np.float64]


def cable_capacitance(
    tables: NetworkTables, *, catalogue: Catalogue, patterns: Mapping[str, str], findings: FindingList
) -> tuple[Floats, NDArray[np.bool_]]:
    """Capacitance of one phase to ground per metre of every cable, and whether the stand-in was used.

    Parameters
    ----------
    patterns
        Cable types taught by the settings: regular expression → type.
    findings
        Gets ``cable_type_read``, ``class_capacitance``, ``unknown_cable_type``, ``default_voltage`` and
        ``no_capacitance``.

    Returns
    -------
    F/m and flags, each shape (n_cables,).
    """
    cables = tables.cables
    cap = cables["cap_f_m"].to_numpy(np.float64, copy=True)
    wanted = np.flatnonzero(cables["shielded"].to_numpy(bool) & ~np.isfinite(cap))
    stand_in = np.zeros(len(cables), bool)
    if len(wanted):
        volts = _voltages(tables, wanted, findings)
        kinds = cables["cable_type"].iloc[wanted]
        code = pd.factorize(kinds)[0]
        volt_code, levels = pd.factorize(volts)
        pair, first = np.unique(code * (len(levels) + 1) + volt_code, return_index=True)
        typed = typed_capacitance(
            kinds.to_numpy(object)[first].tolist(), volts[first], catalogue=catalogue, patterns=patterns
        )
        which = np.searchsorted(pair, code * (len(levels) + 1) + volt_code)
        cap[wanted] = typed.cap_f_m[which]
        stand_in[wanted] = typed.rough[which]
        _report_read(tables, wanted, which, typed=typed, findings=findings)
        _report(tables, wanted, typed.origin[which], findings)
    return np.nan_to_num(cap), stand_in


def _voltages(tables: NetworkTables, wanted: NDArray[np.int64], findings: FindingList) -> Floats:
    """Recorded voltage; where there is none the commonest of the feeder's transformers, else of all."""
    cables, sites = tables.cables, tables.transformers
    volts = cables["voltage_v"].to_numpy(np.float64)[wanted].copy()
    missing = np.flatnonzero(~np.isfinite(volts))
    if len(missing):
        known = sites[np.isfinite(sites["voltage_v"].to_numpy(np.float64))]
        by_feeder = known.groupby("feeder")["voltage_v"].agg(lambda v: v.mode().iloc[0])
        overall = known["voltage_v"].mode()
        fallback = float(overall.iloc[0]) if len(overall) else np.nan
        feeder = cables["feeder"].iloc[wanted[missing]]
        volts[missing] = feeder.map(by_feeder).fillna(fallback).to_numpy(np.float64)
        findings.add(
            "assumed",
            "default_voltage",
            layer="cables",
            ids=cables["cable_id"].iloc[wanted[missing]],
            message=f"{len(missing)} cables: no voltage on record; the commonest of the feeder's transformers was "
            f"used to "
            "choose the capacitance; record kv",
        )
    return volts


def _report_read(
    tables: NetworkTables,
    wanted: NDArray[np.int64],
    which: NDArray[np.int64],
    *,
    typed: TypedCapacitance,
    findings: FindingList,
) -> None:
    """Tell how each type's text was read."""
    ids = tables.cables["cable_id"].to_numpy()
    kinds = tables.cables["cable_type"].to_numpy(object)
    length = tables.cables["length_m"].fillna(tables.cables["drawn_m"]).fillna(0.0).to_numpy(np.float64)
    for i in np.flatnonzero(typed.origin == "text").tolist():
        rows = wanted[which == i]
        findings.add(
            "assumed",
            "cable_type_read",
            layer="cables",
            ids=ids[rows],
            message=f"{len(rows)} cables ({length[rows].sum() / 1000:.2f} km) of type {str(kinds[rows[0]])!r}, which "
            f"the catalogue does not have: read as {typed.words[i]}; teach it in input.cable_type_patterns if that "
            "is wrong",
        )


def _report(tables: NetworkTables, wanted: NDArray[np.int64], origin: NDArray[np.str_], findings: FindingList) -> None:
    ids = tables.cables["cable_id"].to_numpy()
    kinds = tables.cables["cable_type"].to_numpy(object)
    length = tables.cables["length_m"].fillna(tables.cables["drawn_m"]).fillna(0.0).to_numpy(np.float64)
    by_class = wanted[origin == "class"]
    blank = by_class[kinds[by_class] == ""]
    if len(blank):
        findings.add(
            "assumed",
            "class_capacitance",
            layer="cables",
            ids=ids[blank],
            message=f"{len(blank)} cables ({length[blank].sum() / 1000:.2f} km) without a type or capacitance: the "
            f"stand-in "
            "of the voltage class was used, which is on the large side; record cable_type or cap_nf_km",
        )
    unknown = by_class[kinds[by_class] != ""]
    for kind, rows in pd.Series(unknown).groupby(kinds[unknown]):
        findings.add(
            "assumed",
            "unknown_cable_type",
            layer="cables",
            ids=ids[rows.to_numpy()],
            message=f"{len(rows)} cables ({length[rows.to_numpy()].sum() / 1000:.2f} km) of type {str(kind)!r}, "
            "which the catalogue does not have and whose text says too little: the stand-in of the voltage class was "
            f"used; record cap_nf_km, or teach it in input.cable_type_patterns, for example {teaching_line(str(kind))}",
        )
    nothing = wanted[origin == "none"]
    if len(nothing):
        findings.add(
            "error",
            "no_capacitance",
            layer="cables",
            ids=ids[nothing],
            message=f"{len(nothing)} cables ({length[nothing].sum() / 1000:.2f} km) without type, capacitance or "
            f"voltage: 0 nF "
            "was used, so what hangs on them is understated; record cable_type, cap_nf_km or kv",
        )
