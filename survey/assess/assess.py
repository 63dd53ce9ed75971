"""The assess stage: sections and physics in, ranked result out."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Objects
from survey.aside import laid_aside
from survey.assess.behaviour import Figures, screen_figures, study_figures
from survey.assess.capacitance import CableCapacitance, cable_capacitance
from survey.assess.choice import Choice, choose_sections, stopped_by_one
from survey.assess.circuits import (
    Circuits,
    SectionValues,
    allowed_length_m,
    make_circuits,
    report_between,
    report_overhead,
    section_values,
)
from survey.assess.odd_records import (
    Judged,
    OddRecords,
    Study,
    find_odd,
    judge,
    left_out,
    record_notes,
    section_voltages,
    widened,
    without_one,
)
from survey.assess.risk import PointRisks, point_risks
from survey.assess.sensitivity import Interval, box_of, doubts, score_interval
from survey.assess.ties.chains import LoopRisks
from survey.assess.ties.points import PointRows
from survey.assess.ties.verdict import Frame, TieVerdicts, Totals, judge_ties
from survey.assess.windings import Windings, describe_windings
from survey.findings import FindingList
from survey.memory import give_back
from survey.network.model import Network
from survey.physics.catalogue import Catalogue
from survey.settings import Settings

NANO_PER_KM = 1e-12
"""nF/km in F/m."""


@dataclass(frozen=True)
class Assessment:
    """Everything known about the sites before it is put into tables.

    ``ties`` the worst state of each, ``loops`` what states of loops add to the risk, ``tie_points`` devices that expose
    sites in states only, as points; ``frame`` what they rest on.

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
    tie_points: list[PointRows]
    counted_va: Floats
    frame: Frame


@dataclass(frozen=True)
class Method:
    """How sections become circuits, and circuits figures, under the settings."""

    settings: Settings
    progress: Callable[[int, int], None] | None = None

    def circuits(self, values: SectionValues) -> Circuits:
        """Circuits of sections."""
        return make_circuits(values, settings=self.settings)

    def study(self, totals: SectionValues) -> Study:
        """What tells the figures of circuits of these sections, no calmer than at less of their capacitance."""

        def figures_of(some: Circuits) -> Figures:
            if not self.settings.study.run:
                return screen_figures(some)
            low = box_of(some, doubts(totals, some), settings=self.settings.uncertainty).b[0]
            less = np.sqrt(low * some.b), low
            return study_figures(some, settings=self.settings, less=less, progress=self.progress)

        return figures_of


def assess_network(
    network: Network, *, settings: Settings, findings: FindingList, progress: Callable[[int, int], None] | None = None
) -> Assessment:
    """Work out the electrical values, the hazard and the worst point of every site.

    ``settings``: with ``study.run`` off the score comes from the screening margin alone, and the study's figures stay
    absent. ``progress``: called with points done and points to do while the study computes.
    """
    method = Method(settings, progress)
    windings, cables = _described(network, settings=settings, findings=findings)
    give_back()
    totals = _totals(network, windings, cables, findings=findings)
    give_back()
    judged = totals.judged(method)
    circuits, figures, values = judged.circuits, judged.figures, totals.values
    if "frequency_hz" not in settings.electrical.model_fields_set:
        findings.report("default_frequency", ids=(), hertz=settings.electrical.frequency_hz)
    report_overhead(network, values, cables, settings=settings, findings=findings)
    report_between(network, findings)
    _report_outside(network, circuits, figures, findings)
    choice = choose_sections(
        network.walks, windings, values=totals.firm, circuits=circuits, figures=figures, settings=settings
    )
    risks = point_risks(network, windings, values=totals.firm, circuits=circuits, figures=figures, settings=settings)
    interval, notes = _in_doubt(network, windings, choice=choice, totals=totals, judged=judged, method=method)
    normal = totals.told(judged, settings=settings)
    odd, none = totals.odd.odd, np.zeros(len(network.site_node), bool)
    listed = _listed(network, values)
    frame = Frame(network, windings, cables, normal, odd, none, listed, method.circuits, method.study, settings)
    give_back()
    ties, loops, tie_points = judge_ties(frame)
    if network.revived:
        dead, _, more = judge_ties(_revived(frame, network.revived, method))
        ties, tie_points = ties.or_worse(dead), tie_points + more
    return Assessment(
        windings,
        values,
        circuits,
        figures,
        choice,
        risks,
        allowed_length_m(values, circuits, settings=settings),
        interval,
        notes,
        ties,
        loops,
        PointRows.worst(tie_points),
        totals.firm.rating_va,
        frame,
    )


