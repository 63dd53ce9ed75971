"""What the exposed sections hold that the study takes by a default or leaves out, as findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from survey.assess.capacitance import CableCapacitance
    from survey.assess.circuits import SectionValues
    from survey.findings import FindingList
    from survey.network import Network
    from survey.settings import Settings


def report_overhead(
    network: Network,
    values: SectionValues,
    cables: CableCapacitance,
    *,
    settings: Settings,
    findings: FindingList,
) -> None:
    """Overhead line that counts with the default, and what part of the exposed capacitance it makes."""
    line = np.flatnonzero(cables.overhead)
    exposing = network.sections.exposes & (values.sites > 0)
    if len(line):
        pieces, table = network.pieces, network.tables.cables
        total_f = values.cap_f[exposing].sum()
        findings.report(
            "overhead_capacitance",
            ids=table["cable_id"].iloc[line],
            km=pieces.length_m[cables.overhead[pieces.cable]].sum() / 1e3,
            nf_km=settings.electrical.overhead_nf_km,
            share=values.overhead_f[exposing].sum() / total_f if total_f > 0 else 0.0,
        )


def report_between(network: Network, findings: FindingList) -> None:
    """Single-phase units between two phases on an exposed section: they can ring and are not modelled."""
    units = network.tables.one_phase
    between = np.flatnonzero(np.isin(units["phases"].to_numpy(np.int64), (3, 5, 6)))
    if len(between):
        exposing = np.flatnonzero(network.sections.exposes)
        _, member = network.sections.members(exposing, network.unit_node[between])
        found = between[np.unique(member)]
        if len(found):
            findings.report("between_two_phases", ids=units["site_id"].iloc[found])
