"""Every sentence a crew or a planner may read."""

from __future__ import annotations

import numpy as np
import pytest

from survey.assess.action import ActionFacts, action_sentences

USUAL = {
    "status": "assessed",
    "reason": "",
    "hazardous": True,
    "studied": True,
    "switch_id": "CO-7",
    "device": "cutout",
    "nearest_id": "CO-7",
    "load_needed_kw": 11.23,
    "limit_length_m": 0.0,
    "cable_m": 300.0,
    "load_rule_kw": 22.5,
}


def sentence(**changes):
    facts = {k: np.array([v], object if isinstance(v, str) else None) for k, v in (USUAL | changes).items()}
    return action_sentences(ActionFacts(**facts))[0]


LOAD = "on the secondaries behind it before operating its poles one at a time, opening as well as closing"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, f"Switch three-pole at cutout CO-7; or hold at least 12 kW {LOAD}."),
        (
            {"device": ""},
            f"Switch three-pole at CO-7; or hold at least 12 kW {LOAD}.",
        ),
        (
            {"limit_length_m": 45.9},
            f"Switch three-pole at cutout CO-7; or hold at least 12 kW {LOAD}; or keep the cable behind it under 45 m.",
        ),
        (
            {"nearest_id": "E-3"},
            f"Switch three-pole at cutout CO-7; or hold at least 12 kW {LOAD} (its nearest single-pole point is E-3).",
        ),
        (
            {"load_needed_kw": np.inf},
            "Switch three-pole at cutout CO-7; no load on the secondary makes operating its poles one at a time safe.",
        ),
        (
            {"load_needed_kw": np.nan},
            (
                "Switch three-pole at cutout CO-7; or hold at least 23 kW (15 % of rating) on the secondary before "
                "operating its poles one at a time, opening as well as closing."
            ),
        ),
        (
            {"studied": False, "hazardous": False},
            "Nothing needed: the screening limit clears every single-pole switching point upstream.",
        ),
        (
            {"hazardous": False},
            "Nothing needed: the study stays under the voltage limit at every single-pole switching point upstream.",
        ),
        (
            {"status": "not_susceptible", "reason": "open wye: no path from phase to phase"},
            "Nothing needed: open wye: no path from phase to phase.",
        ),
        (
            {"status": "no_single_pole"},
            "Nothing needed: no single-pole switching point between here and the source.",
        ),
        (
            {"status": "unreached"},
            "Correct the record: no way to any supply was found, so nothing can be said of this site.",
        ),
        (
            {"status": "not_assessable"},
            "Correct the record: a needed value is missing or impossible, so nothing can be said of this site.",
        ),
    ],
)
def test_sentences(changes, expected):
    assert sentence(**changes) == expected


@pytest.mark.parametrize(("needed", "said"), [(0.0123, "0.013"), (1.0, "1"), (9.91, "10"), (104.0, "110"), (0.0, "0")])
def test_load_is_rounded_up_so_that_what_is_read_out_is_enough(needed, said):
    assert f"at least {said} kW" in sentence(load_needed_kw=needed)
