"""Walks and exposed sections of random networks, against brute force."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from random import Random

import pytest
from build import Cable, named, survey
from oracle import Device, Oracle
from random_networks import SEED, agree_on, answers, networks, place, surveyed

ANY = {"rings": 3, "sources": (0, 2), "gaps": True, "open_devices": True}


def agree(several):
    several = [o for o in several if not o.undecided]
    s = surveyed(several)
    sections = s.sections()
    for o in several:
        for site, *_ in o.sites:
            walked = s.walk(site)
            assert (walked if walked == "unreached" else (*walked, s.gang(site))) == o.walk(site)
            check_path(s, o, site)
        for d in o.closed:
            assert sections.pop(d.id) == o.section(d)
            assert s.exposes(d.id) == o.exposes(d)
            assert s.units(d.id) == o.units_lost(d)
            if o.exposes(d) and o.edge(d)[0] in o.fed:
                assert o.upstream(d) in {(s.upstream(d.id), s.gang_above(d.id)), None}
    assert not sections
    nothing_lost(s, several)


def check_path(s, o, site):
    length = {c.id: c.length_m for c in o.cables}
    walked = s.walk(site)
    assert sum(length[c] for c in s.path(site)) == (0 if walked == "unreached" else walked[1])


def nothing_lost(s, several):
    used = Counter()
    for cable, length_m in zip(s.network.pieces.cable, s.network.pieces.length_m, strict=True):
        used[s.ids("cables")[cable]] += length_m
    assert used == pytest.approx({c.id: c.length_m for o in several for c in o.cables})
    named_by = {x for f in s.findings for x in f.ids}
    stood = 0
    for o in several:
        if o.sources:
            assert {c.id for c in o.cables if not set(o.ends[c.id]) & o.fed} <= named_by
        for site, *_ in o.sites:
            assert (site in named_by) >= (s.walk(site) == "unreached")
        stood += sum(bool(cable) for cable in o.stands.values())
    health = s.network.health
    devices = sum(len(o.devices) for o in several)
    assert (health["devices_placed"], health["devices_not_placed"]) == (stood, devices - stood)


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param({}, id="trees"),
        pytest.param({"rings": 4, "sources": (1, 2), "open_devices": True}, id="rings"),
        pytest.param({"rings": 3, "sources": (1, 2), "phases": True, "open_devices": True}, id="phases"),
        pytest.param({"sources": (0, 1), "gaps": True, "open_devices": True}, id="islands"),
        pytest.param({**ANY, "phases": True}, id="everything"),
        pytest.param({"sources": (1, 2), "open_devices": True, "plain": False}, id="devices that name no cable"),
        pytest.param({**ANY, "phases": True, "plain": False}, id="all of it"),
    ],
)
def test_walks_and_sections_are_those_of_brute_force(kind):
    agree_on(networks(**kind), agree)


def test_the_order_of_rows_changes_nothing():
    def same(several):
        assert answers(surveyed(several, order=Random(SEED))) == answers(surveyed(several))

    agree_on(networks(**ANY, phases=True), same)


def test_the_order_of_rows_says_nothing_of_two_ties_alike():
    cables = (Cable("c0", ("n0", "n1"), (), 2.0, phases="AC"), Cable("c1", ("n1", "n0"), (), 1.0, phases="ABC"))
    devices = tuple(Device(f"w{k}", "n0", f"c{k}", single=False, open=True) for k in range(2))
    o = Oracle(cables, devices, (), (("g", "n0"),))
    assert answers(surveyed([o], order=Random(1))) == answers(surveyed([o]))


def test_the_order_of_rows_says_nothing_of_the_way_round_a_ring_without_a_source():
    """From X the devices are equally far, once round either way: the first by id is taken."""
    cables = [named("R1", "n0", "n1", 8.0), named("R2", "n1", "n2", 16.0), named("R3", "n2", "n0", 32.0)]
    devices = [("W1", "n0", "guards=R1"), ("W2", "n0", "guards=R3")]
    phases = [replace(c, phases=p) for c, p in zip(cables, ("AB", "B", "BC"), strict=True)]
    for rows in (devices, devices[::-1]):
        assert survey(phases, switches=rows, sites=[("X", "n0")], sort=False).walk("X")[0] == "W1"


def test_a_drawn_network_is_the_one_by_node_ids():
    def same(several):
        order, several = Random(SEED), [o for o in several if all(c.ends[0] != c.ends[1] for c in o.cables)]
        lines = []
        for c in [c for o in several for c in o.cables]:
            ends = [place(n, 0.02, order) for n in c.ends]
            lines.append(replace(c, ends=("", ""), xy=(tuple(ends if order.random() < 0.5 else ends[::-1]),)))
        drawn = survey(
            lines,
            sites=[(s, place(n, 1.0, order)) for o in several for s, n, *_ in o.sites],
            # the same place for every device of a node, so that those in a row stand by id
            switches=[(d.id, place(d.node), *d.row[2:]) for o in several for d in o.devices],
            sources=[(g, place(n, 1.0, order)) for o in several for g, n in o.sources],
        )
        assert answers(drawn)[:2] == answers(surveyed(several))[:2]
        assert drawn.found("out_of_reach") == []
        assert drawn.network.health["tees"] == 0

    agree_on(networks(**ANY, phases=True), same)
