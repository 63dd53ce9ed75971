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


THREE = "open and close all three phases together with a three-pole device"
HELD = "before and while its poles are operated one at a time, opening as well as closing"
LOAD = f"of load on the secondaries behind it {HELD}"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, f"At cutout CO-7: {THREE}; or keep at least 12 kW {LOAD}."),
        (
            {"device": ""},
            f"At CO-7: {THREE}; or keep at least 12 kW {LOAD}.",
        ),
        (
            {"limit_length_m": 45.9},
            f"At cutout CO-7: {THREE}; or keep at least 12 kW {LOAD}.",
        ),
        (
            {"limit_length_m": 45.9, "studied": False, "load_needed_kw": np.nan},
            (
                f"At cutout CO-7: {THREE}; or keep at least 23 kW of load (15 % of rating) on the secondary {HELD}; "
                "or keep the cable behind it under 45 m, by the screening limit."
            ),
        ),
        (
            {"nearest_id": "E-3"},
            f"At cutout CO-7: {THREE}; or keep at least 12 kW {LOAD} (the site's nearest single-pole point is E-3).",
        ),
        (
            {"load_needed_kw": np.inf},
            (
                f"At cutout CO-7: {THREE}; not even full load on the secondary makes it safe to operate its poles one "
                "at a time."
            ),
        ),
        (
            {"load_needed_kw": np.nan},
            f"At cutout CO-7: {THREE}; or keep at least 23 kW of load (15 % of rating) on the secondary {HELD}.",
        ),
        (
            {"studied": False, "hazardous": False},
            "Nothing needed: the screening limit clears every single-pole switching point upstream.",
        ),
        (
            {"hazardous": False},
            (
                "Nothing needed: at every single-pole switching point upstream the simulated voltage "
                "stays under the limit."
            ),
        ),
        (
            {"status": "not_susceptible", "reason": "open wye: no path from phase to phase"},
            "Nothing needed (open wye: no path from phase to phase).",
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
