"""Records out of line with the section they stand on: one wrong record must not clear its neighbours.

The voltage of a section is that of most of its cables and sites; where they are even the one that more of the export
has, then the higher. Every section with a record out of line is judged by the worse of the readings with and without
it, and of every site the greatest hazard is known that it would have without any one other record
(:func:`without_one`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, Objects, put, taken
from survey.assess.behaviour import Figures
from survey.assess.choice import Choice
from survey.assess.circuits import Circuits, screened
from survey.assess.score import BANDS, band_of
from survey.assess.sensitivity import Interval
from survey.assess.windings import Windings
from survey.findings import FindingList
from survey.network.model import Network
from survey.physics.catalogue import Catalogue
from survey.settings import Settings

Study = Callable[[Circuits], Figures]

SAME_VOLTAGE = 1.2
"""Ratio up to which two recorded voltages mean the same system: 12.47 and 13.8 kV do (judgement, no source)."""
OUT_OF_LINE = 5.0
"""Times the usual from which a rating, a loss or an exciting current is out of line (judgement, no source)."""
DWARFS = 10.0
"""Times the rating of all others on its section from which a rating is out of line (judgement, no source)."""
LEAST_PU = 1e-9
FEWEST = 5
"""Records below which the usual ratio of loss or exciting current to the default table is 1 (judgement)."""


def section_voltages(network: Network, *, usable: Bools) -> Floats:
    """Voltage of every exposed section, V, NaN where nothing tells; shape (n_sections,)."""
    return most_voted(voltage_votes(network, usable=usable))


def voltage_votes(network: Network, *, usable: Bools) -> Floats:
    """Votes for every nominal voltage on every section, shape (n_levels, 4, n_sections).

    Every cable and every site with a voltage has one vote; voltages within 20 % of one another vote together. Number
    of sites, sum of their voltages, number of cables (in parts), sum of theirs.
    """
    pieces, sections = network.pieces, network.sections
    per_cable = np.bincount(pieces.cable, minlength=len(network.tables.cables))[pieces.cable]
    cable_v = network.tables.cables["voltage_v"].to_numpy(np.float64)[pieces.cable]
    site_v = np.where(usable, network.tables.transformers["voltage_v"].to_numpy(np.float64), np.nan)
    levels = _levels(np.concatenate([cable_v, site_v]), site_v)
    weights = np.zeros((len(levels), 2, len(site_v)))
    for weight, (low, high) in zip(weights, levels, strict=True):
        weight[0] = (site_v >= low) & (site_v <= high)
        weight[1] = weight[0] * np.nan_to_num(site_v)
    votes = np.zeros((len(levels), 4, len(sections.device)))
    totals = sections.site_totals(network.site_node, weights.reshape(2 * len(levels), len(site_v)))
    votes[:, :2] = totals.reshape(len(levels), 2, len(sections.device))
    for vote, (low, high) in zip(votes, levels, strict=True):
        of_cables = ((cable_v >= low) & (cable_v <= high)) / per_cable
        vote[2:] = sections.total(np.array([of_cables, of_cables * np.nan_to_num(cable_v)]))
    return votes


def most_voted(votes: Floats) -> Floats:
    """The voltage that most vote for, the higher one where they are even, NaN without a vote; shape (n_sections,)."""
    best, most = np.full(votes.shape[-1], np.nan), np.zeros(votes.shape[-1])
    for sites, sites_v, cables, cables_v in votes:
        mean = np.where(sites > 0, sites_v / np.fmax(sites, 1e-12), cables_v / np.fmax(cables, 1e-12))
        wins = (sites + cables > 0) & (sites + cables >= most - 1e-9)  # of even ones the later
        best[wins], most[wins] = mean[wins], (sites + cables)[wins]
    return best


def _levels(volts: Floats, site_v: Floats) -> list[tuple[float, float]]:
    """Ends of groups of voltages that are one nominal voltage, those that most sites have last, then the higher."""
    known, levels = np.unique(volts[np.isfinite(volts) & (volts > 0)]), []
    while len(known):
        group = known[known <= known[0] * SAME_VOLTAGE]
        levels.append((float(group[0]), float(group[-1])))
        known = known[len(group) :]
    return sorted(levels, key=lambda level: (((site_v >= level[0]) & (site_v <= level[1])).sum(), level))


@dataclass(frozen=True)
class OddRecords:
    """Sites whose record is out of line; of each section the lowest of them (-1), and its largest rating, VA."""

    odd: Bools
    first: Ints
    largest_va: Floats


def find_odd(
    network: Network, windings: Windings, *, voltage_v: Floats, catalogue: Catalogue, findings: FindingList
) -> OddRecords:
    """Find records out of line with their sections or with the others of the export.

    ``voltage_v``: of every section. ``findings``: gets ``kv_out_of_line``, ``kva_out_of_line``, ``nll_w_out_of_line``
    and ``exc_pct_out_of_line``.
    """
    table = network.tables.transformers
    sections = np.flatnonzero(network.sections.exposes)
    owner, member = network.sections.members(sections, network.site_node)
    section = sections[owner]
    own_v, rating = table["voltage_v"].to_numpy(np.float64), windings.rating_va
    found = {"kv": np.zeros(len(table), bool), "kva": np.zeros(len(table), bool)}
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.abs(np.log(own_v[member] / voltage_v[section])) > np.log(SAME_VOLTAGE)
    found["kv"][member[apart & windings.usable[member]]] = True
    found["kva"][_far_above_the_others(section, member, rating)] = True
    known = windings.usable & (rating > 0)
    volts = np.where(known, own_v, 1.0)
    loss, exciting = table["no_load_loss_w"].to_numpy(np.float64), table["exciting_pu"].to_numpy(np.float64)
    usual_loss, usual_exciting = np.full(len(table), np.nan), np.full(len(table), np.nan)
    usual_loss[known] = catalogue.default_no_load_loss_w(rating[known], volts[known])
    share = np.where(known, usual_loss / np.fmax(rating, 1e-12), 0.0)
    usual_exciting[known] = catalogue.default_exciting_pu(rating[known], volts[known], core_loss_pu=share[known])
    found["nll_w"] = known & _unusual(loss / usual_loss)
    found["exc_pct"] = known & _unusual(exciting / usual_exciting)
    for field, odd in found.items():
        if odd.any():
            ids = table["site_id"].to_numpy(object)[odd]
            findings.report("{field}_out_of_line", field=field, first=ids[0], ids=ids)
    odd = np.logical_or.reduce(list(found.values()))
    first = np.full(len(network.sections.device), -1, np.int64)
    mine = odd[member]
    first[section[mine][::-1]] = member[mine][::-1]
    largest = np.zeros(len(first))
    np.maximum.at(largest, section, rating[member])
    return OddRecords(odd, first, largest)


def _far_above_the_others(section: Ints, member: Ints, rating: Floats) -> Ints:
    """Sites rated far above all others of a section together (of two sites: above the other)."""
    total = np.bincount(section, weights=rating[member], minlength=int(section.max(initial=0)) + 1)[section]
    return np.unique(member[(rating[member] > DWARFS * (total - rating[member])) & (total > rating[member])])


def _unusual(ratio: Floats) -> Bools:
    """Ratios to the default table far from the usual of the export."""
    known = ratio[np.isfinite(ratio) & (ratio > 0)]
    usual = float(np.median(known)) if len(known) >= FEWEST else 1.0
    return np.isfinite(ratio) & (np.abs(np.log(np.fmax(ratio, 1e-300) / usual)) > np.log(OUT_OF_LINE))


def left_out(windings: Windings, odd: Bools) -> Windings:
    """The windings as if these records were not there; their capacitance stays."""
    names = ("rating_va", "loss_w", "magnetizing_va", "min_load_w")
    return replace(windings, **{name: np.where(odd, 0.0, getattr(windings, name)) for name in names})


def without_one(
    network: Network, windings: Windings, *, choice: Choice, circuits: Circuits, study: Study, settings: Settings
) -> tuple[Floats, Ints]:
    """Greatest hazard of each site's worst point without any one other record of its kind, and which.

    Of every circuit the two records with most rating, most loss and most magnetizing power are tried. ``study``:
    figures of circuits. Returns hazard (NaN without another record) and site row (-1), each of shape (n_sites,).
    """
    rows = np.unique(choice.worst[choice.worst >= 0])
    owner, member = network.sections.members(circuits.section[rows], network.site_node)
    mine = (windings.family[member] == circuits.family[rows][owner]) & (windings.rating_va[member] > 0)
    owner, member = owner[mine], member[mine]
    powers = (windings.rating_va, windings.loss_w, windings.magnetizing_va)
    n = max(len(windings.family), 1)
    at, site = np.divmod(np.unique(np.concatenate([_two_largest(owner, member, power, n) for power in powers])), n)
    row = rows[at]
    left = circuits.base_va[row] - windings.rating_va[site]
    alone = left > 1e-6 * circuits.base_va[row]
    row, site, left = row[alone], site[alone], left[alone]
    hazard, by = np.full(len(choice.worst), np.nan), np.full(len(choice.worst), -1, np.int64)
    if not len(row):
        return hazard, by
    figures = study(
        _without(
            taken(circuits, row),
            left,
            loss_w=windings.loss_w[site],
            magnetizing_va=windings.magnetizing_va[site],
            settings=settings,
        )
    )
    value = np.fmax(figures.hazard, figures.loaded)
    order = np.lexsort((site, -value, row))
    row, site, value = row[order], site[order], value[order]
    start = np.searchsorted(row, choice.worst)
    for k in (1, 0):  # the greatest of another record: the first of the row, or the second where the first is its own
        at = np.minimum(start + k, len(row) - 1)
        good = (choice.worst >= 0) & (start + k < len(row)) & (row[at] == choice.worst)
        good &= site[at] != np.arange(len(hazard))
        hazard[good], by[good] = value[at[good]], site[at[good]]
    return hazard, by


def _two_largest(owner: Ints, member: Ints, power: Floats, n: int) -> Ints:
    """Owner times ``n`` plus member, of those with the largest two powers of every owner."""
    order = np.lexsort((member, -power[member], owner))
    owner, member = owner[order], member[order]
    second_before = np.append(np.full(min(2, len(owner)), -1), owner[:-2])[: len(owner)]
    few = second_before != owner
    return owner[few] * n + member[few]


def _without(
    circuits: Circuits, left_va: Floats, *, loss_w: Floats, magnetizing_va: Floats, settings: Settings
) -> Circuits:
    """Circuits on a smaller rating, less the loss and magnetizing power of what was taken off."""
    scale = circuits.base_va / left_va
    moved = replace(
        circuits,
        b=circuits.b * scale,
        p=np.fmax((circuits.p * circuits.base_va - loss_w) / left_va, LEAST_PU),
        im=np.fmax((circuits.im * circuits.base_va - magnetizing_va) / left_va, LEAST_PU),
        load=circuits.load * scale,
        held=circuits.held * scale,
        one_phase=circuits.one_phase * scale,
        base_va=left_va,
    )
    return screened(moved, settings=settings)


@dataclass(frozen=True)
class Judged:
    """Circuits by the worse reading, their figures, and the least hazard of both readings, shape (n_circuits,)."""

    circuits: Circuits
    figures: Figures
    least: Floats


def judge(circuits: Circuits, without: Circuits | None, *, odd: OddRecords, study: Study) -> Judged:
    """Study every circuit, and where a record is out of line the reading without it as well.

    ``without``: circuits of all sections without the records out of line; ``None`` where there are no such records.
    """
    figures = study(circuits)
    hazard = np.fmax(figures.hazard, figures.loaded)
    if without is None:
        return Judged(circuits, figures, hazard)
    other = without.index(circuits.section, circuits.family, n_sections=len(odd.first))
    rows = np.flatnonzero((odd.first[circuits.section] >= 0) & (other >= 0))
    changed = taken(without, other[rows])
    changed_figures = study(changed)
    hazard_without = np.fmax(changed_figures.hazard, changed_figures.loaded)
    worse = np.flatnonzero(hazard_without > hazard[rows])
    least = hazard.copy()
    least[rows] = np.fmin(hazard[rows], hazard_without)
    at = rows[worse]
    return Judged(put(circuits, at, taken(changed, worse)), put(figures, at, taken(changed_figures, worse)), least)


def record_notes(
    network: Network, *, choice: Choice, odd: OddRecords, hazard: Floats, by: Ints, stopped: Bools
) -> Objects:
    """What of each site rests on the record of another, in words, ``""`` where nothing does; shape (n_sites,).

    ``hazard``, ``by``: see :func:`without_one`. ``stopped``: points above are left out because of one record, see
    :func:`survey.assess.choice.stopped_by_one`.
    """
    ids = network.tables.transformers["site_id"].to_numpy(object)
    first = np.append(odd.first, -1)
    notes = np.full(len(ids), "", object)
    band, band_without = band_of(np.nan_to_num(choice.hazard)), band_of(np.nan_to_num(hazard))
    beside = first[choice.worst_section]
    other = (beside >= 0) & (beside != np.arange(len(ids)))
    for site in np.flatnonzero(other | (band_without > band) | stopped):
        words = []
        if other[site]:
            words.append(f"the record of {ids[beside[site]]} on its section is out of line: the worse reading counts")
        if band_without[site] > band[site]:
            words.append(f"rests on the record of {ids[by[site]]}: without it {BANDS[band_without[site]]}")
        if stopped[site]:
            words.append("points further up are left out because of the rating of one record there")
        notes[site] = "; ".join(words)
    return notes


def widened(interval: Interval, *, choice: Choice, odd: OddRecords, least: Floats, most: Floats) -> Interval:
    """The interval, wider where a record on the section is out of line: with what is said with and without records.

    ``least``: least hazard of every circuit, see :class:`Judged`. ``most``: greatest hazard of every site without
    another record, NaN where there is none.
    """
    low = np.append(least, np.nan)[choice.worst]
    touched = (np.append(odd.first, -1)[choice.worst_section] >= 0) & np.isfinite(interval.hazard_high)
    most = np.where(touched, most, np.nan)
    return replace(
        interval,
        score_low=np.fmin(interval.score_low, low),
        hazard_low=np.fmin(interval.hazard_low, low),
        score_high=np.fmax(interval.score_high, most),
        hazard_high=np.fmax(interval.hazard_high, most),
    )