def _listed(network: Network, values: SectionValues) -> Bools:
    """Devices that expose sites in the normal state; one more, which supplies dead stretches, has none."""
    listed, sections = np.zeros(len(network.tables.switches) + 1, bool), network.sections
    listed[sections.device[(values.sites > 0) & sections.exposes]] = True
    return listed


def _revived(frame: Frame, network: Network, method: Method) -> Frame:
    """The same for the network whose dead stretches are supplied; what is odd about its records is told already."""
    totals = _totals(network, frame.windings, frame.cables, findings=FindingList())
    normal = totals.told(totals.judged(method), settings=method.settings)
    dead = ~frame.network.walks.sourced
    return frame._replace(network=network, normal=normal, odd=totals.odd.odd, dead=dead)


def _described(network: Network, *, settings: Settings, findings: FindingList) -> tuple[Windings, CableCapacitance]:
    """Transformers and cables as the study sees them."""
    catalogue, exciting = Catalogue.load(), settings.electrical.exciting_pct
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
    return windings, cables


@dataclass(frozen=True)
class _Totals:
    """Totals of the sections, all records in and without those out of line, and which these are."""

    values: SectionValues
    firm: SectionValues
    odd: OddRecords

    def judged(self, method: Method) -> Judged:
        """Circuits and figures by the worse of the readings."""
        without = method.circuits(self.firm) if self.odd.odd.any() else None
        return judge(method.circuits(self.values), without, odd=self.odd, study=method.study(self.values))

    def told(self, judged: Judged, *, settings: Settings) -> Totals:
        """The totals with what the study says of them."""
        rating_va, circuits, figures = self.firm.rating_va, judged.circuits, judged.figures
        return Totals.of(self.values, rating_va=rating_va, circuits=circuits, figures=figures, settings=settings)


def _totals(network: Network, windings: Windings, cables: CableCapacitance, *, findings: FindingList) -> _Totals:
    voltage_v = section_voltages(network, usable=windings.usable)
    values = laid_aside(section_values(network, windings, cables, voltage_v=voltage_v))
    give_back()
    odd = find_odd(network, windings, voltage_v=voltage_v, catalogue=Catalogue.load(), findings=findings)
    firm = values
    if odd.odd.any():
        firm = section_values(network, left_out(windings, odd.odd), cables, voltage_v=voltage_v)
    return _Totals(values, firm, odd)


def _in_doubt(
    network: Network, windings: Windings, *, choice: Choice, totals: _Totals, judged: Judged, method: Method
) -> tuple[Interval, Objects]:
    """Interval of every score, and what of each site rests on one record, in words."""
    settings, odd, circuits = method.settings, totals.odd, judged.circuits
    most, by = without_one(
        network,
        windings,
        choice=choice,
        circuits=circuits,
        study=method.study(totals.values),
        settings=settings,
    )
    stopped = stopped_by_one(network.walks, choice, values=totals.firm, largest_va=odd.largest_va, settings=settings)
    notes = record_notes(network, choice=choice, odd=odd, hazard=most, by=by, stopped=stopped)
    interval = score_interval(
        choice,
        windings,
        totals=totals.values,
        circuits=circuits,
        figures=judged.figures,
        settings=settings,
        progress=method.progress,
    )
    return widened(interval, choice=choice, odd=odd, least=judged.least, most=most), notes


def _report_outside(network: Network, circuits: Circuits, figures: Figures, findings: FindingList) -> None:
    """Sections whose circuit the study cannot answer for."""
    outside = np.flatnonzero(figures.outside)
    if len(outside):
        device = network.sections.device[np.unique(circuits.section[outside])]
        row = outside[0]
        ids = network.tables.switches["switch_id"].iloc[device]
        findings.report("outside_model", ids=ids, b=circuits.b[row], p=circuits.p[row], im=circuits.im[row])
