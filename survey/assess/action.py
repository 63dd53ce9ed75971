"""What to do at a site, in a sentence a crew and a planner both accept."""

from dataclasses import dataclass

import numpy as np

from survey.arrays import Bools, Floats, Ints, Objects
from survey.assess.circuits import Circuits, SectionValues

NO_ACTION = "No action from this survey"
CLEARS = f"{NO_ACTION}: at every single-pole switching point upstream the circuit is within the screening limit."
CALM = f"{NO_ACTION}: at every single-pole switching point upstream the simulated voltage stays under the limit."
THREE_POLE = "open and close all three phases together with a three-pole device"
BALANCED = "balanced on all three phases, when opening as well as when closing"
NO_LOAD = "; no load up to the rating of the transformers brings the voltage under the limit"
LONGER_CABLE = (
    "Longer cable may score lower in a window of lengths. The band falls only where the study shows less over the "
    "whole range that the capacitance may have."
)
FIXED = {
    "no_single_pole": f"{NO_ACTION}: no single-pole switching point between here and the source.",
    "looped": "Undecided in the normal state: it stands on a ring, which no single-pole point alone takes off supply; "
    "once the ring is opened somewhere, the next single-pole operation may expose it. Survey it with the ring opened.",
    "unreached": "Correct the record: no way to any supply was found, so nothing can be said of this site.",
    "not_assessable": "Correct the record: a needed value is missing or impossible, so nothing can be said of this "
    "site.",
}


@dataclass(frozen=True)
class ActionFacts:
    """What the sentences are made of; one row per site.

    ``status``, ``reason`` (why not susceptible), ``hazardous`` (the study passes the voltage limit or, where there is
    none, the screen does not clear), ``studied``, ``switch_id`` and ``device`` of the worst point, ``nearest_id``,
    ``hold_kw`` at the worst point (infinite: no load cures), ``limit_length_m``, ``cable_m`` there, and the
    ``load_rule``, share of rating.
    """

    status: Objects
    reason: Objects
    hazardous: Bools
    studied: Bools
    switch_id: Objects
    device: Objects
    nearest_id: Objects
    hold_kw: Floats
    limit_length_m: Floats
    cable_m: Floats
    load_rule: float


def action_sentences(facts: ActionFacts) -> Objects:
    """One sentence per site, shape (n_sites,)."""
    out = np.full(len(facts.status), "", object)
    for status, text in FIXED.items():
        out[facts.status == status] = text
    immune = np.flatnonzero(facts.status == "not_susceptible")
    out[immune] = [f"{NO_ACTION}: {reason}." for reason in facts.reason[immune]]
    assessed = facts.status == "assessed"
    calm = assessed & ~facts.hazardous
    out[calm] = np.where(facts.studied[calm], CALM, CLEARS)
    act = np.flatnonzero(assessed & facts.hazardous)
    points = [f"{d} {s}".strip() for d, s in zip(facts.device[act], facts.switch_id[act], strict=True)]
    parts = (points, _load(facts, act), _shorten(facts, act), _also(facts, act))
    out[act] = [
        f"At {point}: {THREE_POLE}{load}{shorten}{also}." for point, load, shorten, also in zip(*parts, strict=True)
    ]
    return out


def rule_alone(load_rule: float) -> str:
    """Words for a load to hold by the rule, a share of rating, without the study."""
    return f" ({load_rule * 100:g} % of rating; the study was left out)"


def _load(f: ActionFacts, rows: Ints) -> Objects:
    """The load to hold; without the study it is the rule alone, and says so."""
    loads, at = np.unique(f.hold_kw[rows], return_inverse=True)
    words = [
        [
            NO_LOAD if kw == np.inf else f"; or hold at least {kw:g} kW of load behind it{by}, {BALANCED}"
            for by in (rule_alone(f.load_rule), "")
        ]
        for kw in loads.tolist()
    ]
    return np.array(words, object).reshape(-1, 2)[at, f.studied[rows].astype(int)]


