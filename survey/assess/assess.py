"""The assess stage: sections and physics in, ranked result out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.arrays import Objects
from survey.assess.behaviour import Figures, screen_figures, steadied, study_figures
from survey.assess.capacitance import cable_capacitance
from survey.assess.choice import Choice, choose_sections, stopped_by_one
from survey.assess.circuits import Circuits, SectionValues, allowed_length_m, make_circuits, section_values
from survey.assess.odd_records import (
    find_odd,
    judge,
    left_out,
    record_notes,
    section_voltages,
    widened,
    without_one,
)
from survey.assess.risk import PointRisks, point_risks
from survey.assess.section_checks import report_between, report_overhead
from survey.assess.sensitivity import Interval, box_of, doubts, score_interval
from survey.assess.ties.chains import LoopRisks
from survey.assess.ties.verdict import Frame, TieVerdicts, Totals, judge_ties
from survey.assess.windings import Windings, describe_windings
from survey.physics.catalogue import Catalogue
from survey.physics.families import FAMILY_TABLE
from survey.physics.screening import ScreeningLimits

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.assess.odd_records import Study
    from survey.findings import FindingList
    from survey.network.model import Network
    from survey.settings import LimitSettings, Settings

Floats = NDArray[np.float64]
NANO_PER_KM = 1e-12
"""nF/km in F/m."""


@dataclass(frozen=True)
class Assessment:
    """Everything known about the sites before it is put into tables.

    ``ties`` the worst state of each, ``loops`` what the states of loops add to the risk; ``frame`` what they rest on.

    ``risks`` per pair of site and point; ``counted_va`` rating of each section as it counts for ``worst_kva``;
    ``limit_length_m`` per circuit; ``interval`` of the score and of the hazard per site; ``record_notes`` what of a
    site rests on the record of another, in words.
    """

    windings: Windings
    totals: SectionValues
    circuits: Circuits
    figures: Figures
    choice: Choice
    risks: PointRisks
    limit_length_m: Floats
    interval: Interval
    record_notes: Objects
    ties: TieVerdicts
    loops: LoopRisks
    counted_va: Floats
    frame: Frame


def assess_network(
    network: Network,
    *,
    settings: Settings,
    findings: FindingList,
    progress: Callable[[int, int], None] | None = None,
) -> Assessment:
    """Work out the electrical values, the hazard and the worst point of every site.

    Parameters
    ----------
    settings
        With ``study.run`` off the score comes from the screening margin alone, and the study's figures stay absent.
    progress
        Called with points done and points to do while the study computes.
    """
    catalogue = Catalogue.load()
    exciting = settings.electrical.exciting_pct
    windings = describe_windings(
        network.tables.transformers,
        catalogue=catalogue,
        exciting_pu=None if exciting is None else exciting / 100,
        three_phase_load=settings.limits.minload_three_phase,
        findings=findings,
    )
    cables = cable_capacitance(
        network.tables,
        catalogue=catalogue,
        patterns=settings.input.cable_type_patterns,
        overhead_f_m=settings.electrical.overhead_nf_km * NANO_PER_KM,
        findings=findings,
    )
    voltage_v = section_voltages(network, usable=windings.usable)
    values = section_values(network, windings, cables, voltage_v=voltage_v)
    odd = find_odd(network, windings, voltage_v=voltage_v, catalogue=catalogue, findings=findings)
    limits = screening_limits(settings.limits)
    frequency = settings.electrical.frequency_hz

    def circuits_of(some: SectionValues) -> Circuits:
        share = settings.limits.one_phase_share
        return make_circuits(some, frequency_hz=frequency, limits=limits, one_phase_share=share)

    def study_of(totals: SectionValues) -> Study:
        def study(some: Circuits) -> Figures:
            if not settings.study.run:
                return screen_figures(some)
            low = box_of(some, doubts(totals, some), settings=settings.uncertainty).b[0]
            figures = study_figures(some, settings=settings, progress=progress)
            for b in (np.sqrt(low * some.b), low):
                figures = steadied(figures, study_figures(replace(some, b=b), settings=settings, progress=progress))
            return figures

        return study

    study = study_of(values)
    firm, without = values, None
    if odd.odd.any():
        firm = section_values(network, left_out(windings, odd.odd), cables, voltage_v=voltage_v)
        without = circuits_of(firm)
    judged = judge(circuits_of(values), without, odd=odd, study=study)
    circuits, figures = judged.circuits, judged.figures
    report_overhead(network, values, cables, settings=settings, findings=findings)
    report_between(network, findings)
    _report_outside(network, circuits, figures, findings)
    choice = choose_sections(
        network.walks, windings, values=firm, circuits=circuits, figures=figures, settings=settings
    )
    most, by = without_one(network, windings, choice=choice, circuits=circuits, study=study, limits=limits)
    stopped = stopped_by_one(network.walks, choice, values=firm, largest_va=odd.largest_va, settings=settings)
    notes = record_notes(network, choice=choice, odd=odd, hazard=most, by=by, stopped=stopped)
    risks = point_risks(network, windings, values=firm, circuits=circuits, figures=figures, settings=settings)
    class_f_m = np.nan_to_num(catalogue.class_capacitance_f_m(values.voltage_v))
    length = allowed_length_m(values, circuits, frequency_hz=frequency, limits=limits, class_f_m=class_f_m)
    interval = score_interval(
        choice, windings, totals=values, circuits=circuits, figures=figures, settings=settings, progress=progress
    )
    interval = widened(interval, choice=choice, odd=odd, least=judged.least, most=most)
    normal = Totals.of(values, rating_va=firm.rating_va, circuits=circuits, figures=figures, settings=settings)
    frame = Frame(
        network,
        windings,
        cables,
        normal,
        odd=odd.odd,
        circuits_of=circuits_of,
        study_of=study_of,
        settings=settings,
    )
    ties, loops = judge_ties(frame)
    return Assessment(
        windings,
        values,
        circuits,
        figures,
        choice,
        risks,
        length,
        interval,
        notes,
        ties,
        loops,
        firm.rating_va,
        frame,
    )


def _report_outside(network: Network, circuits: Circuits, figures: Figures, findings: FindingList) -> None:
    """Sections whose circuit the study cannot answer for."""
    outside = np.flatnonzero(figures.outside)
    if len(outside):
        device = network.sections.device[np.unique(circuits.section[outside])]
        row = outside[0]
        ids = network.tables.switches["switch_id"].iloc[device]
        findings.report("outside_model", ids=ids, b=circuits.b[row], p=circuits.p[row], im=circuits.im[row])


def screening_limits(limits: LimitSettings) -> ScreeningLimits:
    """The screening limits of the settings."""
    return {family.limit: getattr(limits, family.limit) for family in FAMILY_TABLE}
