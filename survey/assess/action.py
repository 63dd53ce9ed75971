"""What to do at a site, in a sentence a crew and a planner both accept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Text = NDArray[np.object_]
Floats = NDArray[np.float64]

Ints = NDArray[np.int64]

NOTHING = "Nothing needed"
CLEARS = f"{NOTHING}: the screening limit clears every single-pole switching point upstream."
CALM = f"{NOTHING}: at every single-pole switching point upstream the simulated voltage stays under the limit."
THREE_POLE = "open and close all three phases together with a three-pole device"
OPERATING = "before and while its poles are operated one at a time, opening as well as closing"
NO_LOAD = "; not even full load on the secondary makes it safe to operate its poles one at a time"


@dataclass(frozen=True)
class ActionFacts:
    """What the sentences are made of; one row per site.

    ``status``, ``reason`` (why not susceptible), ``hazardous`` (the study passes the voltage limit or, where there is
    none, the screen does not clear), ``studied``, ``switch_id`` and ``device`` of the worst point, ``nearest_id``,
    ``load_needed_kw`` at the worst point (NaN unknown, inf: no load cures), ``limit_length_m``, ``cable_m`` there,
    ``peak_pu``.
    """

    status: Text
    reason: Text
    hazardous: NDArray[np.bool_]
    studied: NDArray[np.bool_]
    switch_id: Text
    device: Text
    nearest_id: Text
    load_needed_kw: Floats
    limit_length_m: Floats
    cable_m: Floats
    load_rule_kw: Floats


FIXED = {
    "no_single_pole": f"{NOTHING}: no single-pole switching point between here and the source.",
    "unreached": "Correct the record: no way to any supply was found, so nothing can be said of this site.",
    "not_assessable": "Correct the record: a needed value is missing or impossible, so nothing can be said of this "
    "site.",
}


def action_sentences(facts: ActionFacts) -> Text:
    """One sentence per site, shape (n_sites,)."""
    out = np.full(len(facts.status), "", object)
    for status, text in FIXED.items():
        out[facts.status == status] = text
    immune = np.flatnonzero(facts.status == "not_susceptible")
    out[immune] = [f"{NOTHING} ({reason})." for reason in facts.reason[immune]]
    assessed = facts.status == "assessed"
    calm = assessed & ~facts.hazardous
    out[calm] = np.where(facts.studied[calm], CALM, CLEARS)
    act = np.flatnonzero(assessed & facts.hazardous)
    parts = (_point(facts, act), _load(facts, act), _shorten(facts, act), _also(facts, act))
    out[act] = [
        f"At {point}: {THREE_POLE}{load}{shorten}{also}." for point, load, shorten, also in zip(*parts, strict=True)
    ]
    return out


def _point(f: ActionFacts, rows: Ints) -> list[str]:
    return [f"{d} {s}".strip() for d, s in zip(f.device[rows], f.switch_id[rows], strict=True)]


def _load(f: ActionFacts, rows: Ints) -> list[str]:
    needed = f.load_needed_kw[rows]
    known = np.isfinite(needed)
    words = kw_words(np.where(known, needed, f.load_rule_kw[rows]))
    with_load = [f"; or keep at least {w} kW of load on the secondaries behind it {OPERATING}" for w in words]
    by_rule = [f"; or keep at least {w} kW of load (15 % of rating) on the secondary {OPERATING}" for w in words]
    return [
        a if k else NO_LOAD if endless else b
        for a, b, k, endless in zip(with_load, by_rule, known.tolist(), np.isinf(needed).tolist(), strict=True)
    ]


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


def kw_words(value: Floats) -> list[str]:
    """Kilowatts rounded up to two digits, so that what is read out is never too little; shape (n,)."""
    positive = np.where(value > 0, value, 1.0)
    step = 10.0 ** (np.floor(np.log10(positive)) - 1)
    rounded = np.where(value > 0, np.ceil(positive / step - 1e-9) * step, 0.0)
    return [f"{v:.10g}" for v in rounded.tolist()]
