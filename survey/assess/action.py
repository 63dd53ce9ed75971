"""What to do at a site, in a sentence a crew and a planner both accept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Text = NDArray[np.object_]
Floats = NDArray[np.float64]

NOTHING = "Nothing needed"


@dataclass(frozen=True)
class ActionFacts:
    """What the sentences are made of; one row per site.

    ``status``, ``reason`` (why not susceptible), ``hazardous`` (does not clear and the voltage limit is passed, or not
    studied), ``clears`` the screen, ``switch_id`` and ``device`` of the worst point, ``nearest_id``,
    ``load_needed_kw`` at the worst point (NaN unknown, inf: no load cures), ``limit_length_m``, ``cable_m`` there,
    ``peak_pu``.
    """

    status: Text
    reason: Text
    hazardous: NDArray[np.bool_]
    clears: NDArray[np.bool_]
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
    return np.array([_sentence(facts, i) for i in range(len(facts.status))], dtype=object)


def _sentence(f: ActionFacts, i: int) -> str:
    status = f.status[i]
    if status in FIXED:
        return FIXED[status]
    if status == "not_susceptible":
        return f"{NOTHING}: {f.reason[i]}."
    if f.clears[i]:
        return f"{NOTHING}: the screening limit clears every single-pole switching point upstream."
    if not f.hazardous[i]:
        return f"{NOTHING}: the study stays under the voltage limit at every single-pole switching point upstream."
    return f"Switch three-pole at {_point(f, i)}{_load(f, i)}{_shorten(f, i)}{_also(f, i)}."


def _point(f: ActionFacts, i: int) -> str:
    return f"{f.device[i]} {f.switch_id[i]}".strip()


def _load(f: ActionFacts, i: int) -> str:
    needed = f.load_needed_kw[i]
    if np.isnan(needed):
        return (
            f"; or hold at least {_kw(f.load_rule_kw[i])} kW (15 % of rating) on the secondary before operating its "
            f"poles "
            "one at a time, opening as well as closing"
        )
    if np.isinf(needed):
        return "; no load on the secondary makes operating its poles one at a time safe"
    return (
        f"; or hold at least {_kw(needed)} kW on the secondaries behind it before operating its poles one at a time, "
        "opening as well as closing"
    )


def _shorten(f: ActionFacts, i: int) -> str:
    limit = f.limit_length_m[i]
    if not 1.0 <= limit < f.cable_m[i]:
        return ""
    return f"; or keep the cable behind it under {int(limit)} m"


def _also(f: ActionFacts, i: int) -> str:
    if f.nearest_id[i] == f.switch_id[i] or not f.nearest_id[i]:
        return ""
    return f" (its nearest single-pole point is {f.nearest_id[i]})"


def _kw(value: float) -> str:
    """Rounded up to two digits, so that what is read out is never too little."""
    if value <= 0:
        return "0"
    step = 10.0 ** (np.floor(np.log10(value)) - 1)
    return f"{np.ceil(value / step - 1e-9) * step:.10g}"
