"""Every sentence a crew or a planner may read."""

from __future__ import annotations

import numpy as np
import pytest

from survey.assess.action import FIXED, ActionFacts, EitherEnd, action_sentences, either_end_sentences, hold_kw

USUAL = {
    "status": "assessed",
    "reason": "",
    "hazardous": True,
    "studied": True,
    "switch_id": "CO-7",
    "device": "cutout",
    "nearest_id": "CO-7",
    "hold_kw": 23.0,
    "limit_length_m": 0.0,
    "cable_m": 300.0,
}


def sentence(load_rule=0.15, **changes):
    facts = {k: np.array([v], object if isinstance(v, str) else None) for k, v in (USUAL | changes).items()}
    return action_sentences(ActionFacts(**facts, load_rule=load_rule))[0]


THREE = "open and close all three phases together with a three-pole device"
BALANCED = "balanced on all three phases, when opening as well as when closing"
LOAD = f"or hold at least 23 kW of load behind it, {BALANCED}"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, f"At cutout CO-7: {THREE}; {LOAD}."),
        ({"device": ""}, f"At CO-7: {THREE}; {LOAD}."),
        ({"limit_length_m": 45.9}, f"At cutout CO-7: {THREE}; {LOAD}."),
        (
            {"limit_length_m": 45.9, "studied": False, "load_rule": 0.2},
            (
                f"At cutout CO-7: {THREE}; or hold at least 23 kW of load behind it (20 % of rating; the study was "
                f"left out), {BALANCED}; or keep the cable behind it under 45 m, by the screening limit."
            ),
        ),
        (
            {"nearest_id": "E-3"},
            f"At cutout CO-7: {THREE}; {LOAD} (the site's nearest single-pole point is E-3).",
        ),
        (
            {"hold_kw": np.inf},
            (
                f"At cutout CO-7: {THREE}; no load up to the rating of the transformers brings the voltage under the "
                "limit."
            ),
        ),
        (
            {"studied": False, "hazardous": False},
            (
                "No action from this survey: at every single-pole switching point upstream the circuit is within the "
                "screening limit."
            ),
        ),
        (
            {"hazardous": False},
            (
                "No action from this survey: at every single-pole switching point upstream the simulated voltage "
                "stays under the limit."
            ),
        ),
        (
            {"status": "not_susceptible", "reason": "open wye: no path from phase to phase"},
            "No action from this survey: open wye: no path from phase to phase.",
        ),
        (
            {"status": "no_single_pole"},
            "No action from this survey: no single-pole switching point between here and the source.",
        ),
        (
            {"status": "looped"},
            (
                "Undecided in the normal state: it stands on a ring, which no single-pole point alone takes off "
                "supply; once the ring is opened somewhere, the next single-pole operation may expose it. Survey it "
                "with the ring opened."
            ),
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


def test_no_sentence_clears_anybody():
    for text in (*FIXED.values(), sentence(), sentence(hazardous=False), sentence(status="not_susceptible")):
        assert "needed:" not in text
        assert " safe" not in text.replace("not safe", "")


@pytest.mark.parametrize(
    ("rating_kva", "needed_kw", "rule", "hold"),
    [
        (75, 0.0, 0.15, 12),  # 11.25
        (1200, 9.7, 0.15, 180),
        (1201, 9.7, 0.15, 185),
        (300, 60.2, 0.15, 61),
        (300, np.nan, 0.2, 60),
        (300, np.inf, 0.15, np.inf),
    ],
)
def test_load_to_hold_is_the_larger_of_rule_and_study_rounded_up(rating_kva, needed_kw, rule, hold):
    found = hold_kw(rating_va=np.array([rating_kva * 1e3]), needed_w=np.array([needed_kw * 1e3]), load_rule=rule)
    assert found[0] == hold


def test_a_dead_site_that_a_normally_open_point_could_feed_is_told_of_that_state():
    ends = EitherEnd(
        closed=np.array(["T1"], object),
        opened=np.array([""], object),
        worst=np.array(["KA"], object),
        hazard=np.array([40.0]),
        worse=np.array([True]),
        hold_kw=np.array([30.0]),
    )
    (said,) = either_end_sentences(
        np.array([FIXED["unreached"]], object), status=np.array(["unreached"], object), ends=ends
    )
    assert said.startswith(
        "In the normal state no supply reaches this site; correct the record if it is in service. With T1 closed, at KA"
    )
