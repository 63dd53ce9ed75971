"""Capacitance to ground of every cable, and where it comes from.

A recorded ``cap_nf_km`` wins, then the cable type of the catalogue, then what the type's text says (a finding of
severity ``assumed``), then the stand-in of the voltage class (another). Overhead line has a default of the settings.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints, Objects
from survey.assess.cable_types import TypedCapacitance, typed_capacitance
from survey.findings import FindingList, find_rule
from survey.physics.catalogue import Catalogue
from survey.read.tables import NetworkTables

KILO, NAMED = 1e3, 5


class CableCapacitance(NamedTuple):
    """Capacitance of one phase to ground per metre of every cable, F/m, and where a default stands in.

    ``stand_in`` the voltage class's; ``overhead`` that of overhead line. Each shape (n_cables,).
    """

    cap_f_m: Floats
    stand_in: Bools
    overhead: Bools


def cable_capacitance(
    tables: NetworkTables,
    *,
    catalogue: Catalogue,
    patterns: Mapping[str, str],
    overhead_f_m: float = 0.0,
    findings: FindingList,
) -> CableCapacitance:
    """Capacitance of one phase to ground of every cable and line.

    ``patterns``: cable types taught by the settings: regular expression → type. ``overhead_f_m``: of overhead line on
    whose record there is none [F/m]. ``findings``: gets ``cable_type_read``, ``class_capacitance``,
    ``unknown_cable_type``, ``default_voltage`` and ``no_capacitance``.
    """
    cables = tables.cables
    cap = cables["cap_f_m"].to_numpy(np.float64, copy=True)
    shielded = cables["shielded"].to_numpy(bool)
    overhead = ~shielded & ~np.isfinite(cap)
    cap[overhead] = overhead_f_m
    wanted = np.flatnonzero(shielded & ~np.isfinite(cap))
    stand_in = np.zeros(len(cables), bool)
    if len(wanted):
        volts = _voltages(tables, wanted, findings)
        kinds = cables["cable_type"].iloc[wanted]
        code = pd.factorize(kinds)[0]
        volt_code, levels = pd.factorize(volts)
        pair, first = np.unique(code * (len(levels) + 1) + volt_code, return_index=True)
        typed = typed_capacitance(
            kinds.iloc[first].to_numpy(object).tolist(), volts[first], catalogue=catalogue, patterns=patterns
        )
        which = np.searchsorted(pair, code * (len(levels) + 1) + volt_code)
        cap[wanted] = typed.cap_f_m[which]
        stand_in[wanted] = typed.rough[which]
        _report(tables, wanted, which, typed=typed, findings=findings)
    return CableCapacitance(np.nan_to_num(cap), stand_in, overhead)


def _voltages(tables: NetworkTables, wanted: Ints, findings: FindingList) -> Floats:
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
        findings.report("default_voltage", ids=cables["cable_id"].iloc[wanted[missing]])
    return volts


def _report(
    tables: NetworkTables, wanted: Ints, which: Ints, *, typed: TypedCapacitance, findings: FindingList
) -> None:
    """Tell where the capacitance comes from; of types that are no key of the catalogue, the longest by name."""
    cables = tables.cables
    kinds = cables["cable_type"].iloc[wanted]
    km = cables["length_m"].fillna(cables["drawn_m"]).fillna(0.0).to_numpy(np.float64) / KILO
    origin, blank = typed.origin[which], (kinds == "").to_numpy()
    for rule, chosen in (
        ("cable_type_read", origin == "text"),
        ("class_capacitance", (origin == "class") & blank),
        ("unknown_cable_type", (origin == "class") & ~blank),
        ("no_capacitance", origin == "none"),
    ):
        rows = wanted[chosen]
        if not len(rows):
            continue
        values: dict[str, Any] = {"km": km[rows].sum()}
        if "named" in find_rule(rule).wants:
            words = np.array(typed.words, object)[which[chosen]]
            values |= _kinds(kinds[chosen].to_numpy(object), km[rows], words=words)
        findings.report(rule, ids=cables["cable_id"].iloc[rows], **values)


def _kinds(kinds: Objects, km: Floats, *, words: Objects) -> dict[str, Any]:
    """Types with their lengths and how they were read, the longest first."""
    table = pd.DataFrame(
        {"km": km, "said": [f"{str(k)!r}{w and f' as {w}'}" for k, w in zip(kinds, words, strict=True)]}
    )
    by_kind = table.groupby("said")["km"].agg(["sum", "size"]).sort_values("sum", ascending=False, kind="stable")
    named = "; ".join(f"{said} {part:.2f} km" for said, part in by_kind["sum"][:NAMED].items())
    read = [(str(k), int(n)) for k, n in by_kind["size"].items()] if words.any() else []
    return {"types": len(by_kind), "named": named, "texts": read}
