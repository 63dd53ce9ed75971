"""Which way a line is drawn changes nothing; a drawing against its node ids is turned, and told."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from types import SimpleNamespace

import numpy as np
import pytest
from build import drawn, named, survey
from oracle import Device, Oracle
from random_networks import SEED, agree_on, answers, networks, place

LINES = {"C1": [(0, 0), (100, 0)], "C2": [(100, 0), (100, 80)], "C3": [(100, 80), (300, 80)]}


def chain(*turned, **more):
    """Source at N0, device at N1 (by node id), a site that only its place puts on C3, 40 m from N2."""
    cables = [
        named(c, f"N{k}", f"N{k + 1}", xy=(tuple(xy[::-1] if c in turned else xy),))
        for k, (c, xy) in enumerate(LINES.items())
    ]
    return survey(
        cables, sites=[("T", (140.0, 81.0))], switches=[("S", "N1", "guards=C2")], sources=[("Q", "N0")], **more
    )


@pytest.mark.parametrize("turned", [["C3"], ["C2"], ["C1", "C3"], ["C1", "C2", "C3"]])
def test_a_drawing_against_its_node_ids_is_turned_and_told(turned):
    s = chain(*turned)
    assert s.found("reversed_line") == [tuple(turned)]
    assert s.walk("T") == chain().walk("T") == ("S", 120.0, 120.0)
    assert f"(first: {turned[0]!r})" in s.findings.of("reversed_line")[0].message


def test_a_drawing_with_its_node_ids_is_not_told():
    assert not chain().found("reversed_line")


def test_without_neighbours_points_with_node_ids_tell():
    line = ((200, 0), (0, 0))
    s = survey(
        [named("C", "A", "B", xy=(line,))],
        sources=[("Q", "A", (0.0, 0.0))],
        sites=[("T", (150.0, 0.0)), ("U", "B", (200.0, 0.0))],
    )
    assert s.found("reversed_line") == [("C",)]
    assert s.walk("T") == ("no_single_pole", 150.0, 150.0)


@pytest.mark.parametrize(
    "cables",
    [
        pytest.param([named("C", "A", "B", xy=(((200, 0), (0, 0)),))], id="nothing else is known"),
        pytest.param(
            [named("C", "A", "B", xy=(((200, 0), (0, 0)),)), named("D", "A", "B", xy=(((0, 0), (200, 0)),))],
            id="between the same two nodes",
        ),
        pytest.param(
            [named("C", "A", "B", xy=(((0, 0), (100, 0)),)), named("D", "B", "E", xy=(((900, 0), (990, 0)),))],
            id="drawn somewhere else",
        ),
        pytest.param([named("C", "A", "A", xy=(((0, 0), (100, 0)),)), named("D", "A", "B", xy=(((50, 0), (50, 9)),))],
                     id="both ends at one node"),
    ],
)  # fmt: skip
def test_what_does_not_tell_turns_nothing(cables):
    assert not survey(cables).found("reversed_line")


def test_a_node_of_very_many_cables_is_told_by_some():
    spokes = [
        named(f"C{k:03d}", "HUB", f"N{k}", xy=(((0, 0), (100 * np.cos(k / 20), 100 * np.sin(k / 20))),))
        for k in range(120)
    ]
    spokes[70] = replace(spokes[70], xy=(spokes[70].xy[0][::-1],))
    assert survey(spokes).found("reversed_line") == [("C070",)]


def test_the_direction_of_drawing_changes_nothing():
    def same(several):
        several = [o for o in several if all(c.ends[0] != c.ends[1] for c in o.cables)]
        straight, turned = in_places(several), in_places(several, order=Random(SEED))
        assert answers(turned) == answers(straight)
        assert turned.network.health == straight.network.health

    agree_on(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True), same)


def test_the_way_round_two_sources_that_a_cable_joins_changes_nothing():
    """A tie on two phases behind a ring of three: seed 311 of the test above, made small."""
    cables = (
        named("001c0", "001n0", "001n1", 2.0),
        named("001c1", "001n1", "001n2", 16.0, phases="BC", build="oh"),
        named("001c4", "001n2", "001n6", 4.0, phases="AC", build="oh"),
    )
    network = Oracle(cables, (Device("001w2", "001n2", "001c1", open=True),), (), (("g0", "001n0"), ("g1", "001n1")))
    straight = in_places([network])
    assert straight.found("tie_phases") == [("001w2",)]
    for first in (0.0, 1.0):
        order = SimpleNamespace(random=iter([first, 1.0, 1.0]).__next__)
        assert answers(in_places([network], order=order)) == answers(straight)


def in_places(several, *, order=None):
    """The same networks by place alone, some cables drawn the other way."""
    ends = {c: [place(n) for n in c.ends] for o in several for c in o.cables}
    turned = {c: order is not None and order.random() < 0.5 for c in ends}
    return survey(
        [replace(c, ends=("", ""), xy=(tuple(xy[::-1] if turned[c] else xy),)) for c, xy in ends.items()],
        sites=[(s, place(n), *kv) for o in several for s, n, *kv in o.sites],
        switches=[(d.id, place(d.node), *d.row[2:]) for o in several for d in o.devices],
        sources=[(g, place(n)) for o in several for g, n in o.sources],
    )


def test_a_cable_drawn_with_corners_and_tees_may_be_turned():
    def answer(*turned):
        lines = {
            "M": [(0, 0), (200, 0), (200, 100)],
            "B": [(120, 0), (120, -60)],
            "E": [(200, 40), (300, 40)],
        }
        cables = [drawn(c, *(xy[::-1] if c in turned else xy), length_m=500.0) for c, xy in lines.items()]
        s = survey(
            cables,
            sites=[("T", (120.0, -60.0)), ("U", (300.0, 40.0))],
            switches=[("S", (60.0, 1.0)), ("R", (120.0, -1.0), "guards=B"), ("W", (200.0, 20.0), "open")],
            sources=[("Q", (0.0, 0.0))],
        )
        return answers(s)

    for turned in (["M"], ["B"], ["E"], ["M", "B", "E"]):
        assert answer(*turned) == answer()
