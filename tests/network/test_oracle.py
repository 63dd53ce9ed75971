"""Walks and exposed sections of random networks, against brute force."""

from __future__ import annotations

import pytest
from build import named, survey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracle import Device, Oracle

PROFILE = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
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
            assert o.upstream(d) in {s.upstream(d.id), None}
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
