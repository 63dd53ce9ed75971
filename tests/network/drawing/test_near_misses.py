"""Ends that stop short of a cable, run past one, or run past a joint: told with place, distance and what to do."""

from __future__ import annotations

import numpy as np
import pytest
from build import drawn, named, survey, tables
from hypothesis import given
from hypothesis import strategies as st

from survey.findings import FindingList
from survey.network import build_network
from survey.network.drawing.near_misses import NAMED, find_bare
from survey.settings import NetworkSettings

MAIN = drawn("M", (0, 0), (400, 0), build="oh")
KINDS = {"near_miss", "undershoot", "overshoot", "stub"}


def told(*cables, **settings):
    """Findings of these kinds on a fed main with more cables."""
    return survey([MAIN, *cables], sources=[("Q", (0.0, 0.0))], sites=[("T", (400.0, 0.0))], **settings)


def only(s):
    (finding,) = [f for f in s.findings if f.rule in KINDS]
    return finding


def test_an_end_that_points_at_a_cable_and_stops_short_of_it():
    s = told(drawn("C", (100, 200), (100, 0.8)))
    found = only(s)
    assert (found.rule, found.severity, found.ids) == ("undershoot", "warning", ("C", "M"))
    assert ": 1, by 0.80 to 0.80 m (nearest: 'C' and 'M' 0.80 m); not joined (tolerance 0.5 m)" in found.message
    assert "network.snap_m = 0.9, which joins 100% of all such gaps" in found.message
    assert (found.lon, found.lat) == s.tables.lonlat(np.array([100.0, 0.8]))
    assert s.network.health["undershoots"] == 1


def test_with_the_tolerance_advised_it_is_joined():
    s = told(drawn("C", (100, 200), (100, 0.8)), snap_m=0.9)
    assert not s.rules & KINDS
    assert s.network.health["tees"] == 1


def test_an_end_that_crosses_a_cable_and_ends_a_little_past_it():
    s = told(drawn("C", (100, 200), (100, -1.25)))
    found = only(s)
    assert (found.rule, found.ids) == ("overshoot", ("C", "M"))
    assert found.message == (
        "ends of cables that cross another and end at nothing past it: 1, by 1.25 to 1.25 m (nearest: 'C' and 'M' "
        "1.25 m); crossing is no joint; where they belong together, end them on the cable"
    )
    assert s.network.health["overshoots"] == 1
    assert s.network.health["tees"] == 0


def test_past_a_corner_the_distance_is_that_along_the_end():
    found = only(told(drawn("C", (100, 200), (100, -1), (101.5, -1))))
    assert found.rule == "overshoot"
    assert "'C' and 'M' 2.50 m" in found.message


@pytest.mark.parametrize("turned", [False, True])
def test_the_direction_of_drawing_does_not_matter(turned):
    points = [(100, 200), (100, 0.8)]
    assert only(told(drawn("C", *(points[::-1] if turned else points)))).rule == "undershoot"


def test_an_end_that_runs_on_past_the_joint_on_it():
    # C ends on D, which runs on for 2 m; the joint holds
    s = told(drawn("C", (100, 0), (100, 100)), drawn("D", (50, 100), (102, 100)))
    found = only(s)
    assert (found.rule, found.ids) == ("stub", ("D",))
    assert "past the joint on them, to nothing: 1, by 2.00 to 2.00 m; the joint holds all the same" in found.message
    assert s.network.health["stubs"] == 1


@pytest.mark.parametrize(
    "cables",
    [
        pytest.param([drawn("C", (100, 200), (100, 30))], id="far off"),
        pytest.param([drawn("C", (100, 200), (100, -30))], id="crosses and goes on"),
        pytest.param([drawn("C", (200, 2), (100, 2))], id="beside it, not pointing at it"),
        pytest.param([drawn("C", (100, 0), (103, 2))], id="a short branch off it"),
        pytest.param([drawn("C", (100, 200), (100, 0.3))], id="within the tolerance"),
        pytest.param([named("C", "N1", "N2", xy=(((100, 200), (100, 2)),))], id="joined by node ids, not by drawing"),
        pytest.param([drawn("C", (100, 200), (100, 2), (99, 200))], id="turns back before it"),
    ],
)
def test_other_ends_are_not_told(cables):
    assert not told(*cables).rules & KINDS


