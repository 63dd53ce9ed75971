"""The worst state of every site: which device is closed, which opened, the worst point, its cable, peak and load."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from survey.arrays import Bools, Floats, Ints, put, taken
from survey.assess.action import section_hold_kw
from survey.assess.circuits import recorded_arresters, section_totals, values_of
from survey.assess.odd_records import OddRecords, judge, left_out, most_voted, voltage_votes
from survey.assess.risk import site_consequence
from survey.assess.score import lowered_by_gang, lowered_by_load
from survey.assess.ties.chains import LoopChains, LoopRisks, loop_chains, loop_risks
from survey.assess.ties.points import PointRows, tie_points
from survey.assess.ties.sweep import NONE, NORMAL, SAME, Above, Scores, Zones, points_above, worst_in_zones
from survey.network.ties.states import Met, Pairs, along_loops, pair_devices, sections_below, sites_met, stand
from survey.network.walk.walks import three_pole_edges
from survey.physics.families import FAMILIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from survey.assess.behaviour import Figures
    from survey.assess.capacitance import CableCapacitance
    from survey.assess.circuits import Circuits, SectionValues
    from survey.assess.odd_records import Study
    from survey.assess.windings import Windings
    from survey.network.model import Network
    from survey.network.ties.loops import Loops
    from survey.settings import Settings

SAME_DIGITS = 6
"""Scores that differ in no digit up to this one are alike."""
DEVICES_AT_ONCE, PAIRS_AT_ONCE = 200_000, 200_000


@dataclass(frozen=True)
class Totals:
    """Sections and what the study says of them; ``score`` by family and section, ``NONE`` without a circuit.

    ``rating_va`` without records out of line, as it counts for ``worst_kva``.
    """

    values: SectionValues
    rating_va: Floats
    circuits: Circuits
    figures: Figures
    row: Ints
    score: Floats
    hold_kw: Floats

    @classmethod
    def of(
        cls, values: SectionValues, *, rating_va: Floats, circuits: Circuits, figures: Figures, settings: Settings
    ) -> Totals:
        """Put together what was worked out of some sections."""
        row = np.full((len(FAMILIES), len(values.rating_va)), -1, np.int64)
        row[circuits.family, circuits.section] = np.arange(len(circuits.section))
        lowered = lowered_by_load(figures.hazard, figures.loaded, settings=settings.score)
        hold = section_hold_kw(values, circuits, needed_pu=figures.load_needed_pu, load_rule=settings.limits.load_rule)
        return cls(values, rating_va, circuits, figures, row, np.append(lowered, NONE)[row], hold)


@dataclass(frozen=True)
class TieVerdicts:
    """The worst state of every site; shape (n_sites,), -1 and NaN where no state reroutes it.

    ``tie`` the switch that is closed (-1 in a ring, too), ``opened`` the one that is opened, ``worst`` the worst
    single-pole point in that state (rows of the switches); ``score``, ``hazard`` (NaN outside the model), ``cable_m``
    exposed, ``peak_pu`` and ``hold_kw`` there.
    """

    tie: Ints
    opened: Ints
    worst: Ints
    score: Floats
    hazard: Floats
    cable_m: Floats
    peak_pu: Floats
    hold_kw: Floats

    @classmethod
    def nothing(cls, n: int) -> TieVerdicts:
        """No state at all."""
        rows, values = np.full((3, n), -1, np.int64), np.full((5, n), np.nan)
        return cls(*rows, *values)

    def or_worse(self, other: TieVerdicts) -> TieVerdicts:
        """The worse of both for every site; of two alike that with more cable."""
        more = (other.score >= self.score - SAME) & (other.cable_m > self.cable_m)
        better = np.flatnonzero(other.judged & ~((other.score <= self.score + SAME) & ~more))
        return put(self, better, taken(other, better))

    @property
    def judged(self) -> Bools:
        """Sites that some state reroutes."""
        return np.isfinite(self.score)


class Frame(NamedTuple):
    """What every batch of loops needs beside the loops themselves.

    ``odd`` sites whose record is out of line; ``dead`` sites that the normal state does not feed; ``listed`` devices
    that expose sites in the normal state, and one more; ``circuits_of`` and ``study_of`` as in the normal state.
    """

    network: Network
    windings: Windings
    cables: CableCapacitance
    normal: Totals
    odd: Bools
    dead: Bools
    listed: Bools
    circuits_of: Callable[[SectionValues], Circuits]
    study_of: Callable[[SectionValues], Study]
    settings: Settings


class States(NamedTuple):
    """Loops, the pairs of their devices and what the study says of them, and the sites they meet with their family."""

    loops: Loops
    pairs: Pairs
    here: Totals
    met: Met
    family: Ints


def judge_ties(frame: Frame) -> tuple[TieVerdicts, LoopRisks, list[PointRows]]:
    """The worst state of every site, its risk in all of them, and points that expose sites in states only."""
    n, n_switches = len(frame.network.site_node), len(frame.network.tables.switches)
    found, risks = TieVerdicts.nothing(n), LoopRisks(np.zeros(n), np.zeros(n), np.zeros(n_switches))
    score = frame.settings.score
    weight, points = site_consequence(frame.network, settings=score), []
    for states in _all_states(frame):
        found = found.or_worse(_judge(states, frame))
        chains = loop_chains(states, frame, whole=False)
        here = loop_risks(chains, consequence=weight, n_switches=n_switches, keep=1.0 - score.gang_trust)
        risks = risks.plus(here)
        points.append(tie_points(states, frame))
    return found, risks, points


def all_chains(frame: Frame, *, noted: Bools | None = None) -> LoopChains:
    """Ways of all sites along their loops, see :func:`survey.assess.ties.chains.loop_chains`."""
    return LoopChains.joined(
        [loop_chains(states, frame, whole=True, noted=noted) for states in _all_states(frame, noted=noted)]
    )


def _all_states(frame: Frame, *, noted: Bools | None = None) -> Iterator[States]:
    """Loops with what the study says of their states, so many at a time that devices, and pairs of them, find room."""
    loops = frame.network.loops
    if loops is None:
        return
    for which in _split(np.diff(loops.start), room=DEVICES_AT_ONCE):
        some = loops.taken(which)
        along = _along(some, frame)
        count = np.diff(_pairs(some, along["firm_va"], frame).start[some.start])
        for few in _split(count, room=PAIRS_AT_ONCE):
            first, last = some.start[few[0]], some.start[few[-1] + 1]
            here = {name: total[..., first:last] for name, total in along.items()}
            yield _states(some.taken(few), here, frame, noted=noted)


def _split(count: Ints, *, room: int) -> list[Ints]:
    """Rows in parts with no more than about so much in each."""
    batch = np.cumsum(count) // room
    return np.split(np.arange(len(count)), np.flatnonzero(np.diff(batch)) + 1) if len(count) else []


def _along(loops: Loops, frame: Frame) -> dict[str, Floats]:
    """Running sums along the loops of all that adds up: totals, votes for voltages, and totals of records in line.

    ``nodes`` by view, so that a pair with nothing between exposes nothing; ``odd`` sites out of line.
    """
    below = replace(frame.network, sections=sections_below(loops, frame.network.sections))
    totals = section_totals(below, frame.windings, frame.cables)
    totals["votes"] = voltage_votes(below, usable=frame.windings.usable)
    totals["nodes"] = (loops.bounds[:-1, 1] - loops.bounds[:-1, 0]).astype(np.float64)
    totals["firm_va"] = totals["rating_va"]
    if frame.odd.any():
        firm = section_totals(below, left_out(frame.windings, frame.odd), frame.cables)
        totals |= {f"firm {name}": value for name, value in firm.items()}
        totals["firm_va"] = firm["rating_va"]
        totals["odd"] = below.sections.site_totals(frame.network.site_node, frame.odd[None].astype(float))[0]
    return {name: along_loops(loops, value) for name, value in totals.items()}


def _pairs(loops: Loops, rating_va: Floats, frame: Frame) -> Pairs:
    settings = frame.settings
    return pair_devices(
        loops,
        single=frame.network.tables.switches["single_pole"].to_numpy(bool),
        rating_va=rating_va,
        most_va=settings.limits.worst_kva * 1e3,
        most_states=settings.network.most_states,
    )


def _states(loops: Loops, along: dict[str, Floats], frame: Frame, *, noted: Bools | None) -> States:
    network = frame.network
    gang = three_pole_edges(network.tables, network.graph)
    if noted is not None:
        gang &= ~np.append(noted, False)[network.graph.switch]
    pairs = _pairs(loops, along["firm_va"], frame)
    met = sites_met(
        loops,
        site_node=network.site_node,
        upstream=network.upstream,
        sections=network.sections,
        gang=gang,
    )
    family = np.where(frame.windings.usable, frame.windings.family, -1)[met.site]
    known = np.flatnonzero(family >= 0)
    here = _evaluate(loops, pairs, along, frame)
    return States(loops, pairs, here, met.taken(known), family[known])


def _judge(states: States, frame: Frame) -> TieVerdicts:
    """Worst state that these loops have for the sites they meet."""
    met, family = states.met, states.family
    zones = _sweep(states, frame)
    slot = family, met.zone, 2 * met.gang + (met.points > 0)
    score, found, opened = (column[slot] for column in zones)
    own_score, own = _own_points(met, family, frame)
    # what stays as in the normal state is no state; the nearer of two alike is the one that is named, as there
    own_is_worst = ((score >= 0) | frame.dead[met.site]) & (own_score >= np.maximum(score - SAME, 0.0))
    found, opened = np.where(own_is_worst, NORMAL - own, found), np.where(opened < 0, _supplies(states), opened)
    score = np.where(own_is_worst, own_score, score)
    order = np.lexsort((-_cable_m(states, found, frame=frame), -np.round(score, SAME_DIGITS), met.site))
    order = order[score[order] >= 0]
    order = order[np.append(True, np.diff(met.site[order]) != 0)[: len(order)]]
    facts = _facts(
        states, found=found[order], opened=opened[order], family=family[order], score=score[order], frame=frame
    )
    return put(TieVerdicts.nothing(len(frame.network.site_node)), met.site[order], facts)


def _supplies(states: States) -> Ints:
    """The device at the end of the loop of every site met that stands for the supply of a dead stretch."""
    loops, loop = states.loops, states.loops.loop[states.met.zone]
    first, last = loops.start[loop], loops.start[loop + 1] - 1
    return np.where(loops.can_open[first], first, last)


def _evaluate(loops: Loops, pairs: Pairs, along: dict[str, Floats], frame: Frame) -> Totals:
    """Totals, circuits and figures of what hangs between the two devices of every pair."""
    between = {name: pairs.differences(value) for name, value in along.items()}
    volts = most_voted(between.pop("votes"))
    arrester = recorded_arresters(frame.network)[loops.device[pairs.worked]]
    firm = {name[5:]: between.pop(name) for name in [*between] if name.startswith("firm ")}
    values = values_of(between, arrester=arrester, voltage_v=volts)
    without, touched = None, between.get("odd", np.zeros(len(volts))) > 0.5
    if firm:
        without = frame.circuits_of(values_of(firm, arrester=arrester, voltage_v=volts))
    odd = OddRecords(frame.odd, np.where(touched, 0, -1), np.zeros(len(volts)))
    judged = judge(frame.circuits_of(values), without, odd=odd, study=frame.study_of(values))
    return Totals.of(
        values, rating_va=between["firm_va"], circuits=judged.circuits, figures=judged.figures, settings=frame.settings
    )


def _sweep(states: States, frame: Frame) -> Zones:
    loops, pairs, here = states.loops, states.pairs, states.here
    walks, normal, most_va = frame.network.walks, frame.normal, frame.settings.limits.worst_kva * 1e3
    counts = normal.rating_va <= most_va
    given = loops.above, loops.above_gang, walks.upstream, walks.gang_above, normal.score, counts
    return worst_in_zones(
        loops.start,
        stand(loops, frame.network),
        Scores(pairs.start, pairs.opened, here.score, here.rating_va <= most_va),
        Above(*points_above(*given), loops.above_gang),
        1.0 - frame.settings.score.gang_trust,
    )


def _own_points(met: Met, family: Ints, frame: Frame) -> tuple[Floats, Ints]:
    """Worst of the points between each site and its loop, whose sections no state changes, and its section (-1)."""
    walks, normal, settings = frame.network.walks, frame.normal, frame.settings
    worst, at = np.full(len(family), NONE), np.full(len(family), -1, np.int64)
    row = np.flatnonzero(met.points > 0)
    section, gang, level = walks.section[met.site[row]], walks.gang[met.site[row]] >= 0, 1
    while len(row):
        score = normal.score[family[row], section]
        score = np.where(score >= 0, lowered_by_gang(score, gang, settings=settings.score), score)
        better = score > worst[row] + SAME
        worst[row[better]], at[row[better]] = score[better], section[better]
        gang = gang | walks.gang_above[section]
        section = walks.upstream[section]
        on = (met.points[row] > level) & (section >= 0)
        on[on] = normal.rating_va[section[on]] <= settings.limits.worst_kva * 1e3
        row, section, gang, level = row[on], section[on], gang[on], level + 1
    return worst, at


def _cable_m(states: States, found: Ints, *, frame: Frame) -> Floats:
    """Exposed cable of the points found."""
    before, new = (np.append(totals.values.cable_m, np.nan) for totals in (frame.normal, states.here))
    return np.where(found <= NORMAL, before[np.maximum(NORMAL - found, -1)], new[np.maximum(found, -1)])


def _facts(states: States, *, found: Ints, opened: Ints, family: Ints, score: Floats, frame: Frame) -> TieVerdicts:
    """What is told of the worst points; those of the normal state stand at ``NORMAL - section``."""
    normal, sections, loops, here = frame.normal, frame.network.sections, states.loops, states.here
    old = found <= NORMAL
    pair, section = np.where(old, -1, found), np.where(old, NORMAL - found, -1)

    def both(new: Floats, before: Floats) -> Floats:
        return np.where(old, np.append(before, np.nan)[section], np.append(new, np.nan)[pair])

    def of_circuit(totals: Totals, value: Floats, at: Ints) -> Floats:
        row = np.where(at >= 0, np.pad(totals.row, ((0, 0), (0, 1)), constant_values=-1)[family, at], -1)
        return np.append(value, np.nan)[row]

    def of_both(value: Callable[[Figures], Floats]) -> Floats:
        columns = (of_circuit(t, value(t.figures), at) for t, at in ((normal, section), (here, pair)))
        return np.where(old, *columns)

    tie, device = loops.tie[loops.loop[opened]], loops.device[opened]
    return TieVerdicts(
        tie=tie,
        opened=device,
        worst=np.where(
            old, np.append(sections.device, -1)[section], np.append(loops.device[states.pairs.worked], -1)[pair]
        ),
        score=score,
        hazard=of_both(lambda f: np.where(f.outside, np.nan, np.fmax(f.hazard, f.loaded))),
        cable_m=_cable_m(states, found, frame=frame),
        peak_pu=of_both(lambda f: f.peak_pu),
        hold_kw=both(here.hold_kw, normal.hold_kw),
    )
