"""Walks and exposed sections of random networks, against brute force.

``SURVEY_NETWORKS=2000 pytest tests/network/test_oracle.py`` looks at that many in each test instead of a sample.
"""

from __future__ import annotations

import os
from dataclasses import replace

import pytest
from build import named, survey
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from oracle import NOMINAL_KV, Device, Oracle

PROFILE = settings(
    max_examples=int(os.environ.get("SURVEY_NETWORKS", "40")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
LOW_KV = 4.16
PHASES = ["ABC", "ABC", "ABC", "AB", "BC", "AC", "A", "B", "C"]


@st.composite
def networks(draw, *, rings=0, sources=(1, 1), phases=False, gaps=False, open_devices=False, plain=True):
    """Random rows: cables by node ids, devices, sites, sources.

    Not ``plain``: with risers and other devices that name no cable, step-downs, and single-phase units of banks.

    Lengths are distinct powers of two, so that every sum of them tells which cables were walked.
    """
    n = draw(st.integers(2, 8))
    pairs = [(draw(st.integers(0, k - 1)), k) for k in range(1, n) if not (gaps and draw(st.integers(0, 4)) == 0)]
    pairs += draw(st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), max_size=rings))
    pairs = pairs or [(0, 1)]
    powers = draw(st.permutations(range(len(pairs))))
    cables = tuple(
        named(
            f"c{k}",
            f"n{u}",
            f"n{v}",
            2.0 ** powers[k],
            phases=draw(st.sampled_from(PHASES)) if phases else "ABC",
            build=draw(st.sampled_from(["ug", "ug", "oh"])),
            kv=NOMINAL_KV if plain else draw(st.sampled_from([NOMINAL_KV, NOMINAL_KV, NOMINAL_KV, LOW_KV])),
        )
        for k, (u, v) in enumerate(pairs)
    )
    joined = [c for c in cables if c.ends[0] != c.ends[1]]
    places = (
        st.tuples(st.sampled_from(joined), st.integers(0, 1), st.booleans(), st.integers(0, 3))
        if joined
        else st.nothing()
    )
    devices = tuple(
        Device(f"w{k}", c.ends[end], c.id if plain or draw(st.booleans()) else "", single, open_devices and kind == 0)
        for k, (c, end, single, kind) in enumerate(draw(st.lists(places, max_size=6)) if joined else [])
    )
    nodes = sorted({node for c in cables for node in c.ends})
    rated = draw(st.lists(st.sampled_from(nodes), min_size=1, unique=True))
    kv = [NOMINAL_KV if plain else draw(st.sampled_from([NOMINAL_KV, NOMINAL_KV, LOW_KV])) for _ in rated]
    sites = [(f"s{node}", node, value) for node, value in zip(rated, kv, strict=True)]
    sites += [] if plain else [(f"t{node}", node, value) for _, node, value in sites if draw(st.integers(0, 3)) == 0]
    units = [] if plain else draw(st.lists(st.tuples(st.sampled_from(nodes), st.sampled_from("ABC")), max_size=6))
    sourced = draw(st.lists(st.sampled_from(nodes), min_size=sources[0], max_size=sources[1], unique=True))
    sourced = tuple((f"g{node}", node) for node in sourced)
    return Oracle(cables, devices, tuple(sorted(sites)), sourced, tuple((f"u{k}", *u) for k, u in enumerate(units)))


def surveyed(o: Oracle, *, order=None, **more):
    rows = (list(o.cables), list(o.sites), [d.row for d in o.devices], list(o.sources))
    if order is not None:
        for layer in rows:
            order.shuffle(layer)
    cables, sites, switches, sources = rows
    return survey(cables, sites=sites, switches=switches, sources=sources, units=o.units, **more)


def agree(o: Oracle):
    assume(not o.undecided)
    s = surveyed(o)
    for site, *_ in o.sites:
        walked = s.walk(site)
        expected = o.walk(site)
        assert (walked if walked == "unreached" else (*walked, s.gang(site))) == expected
        check_path(s, o, site)
    assert s.sections() == {d.id: o.section(d) for d in sorted(o.closed, key=lambda d: d.id)}
    for d in o.closed:
        assert s.exposes(d.id) == o.exposes(d)
        assert s.units(d.id) == o.units_lost(d)
        if o.exposes(d) and o.edge(d)[0] in o.fed:
            assert o.upstream(d) in {(s.upstream(d.id), s.gang_above(d.id)), None}
    nothing_lost(s, o)


