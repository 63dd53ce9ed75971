"""States of loops against brute force: open, close, and look again at what a pole alone keeps supplied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from build import named, survey
from hypothesis import given
from hypothesis import strategies as st
from oracle import Device, Oracle
from test_oracle import PROFILE, networks, surveyed

from survey.network.ties.states import pair_devices, pair_sections, sites_met
from survey.network.walk.walks import three_pole_edges


def states(s):
    """``{(closed tie or "", opened, worked): (cables, metres, sites)}``."""
    loops, network = s.network.loops, s.network
    names = np.array(s.ids("switches"), object)
    single, nothing = s.tables.switches["single_pole"].to_numpy(bool), np.zeros(len(loops.device))
    pairs = pair_devices(loops, single=single, rating_va=nothing, most_va=0.0, most_states=0)
    sections = pair_sections(loops, pairs, sections=network.sections)
    metres = sections.total(network.graph.length_m[: network.graph.n_pieces])
    every = np.arange(len(pairs.opened))
    owner, piece = sections.pieces(every)
    cables = np.array(s.ids("cables"), object)[network.pieces.cable[piece]]
    at, site = sections.members(every, network.site_node)
    sites = np.array(s.ids("transformers"), object)[site]
    tie = [names[t] if t >= 0 else "" for t in loops.tie[loops.loop[pairs.opened]]]
    opened, worked = (names[loops.device[x]] for x in (pairs.opened, pairs.worked))
    return {
        (tie[k], opened[k], worked[k]): (
            sorted(set(cables[owner == k])),
            round(float(metres[k]), 6),
            sorted(sites[at == k]),
        )
        for k in every
        if sections.exposes[k]
    }


def agree(o: Oracle):
    s = surveyed(o)
    found = states(s)
    for (closed, opened, worked), section in found.items():
        then = o.in_state(closed, opened)
        assert section == then.section(next(d for d in then.closed if d.id == worked)), (closed, opened, worked)
    told = {x for f in s.findings if f.rule.startswith("tie_") for x in f.ids}
    judged = {s.ids("switches")[t] for t in s.network.loops.tie if t >= 0}
    assert not told & judged
    for d in o.devices:
        if d.open and o.stands[d.id] and d.id not in told | judged:
            assert not worth_judging(o, d.id)
    check_met(s, o)


def worth_judging(o: Oracle, tie: str) -> bool:
    """Some single-pole device exposes a site in another state of the loop than the normal one."""
    closed = o.in_state(tie, "")
    on_ring = {d.id for d in closed.devices if not d.open and o.stands[d.id] and not closed.parts(d)}
    return any(d.single for d in closed.devices if d.id in on_ring)


def check_met(s, o: Oracle):
    """Every site met stands in its zone: between the devices before and after, and behind its own points."""
    loops, network = s.network.loops, s.network
    names, single = s.ids("switches"), s.tables.switches["single_pole"].to_numpy(bool)
    met = sites_met(
        loops,
        site_node=network.site_node,
        upstream=network.upstream,
        sections=network.sections,
        gang=three_pole_edges(s.tables, network.graph),
    )
    for site, zone, gang, points in zip(met.site, met.zone, met.gang, met.points, strict=True):
        tie = loops.tie[loops.loop[zone]]
        closed, spot = names[tie] if tie >= 0 else "", network.graph.spot[loops.device[zone]]
        if loops.device[zone + 1] == tie:
            continue  # the normal state: the tie is open
        then = o.in_state(closed, names[loops.device[zone + 1]])
        point, _, _, passed = then.climb(o.place_of(s.ids("transformers")[site]))
        own = s.walk(s.ids("transformers")[site])[0]
        if points:
            assert point == own
        elif beside := [names[d] for d in np.flatnonzero((network.graph.spot == spot) & single)]:
            assert (point in beside, bool(passed)) == (True, bool(gang))


@st.composite
def loops(draw, *, phases=("ABC",), rings=0, guards=True):
    """Random rows round one loop, which a tie opens or nothing does: laterals, perhaps of some phases, and devices."""
    n = draw(st.integers(3, 6))
    around = draw(st.sampled_from(phases))
    ends = [(f"n{k}", f"n{(k + 1) % n}", around) for k in range(n)]
    for k in range(draw(st.integers(0, 4))):
        ends.append((f"n{draw(st.integers(0, n + k - 1))}", f"n{n + k}", draw(st.sampled_from(phases))))
    nodes = sorted({x for u, v, _ in ends for x in (u, v)})
    for _ in range(draw(st.integers(0, rings))):
        ends.append((*draw(st.permutations(nodes))[:2], draw(st.sampled_from(phases))))
    powers = draw(st.permutations(range(len(ends))))
    cables = tuple(named(f"c{k}", u, v, 2.0 ** powers[k], phases=p) for k, (u, v, p) in enumerate(ends))
    places = st.tuples(st.integers(0, n - 1), st.integers(0, 1), st.integers(0, 3))
    laterals = st.tuples(st.integers(0, len(ends) - 1), st.integers(0, 1), st.integers(0, 3))
    rows = draw(st.lists(places, min_size=2, max_size=5)) + draw(st.lists(laterals, max_size=3))
    tie = draw(st.integers(-1, len(rows) - 1))
    devices = tuple(
        Device(f"w{k}", cables[c].ends[end], cables[c].id if guards or draw(st.booleans()) else "", kind > 0, k == tie)
        for k, (c, end, kind) in enumerate(rows)
    )
    sites = tuple((f"s{x}", x) for x in nodes)
    sources = ("n0", *draw(st.lists(st.sampled_from(nodes[1:]), max_size=1)))
    return Oracle(cables, devices, sites, tuple((f"g{x}", x) for x in sources))


@PROFILE
@given(loops())
def test_ties_and_rings(o):
    agree(o)


@PROFILE
@given(loops(rings=1, phases=("ABC", "ABC", "AB", "C")))
def test_meshed_and_of_some_phases(o):
    agree(o)


@PROFILE
@given(loops(rings=1, guards=False))
def test_devices_that_name_no_cable(o):
    agree(o)


@PROFILE
@given(networks(rings=3, sources=(0, 2), gaps=True, phases=True, open_devices=True, plain=False))
def test_everything_at_once(o):
    agree(o)


LOOP = [named(f"L{k}", f"n{k}", f"n{k + 1}", 200.0) for k in range(5)]
ENDS = {"sources": [("SA", "n0"), ("SB", "n5")], "sites": [(f"X{k}", f"n{k}") for k in range(1, 5)]}
KA, KB = ("KA", "n0", "guards=L0"), ("KB", "n5", "guards=L4")


def test_a_loop_by_hand():
    """KA - L1 - L2 - (T open) - L3 - L4 - KB of five cables, the tie behind the third."""
    s = survey(LOOP, switches=[KA, KB, ("T", "n3", "open", "guards=L2")], **ENDS)
    metres = {key: value[1:] for key, value in states(s).items()}
    assert metres == {
        ("T", "KA", "T"): (600.0, ["X1", "X2"]),
        ("T", "KA", "KB"): (1000.0, ["X1", "X2", "X3", "X4"]),
        ("T", "KB", "T"): (400.0, ["X3", "X4"]),
        ("T", "KB", "KA"): (1000.0, ["X1", "X2", "X3", "X4"]),
    }


def test_a_three_pole_tie_is_no_point_itself():
    s = survey(LOOP, switches=[KA, KB, ("T", "n3", "open", "three", "guards=L2")], **ENDS)
    assert {worked for _, _, worked in states(s)} == {"KA", "KB"}


def test_elbows_on_both_sides_of_every_transformer():
    elbows = [(f"{side}{k}", f"n{k}", f"guards=L{k - (side == 'a')}") for k in range(1, 5) for side in "ab"]
    elbows = [(*e, "open") if e[0] == "b3" else e for e in elbows]
    s = survey(LOOP, switches=elbows, **ENDS)
    found = {key: value[1:] for key, value in states(s).items()}
    assert found["b3", "a1", "b3"] == (400.0, ["X1", "X2", "X3"])
    assert found["b3", "b1", "b3"] == (400.0, ["X2", "X3"])
    assert found["b3", "b1", "a4"] == (600.0, ["X2", "X3"])
    assert found["b3", "a1", "b4"] == (600.0, ["X1", "X2", "X3", "X4"])
    assert len(found) == 7 * 7


def test_two_loops_that_share_a_stretch():
    more = [*LOOP, named("M1", "n2", "m1", 50.0), named("M2", "m1", "m2", 70.0)]
    s = survey(
        more,
        switches=[
            KA,
            KB,
            ("T", "n3", "open", "guards=L2"),
            ("U", "m1", "open", "guards=M2"),
            ("KC", "m2", "guards=M2"),
        ],
        sites=[*ENDS["sites"], ("Y", "m1")],
        sources=[*ENDS["sources"], ("SC", "m2")],
    )
    found = {key: value[1:] for key, value in states(s).items()}
    assert found["T", "KA", "KB"] == (1050.0, ["X1", "X2", "X3", "X4", "Y"])
    assert found["U", "KA", "U"] == (650.0, ["X1", "X2", "Y"])
    assert found["U", "KA", "KC"] == (720.0, ["X1", "X2", "Y"])


def test_a_closed_ring_by_hand():
    ring = [named("R0", "s", "h", 10.0)] + [named(f"R{k}", f"r{k - 1}", f"r{k}", 100.0) for k in range(1, 4)]
    ring = [replace(c, ends=tuple("h" if n in {"r0", "r3"} else n for n in c.ends)) for c in ring]
    s = survey(
        ring,
        switches=[("P", "h", "guards=R1"), ("Q", "h", "guards=R3"), ("M", "r1", "guards=R2", "three")],
        sites=[("X", "r1"), ("Y", "r2")],
        sources=[("S", "s")],
    )
    assert {key: value[1:] for key, value in states(s).items()} == {
        ("", "P", "Q"): (300.0, ["X", "Y"]),
        ("", "Q", "P"): (300.0, ["X", "Y"]),
        ("", "M", "P"): (100.0, ["X"]),
        ("", "M", "Q"): (200.0, ["Y"]),
    }


@pytest.mark.parametrize(
    ("rule", "change"),
    [
        ("tie_voltages", {"cables": [*LOOP[:3], *(replace(c, kv=24.9) for c in LOOP[3:])], "sites": [("X1", "n1")]}),
        ("tie_phases", {"cables": [*LOOP[:4], replace(LOOP[4], phases="AB")]}),
        ("tie_no_supply", {"sources": [("SA", "n0")]}),
        ("tie_nothing_beyond", {"cables": LOOP[:3]}),
        ("tie_on_ring", {"cables": [*LOOP, named("P", "n0", "n1", 200.0)]}),
        ("tie_no_device", {"switches": [("T", "n3", "open", "guards=L2")]}),
    ],
)
def test_what_cannot_be_judged_is_told(rule, change):
    rows = {"cables": LOOP, "switches": [KA, KB, ("T", "n3", "open", "guards=L2")], **ENDS, **change}
    if rule == "tie_nothing_beyond":
        rows |= {"sources": [("SA", "n0")], "switches": [KA, ("T", "n3", "open", "guards=L2")], "sites": [("X1", "n1")]}
    s = survey(rows.pop("cables"), **rows)
    assert s.found(rule) == [("T",)]
    assert states(s) == {}
