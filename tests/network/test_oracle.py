"""Walks and exposed sections of random networks, against brute force.

``SURVEY_NETWORKS=2000 pytest tests/network/test_oracle.py`` looks at that many in each test instead of a sample.
"""

from __future__ import annotations

import os
from dataclasses import replace

import pytest
from build import named, survey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracle import Device, Oracle

PROFILE = settings(
    max_examples=int(os.environ.get("SURVEY_NETWORKS", "40")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
PHASES = ["ABC", "ABC", "ABC", "AB", "BC", "AC", "A", "B", "C"]


@st.composite
def networks(draw, *, rings=0, sources=(1, 1), phases=False, gaps=False, open_devices=False):
    """Random rows: cables by node ids, devices that name their cable, sites, sources.

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
        Device(f"w{k}", c.ends[end], c.id, single, open_devices and kind == 0)
        for k, (c, end, single, kind) in enumerate(draw(st.lists(places, max_size=6)) if joined else [])
    )
    nodes = sorted({node for c in cables for node in c.ends})
    sites = tuple((f"s{node}", node) for node in draw(st.sets(st.sampled_from(nodes), min_size=1)))
    sourced = draw(st.lists(st.sampled_from(nodes), min_size=sources[0], max_size=sources[1], unique=True))
    return Oracle(cables, devices, tuple(sorted(sites)), tuple((f"g{node}", node) for node in sourced))


def surveyed(o: Oracle, *, order=None, **more):
    rows = (list(o.cables), list(o.sites), [d.row for d in o.devices], list(o.sources))
    if order is not None:
        for layer in rows:
            order.shuffle(layer)
    cables, sites, switches, sources = rows
    return survey(cables, sites=sites, switches=switches, sources=sources, **more)


def agree(o: Oracle):
    s = surveyed(o)
    for site, _ in o.sites:
        walked = s.walk(site)
        expected = o.walk(site)
        assert (walked if walked == "unreached" else (*walked, s.gang(site))) == expected
        check_path(s, o, site)
    assert s.sections() == {d.id: o.section(d) for d in sorted(o.closed, key=lambda d: d.id)}
    for d in o.closed:
        assert s.exposes(d.id) == o.exposes(d)
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
    dead = {c.id for c in o.cables if not set(c.ends) & o.fed}
    if o.sources:
        assert dead <= named_by
    for i, (site, _) in enumerate(sorted(o.sites)):
        assert (site in named_by) >= (not s.network.walks.supplied[i])
    health = s.network.health
    assert health["devices_placed"] == len(o.devices)
    assert health["devices_not_placed"] == 0


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
        sites=[(s, place(n, 1.0, order)) for s, n in o.sites],
        # the same place for every device of a node, so that those in a row stand by id
        switches=[(d.id, place(d.node, 0, order), *d.row[2:]) for d in o.devices],
        sources=[(g, place(n, 1.0, order)) for g, n in o.sources],
    )
    assert answers(drawn)[:2] == answers(by_ids)[:2]
    assert drawn.found("out_of_reach") == []
    assert drawn.network.health["tees"] == 0