def check_path(s, o, site):
    length = {c.id: c.length_m for c in o.cables}
    walked = s.walk(site)
    assert sum(length[c] for c in s.path(site)) == (0 if walked == "unreached" else walked[1])


def nothing_lost(s, o):
    assert s.network.pieces.length_m.sum() == pytest.approx(sum(c.length_m for c in o.cables))
    assert {s.ids("cables")[c] for c in s.network.pieces.cable} == {c.id for c in o.cables}
    named_by = {x for f in s.findings for x in f.ids}
    dead = {c.id for c in o.cables if not set(o.ends[c.id]) & o.fed}
    if o.sources:
        assert dead <= named_by
    for i, (site, *_) in enumerate(sorted(o.sites)):
        assert (site in named_by) >= (not s.network.walks.supplied[i])
    health = s.network.health
    placed = sum(bool(cable) for cable in o.stands.values())
    assert (health["devices_placed"], health["devices_not_placed"]) == (placed, len(o.devices) - placed)


@PROFILE
@given(networks())
def test_trees(o):
    agree(o)


@PROFILE
@given(networks(rings=4, sources=(1, 2), open_devices=True))
def test_rings_and_several_sources_and_open_devices(o):
    agree(o)


@PROFILE
@given(networks(rings=3, sources=(1, 2), phases=True, open_devices=True))
def test_phases(o):
    agree(o)


@PROFILE
@given(networks(sources=(0, 1), gaps=True, open_devices=True))
def test_islands(o):
    agree(o)


@PROFILE
@given(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True))
def test_everything_at_once(o):
    agree(o)


@PROFILE
@given(networks(sources=(1, 2), open_devices=True, plain=False))
def test_risers_step_downs_and_devices_that_name_no_cable(o):
    agree(o)


@PROFILE
@given(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True, plain=False))
def test_all_of_it_at_once(o):
    agree(o)


def answers(s):
    """All that the survey says of a network, by id."""
    sites, devices = sorted(s.ids("transformers")), sorted(s.sections())
    return (
        {x: (s.walk(x), s.gang(x), s.path(x)) for x in sites},
        {w: (s.section(w), s.exposes(w), s.upstream(w)) for w in devices},
        sorted((f.severity, f.rule, f.layer, f.ids, f.message) for f in s.findings if f.rule != "closed_ring"),
        sorted(s.found("closed_ring")),
    )


@PROFILE
@given(networks(rings=3, sources=(0, 2), gaps=True, open_devices=True), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(o, order):
    straight, shuffled = surveyed(o), surveyed(o, order=order, sort=False)
    # devices in a row at one cable end without a place stand in row order: leave those aside
    if len({(d.node, d.cable) for d in o.devices}) == len(o.devices):
        assert answers(shuffled) == answers(straight)


def place(node, jitter, order):
    """Nodes on a curve that bends one way: no three in a line, so that a straight cable passes no other node."""
    k = int(node[1:])
    off = [order.uniform(-jitter, jitter) for _ in range(2)]
    return 100.0 * k + off[0], 20.0 * k * k + off[1]


@PROFILE
@given(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True), st.randoms(use_true_random=False))
def test_a_drawn_network_is_the_one_by_node_ids(o, order):
    if any(c.ends[0] == c.ends[1] for c in o.cables):
        return
    lines = []
    for c in o.cables:
        ends = [place(n, 0.02, order) for n in c.ends]
        lines.append(replace(c, ends=("", ""), xy=(tuple(ends if order.random() < 0.5 else ends[::-1]),)))
    by_ids = surveyed(o)
    drawn = survey(
        lines,
        sites=[(s, place(n, 1.0, order)) for s, n, *_ in o.sites],
        # the same place for every device of a node, so that those in a row stand by id
        switches=[(d.id, place(d.node, 0, order), *d.row[2:]) for d in o.devices],
        sources=[(g, place(n, 1.0, order)) for g, n in o.sources],
    )
    assert answers(drawn)[:2] == answers(by_ids)[:2]
    assert drawn.found("out_of_reach") == []
    assert drawn.network.health["tees"] == 0