def test_an_end_at_a_site_a_device_or_another_transformer_is_meant_to_be_one():
    cables = [MAIN, drawn("C", (100, 200), (100, 2))]
    assert not survey(cables, sites=[("U", (100.0, 3.0))]).rules & KINDS
    assert not survey(cables, switches=[("S", (100.0, 3.0))]).rules & KINDS
    clean = tables(cables)
    for units, rules in ((np.array([[100.0, 4.0], [np.nan, np.nan]]), set()), (np.array([[100.0, 40.0]]), KINDS)):
        findings = FindingList()
        build_network(replace_units(clean, units), settings=NetworkSettings(), findings=findings)
        assert bool({f.rule for f in findings} & KINDS) == bool(rules)


def replace_units(clean, units):
    from dataclasses import replace

    return replace(clean, other_units=units)


def test_an_end_nearer_to_another_end_than_to_a_cable_is_told_as_such():
    s = told(drawn("C", (401.5, 100), (401.5, 0)))
    # the end of the main, where the site is, is as near as the main itself
    found = only(s)
    assert found.rule == "near_miss"
    assert "by 1.50 to 1.50 m" in found.message


def test_advice_comes_from_all_gaps_together():
    gaps = [0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 4.0]
    cables = [drawn(f"C{k}", (20 + 30 * k, 100), (20 + 30 * k, gap)) for k, gap in enumerate(gaps)]
    s = told(*cables)
    found = only(s)
    assert "network.snap_m = 1.7, which joins 90% of all such gaps" in found.message
    assert ": 10, by 0.60 to 4.00 m (nearest: 'C0' and 'M' 0.60 m, 'C1' and 'M' 0.70 m, " in found.message
    assert found.message.count(" and 'M' ") == NAMED


@given(
    st.floats(0.01, 8.0),
    st.floats(20.0, 90.0),
    st.booleans(),
    st.booleans(),
    st.floats(0, 2 * np.pi),
    st.floats(0, 1e5),
)
def test_short_or_past_is_what_geometry_says(distance, angle, past, turned, spin, shift):
    """A line at an angle that ends before or past another one: told when 0.5 m to 5 m off, as in closed form."""
    snap, reach = 0.5, 5.0
    slope = np.deg2rad(angle)
    way = np.array([np.cos(slope), np.sin(slope)])
    tip = np.array([100.0, 0.0]) + way * (-distance if past else distance)
    points = np.array([tip + way * 60, tip])
    rotation = np.array([[np.cos(spin), -np.sin(spin)], [np.sin(spin), np.cos(spin)]])

    def turn(xy):
        return [tuple(p) for p in (np.array(xy) @ rotation.T + shift).tolist()]

    cables = [drawn("M", *turn([(0, 0), (400, 0)])), drawn("C", *turn(points[::-1] if turned else points))]
    s = survey(cables)
    off = distance * np.sin(slope)
    if min(abs(off - snap), abs(distance - reach)) < 1e-6:
        return
    rules = s.rules & {"undershoot", "overshoot"}
    assert rules == ({"overshoot" if past else "undershoot"} if off > snap and distance <= reach else set())


def test_bare_ends_know_their_own_piece():
    clean = tables([drawn("C", (0, 0), (10, 0)), drawn("D", (10, 0), (20, 5))])
    findings = FindingList()
    network = build_network(clean, settings=NetworkSettings(), findings=findings)
    bare = find_bare(clean, network.pieces, node_xy=network.node_xy, used=np.empty(0, np.int64), pickup_m=5.0)
    assert sorted(map(tuple, bare.xy.tolist())) == [(0.0, 0.0), (20.0, 5.0)]
    assert sorted(zip(bare.cable.tolist(), bare.at_last.tolist(), strict=True)) == [(0, False), (1, True)]