def _shorten(f: ActionFacts, rows: Ints) -> list[str]:
    """The screening length, where there is no study: what the screen clears can ring in the study all the same."""
    limit, cable = f.limit_length_m[rows], f.cable_m[rows]
    helps = ~f.studied[rows] & (limit >= 1.0) & (limit < cable)
    return [
        f"; or keep the cable behind it under {int(a)} m, by the screening limit" if h else ""
        for a, h in zip(limit.tolist(), helps.tolist(), strict=True)
    ]


def _also(f: ActionFacts, rows: Ints) -> list[str]:
    pairs = zip(f.nearest_id[rows], f.switch_id[rows], strict=True)
    return [f" (the site's nearest single-pole point is {a})" if a and a != b else "" for a, b in pairs]


def hold_kw(*, rating_va: Floats, needed_w: Floats, load_rule: float) -> Floats:
    """Load for a crew to hold on a section, balanced on its three phases, kW, rounded up; infinite: no load cures.

    The larger of the rule and of what the study needs, in whole kilowatts up to 100, in fives above: what is read out
    is never too little.

    ``rating_va``: three-phase rating of the whole section [VA], shape (n,). ``needed_w``: least load of the study [W];
    NaN where there is none, infinite where no load cures. ``load_rule``: share of rating of common practice [-].
    """
    wanted = np.fmax(load_rule * rating_va, needed_w) / 1e3
    step = np.where(wanted > 100.0, 5.0, 1.0)
    return np.where(np.isfinite(wanted), np.ceil(wanted / step - 1e-9) * step, wanted)


DEAD = "In the normal state no supply reaches this site; correct the record if it is in service."
CALM_AS_IT_IS = "No action in the normal state"
RING_CALM = f"{NO_ACTION}: with its ring opened at any one device the voltage stays under the limit at every point."


@dataclass(frozen=True)
class EitherEnd:
    """The worst state of every site, for its sentence: ids of the device closed (``""`` in a ring), opened, and worst.

    ``worse``: it is of a higher band than the normal state, or decides a site that this leaves undecided. ``rule``:
    what the load to hold is by, where that is the rule alone.
    """

    closed: Objects
    opened: Objects
    worst: Objects
    hazard: Floats
    worse: Bools
    hold_kw: Floats
    rule: str = ""


def either_end_sentences(actions: Objects, *, status: Objects, ends: EitherEnd) -> Objects:
    """The sentences with what the worst state asks for: instead of an undecided one, else after it."""
    out = actions.copy()
    ring, dead = status == "looped", status == "unreached"
    out[ring & (ends.hazard == 0)] = RING_CALM
    for i in np.flatnonzero(ends.worse & (ends.hazard > 0)).tolist():
        words = [f"{name} {word}" for name, word in ((ends.closed[i], "closed"), (ends.opened[i], "open")) if name]
        state = f"with {' and '.join(words)}"
        load = (
            NO_LOAD
            if ends.hold_kw[i] == np.inf
            else f"; or hold at least {ends.hold_kw[i]:g} kW of load{ends.rule}, {BALANCED}"
        )
        told = f"{state[0].upper()}{state[1:]}, at {ends.worst[i]}: {THREE_POLE}{load}."
        normal = DEAD if dead[i] else out[i].replace(NO_ACTION, CALM_AS_IT_IS, 1)
        out[i] = told if ring[i] else f"{normal} {told}"
    return out


def section_hold_kw(values: SectionValues, circuits: Circuits, *, needed_pu: Floats, load_rule: float) -> Floats:
    """Load to hold on every section, kW; infinite where no load cures one of its circuits.

    ``needed_pu``: least load of the study, per unit of each circuit's rating. ``load_rule``: share of rating of common
    practice [-].
    """
    needed_w = np.full(len(values.rating_va), np.nan)
    np.fmax.at(needed_w, circuits.section, needed_pu * circuits.base_va)
    return hold_kw(rating_va=values.rating_va, needed_w=needed_w, load_rule=load_rule)
