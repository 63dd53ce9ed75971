"""Rules 5 and 6 where there are sources: walks, rings, several sources, phases, exposed sections."""

from __future__ import annotations

import pytest
from build import named, oh, survey

GRID = ("g", "g")


def chain(*lengths, **more):
    """Cables ``c1, c2 ...`` in a row from ``g`` over ``n1, n2 ...``."""
    nodes = ["g", *(f"n{k + 1}" for k in range(len(lengths)))]
    return [named(f"c{k + 1}", nodes[k], nodes[k + 1], x, **more) for k, x in enumerate(lengths)]


def test_the_first_single_pole_device_upstream_stops_the_walk():
    s = survey(
        chain(1, 2, 4, 8),
        sites=[("s4", "n4")],
        switches=[("w1", "n1"), ("w2", "n2"), ("w3", "n3", "three")],
        sources=[GRID],
    )
    assert s.walk("s4") == ("w2", 12, 12)
    assert s.gang("s4") == "w3"
    assert s.path("s4") == ["c4", "c3"]
    assert s.sections() == {"w1": (["c2", "c3", "c4"], 14, ["s4"]), "w2": (["c3", "c4"], 12, ["s4"])}
    assert s.upstream("w2") == "w1"


def test_overhead_line_counts_into_the_length_but_not_the_cable():
    s = survey(
        [named("c1", "g", "n1", 1), oh(named("c2", "n1", "n2", 2)), named("c3", "n2", "n3", 4)],
        sites=[("s", "n3")],
        switches=[("w", "n1", "guards=c2")],
        sources=[GRID],
    )
    assert s.walk("s") == ("w", 6, 4)
    assert s.section("w") == (["c2", "c3"], 6, ["s"])


def test_the_nearest_of_several_three_pole_devices_is_noted():
    s = survey(
        chain(1, 2, 4),
        sites=[("s3", "n3"), ("s1", "n1")],
        switches=[("w", "g"), ("v1", "n1", "three"), ("v2", "n2", "three")],
        sources=[GRID],
    )
    assert (s.gang("s3"), s.gang("s1")) == ("v2", "v1")


def test_a_three_pole_device_above_the_switching_point_is_not_noted():
    s = survey(chain(1, 2, 4), sites=[("s", "n3")], switches=[("v", "n1", "three"), ("w", "n2")], sources=[GRID])
    assert s.walk("s") == ("w", 4, 4)
    assert s.gang("s") == ""


def test_no_single_pole_device_before_the_source():
    s = survey(chain(1, 2), sites=[("s", "n2")], switches=[("v", "n1", "three")], sources=[GRID])
    assert s.walk("s") == ("no_single_pole", 3, 3)
    assert s.gang("s") == "v"
    assert s.path("s") == ["c2", "c1"]


def test_a_site_at_the_source():
    s = survey(chain(1), sites=[("s", "g")], sources=[GRID])
    assert s.walk("s") == ("no_single_pole", 0, 0)
    assert s.path("s") == []


def test_side_branches_are_part_of_the_section():
    s = survey(
        [*chain(1, 2, 4), named("b2", "n2", "m", 16)],
        sites=[("s3", "n3"), ("sm", "m")],
        switches=[("w", "n1"), ("x", "n2", "guards=c3")],
        sources=[GRID],
    )
    assert s.walks() == {"s3": ("x", 4, 4), "sm": ("w", 18, 18)}
    assert s.section("w") == (["b2", "c2", "c3"], 22, ["s3", "sm"])


# --- rings and several sources
# ------------------------------------------------------------------------------------------

RING = [named("c0", "g", "n0", 1), named("c1", "n0", "n1", 2), named("c2", "n1", "n2", 4), named("c3", "n2", "n0", 16)]


def test_on_a_ring_the_shorter_way_is_walked_and_noted():
    s = survey(RING, sites=[("s1", "n1"), ("s2", "n2")], switches=[("w", "g")], sources=[GRID])
    assert s.walks() == {"s1": ("w", 3, 3), "s2": ("w", 7, 7)}
    assert s.path("s2") == ["c2", "c1", "c0"]
    (finding,) = s.findings.of("closed_ring")
    assert (finding.severity, finding.layer, finding.ids) == ("warning", "cables", ("c1", "c2", "c3"))
    assert "1 (of cables 'c1', sites: 2 (s1, s2))" in finding.message


def test_a_single_pole_device_on_a_ring_is_passed():
    s = survey(
        [*RING, named("tap", "n2", "n3", 32)],
        sites=[("s3", "n3")],
        switches=[("w", "g"), ("ring1", "n1"), ("ring2", "n2", "guards=c2")],
        sources=[GRID],
    )
    assert s.walk("s3") == ("w", 39, 39)
    assert s.sections() == {
        "ring1": ([], 0, []),
        "ring2": ([], 0, []),
        "w": (["c0", "c1", "c2", "c3", "tap"], 55, ["s3"]),
    }
    assert (s.exposes("ring1"), s.exposes("ring2"), s.exposes("w")) == (False, False, True)


def test_a_device_below_a_ring_exposes_what_hangs_there():
    s = survey(
        [*RING, named("tap", "n2", "n3", 32)],
        sites=[("s3", "n3")],
        switches=[("w", "g"), ("x", "n2", "guards=tap")],
        sources=[GRID],
    )
    assert s.walk("s3") == ("x", 32, 32)
    assert s.section("x") == (["tap"], 32, ["s3"])
    assert s.upstream("x") == "w"


def test_an_open_point_makes_a_ring_two_branches():
    s = survey(
        RING,
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("tie", "n2", "open", "guards=c2"), ("w1", "n0", "guards=c1"), ("w3", "n0", "guards=c3")],
        sources=[GRID],
    )
    assert s.walks() == {"s1": ("w1", 2, 2), "s2": ("w3", 16, 16)}
    assert s.sections() == {"w1": (["c1", "c2"], 6, ["s1"]), "w3": (["c3"], 16, ["s2"])}
    assert s.found("closed_ring") == []


def test_rings_are_one_finding_those_first_that_sites_walk():
    second = [named("d1", "n2", "m1", 1), named("d2", "m1", "m2", 1), named("d3", "m2", "n2", 1)]
    far = [named("e", "n1", "k0", 1), named("e1", "k0", "k1", 1), named("e2", "k0", "k1", 1)]
    s = survey([*RING, *second, *far], sites=[("s", "k1")], sources=[GRID])
    assert s.found("closed_ring") == [("c1", "c2", "c3", "d1", "d2", "d3", "e1", "e2")]
    assert (
        ": 3 (of cables 'e1', sites: 1 (s); 'c1', sites: 0; 'd1', sites: 0)" in s.findings.of("closed_ring")[0].message
    )


def test_rings_through_two_sources_are_told_apart():
    rings = [
        named(f"{k}{n}", *ends, 1) for k in "pq" for n, ends in enumerate([(f"g{k}", f"m{k}"), (f"m{k}", f"h{k}")])
    ]
    sources = [(f"{end}{k}", f"{end}{k}") for end in "gh" for k in "pq"]
    s = survey(rings, sites=[("sp", "mp"), ("sq", "mq")], sources=sources)
    assert ": 2 (of cables 'p0', sites: 1 (sp); 'q0', sites: 1 (sq))" in s.findings.of("closed_ring")[0].message


def test_two_sources_closed_together_are_a_ring():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n2", "h", 8)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("w1", "g"), ("w3", "h"), ("w2", "n1")],
        sources=[GRID, ("h", "h")],
    )
    assert s.walks() == {"s1": ("no_single_pole", 1, 1), "s2": ("no_single_pole", 3, 3)}
    assert s.found("closed_ring") == [("c1", "c2", "c3")]
    assert [s.exposes(w) for w in ("w1", "w2", "w3")] == [False, False, False]


def test_every_site_walks_to_its_own_source():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "h", "n2", 2)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("w1", "g"), ("w2", "h")],
        sources=[GRID, ("h", "h")],
    )
    assert s.walks() == {"s1": ("w1", 1, 1), "s2": ("w2", 2, 2)}


def test_two_sources_at_one_node_are_one():
    s = survey(chain(1), sites=[("s", "n1")], switches=[("w", "g")], sources=[GRID, ("h", "g")])
    assert s.section("w") == (["c1"], 1, ["s"])


def test_a_source_in_the_middle_of_a_feeder_is_a_second_way():
    s = survey(chain(1, 2, 4), sites=[("s", "n3")], switches=[("w", "g"), ("x", "n2")], sources=[GRID, ("h", "n1")])
    assert s.walk("s") == ("x", 4, 4)
    assert not s.exposes("w")


def test_parallel_cables_keep_each_other_supplied():
    s = survey(
        [named("c1", "g", "n1", 1), named("p1", "n1", "n2", 2), named("p2", "n1", "n2", 3), named("c3", "n2", "n3", 4)],
        sites=[("s", "n3")],
        switches=[("w", "g"), ("x1", "n1", "guards=p1"), ("x2", "n1", "guards=p2")],
        sources=[GRID],
    )
    assert s.walk("s") == ("w", 7, 7)
    assert s.sections() == {"w": (["c1", "c3", "p1", "p2"], 10, ["s"]), "x1": ([], 0, []), "x2": ([], 0, [])}
    assert s.found("closed_ring") == [("p1", "p2")]


@pytest.mark.parametrize("by_the_way", [(), ("a",)], ids=["no point on the way", "one on the way"])
def test_points_on_conductors_of_one_phase_beside_the_way_are_told(by_the_way):
    phases = [named(f"p{k}", "n1", "n2", n, phases=k.upper()) for n, k in enumerate("abc", 2)]
    s = survey(
        [named("c1", "g", "n1", 1), *phases, named("c3", "n2", "n3", 4)],
        sites=[("s", "n3")],
        switches=[(f"k{k}", "n1", f"guards=p{k}") for k in (*by_the_way, *"bc")],
        sources=[GRID],
    )
    (finding,) = s.findings.of("point_beside_way")
    assert finding.ids == ("kb", "kc")
    assert "(sites: 1: s)" in finding.message
    assert s.walk("s")[0] == (f"k{by_the_way[0]}" if by_the_way else "no_single_pole")


def test_a_lateral_of_one_phase_has_no_point_beside_the_way():
    tap = named("t", "n1", "n4", 3, phases="A")
    s = survey([*chain(1, 2), *RING[1:], tap], sites=[("s", "n2")], switches=[("k", "n1", "guards=t")], sources=[GRID])
    assert s.findings.of("point_beside_way") == []


def test_parallel_cables_of_equal_length_walk_by_id():
    s = survey(
        [named("c1", "g", "n1", 1), named("p2", "n1", "n2", 3), named("p1", "n1", "n2", 3)],
        sites=[("s", "n2")],
        sources=[GRID],
    )
    assert s.path("s") == ["p1", "c1"]


# --- phases
# -------------------------------------------------------------------------------------------------------------


def test_branches_of_fewer_phases_weigh_by_conductors():
    s = survey(
        [*chain(3, 6), named("two", "n2", "m2", 30, phases="AB"), named("one", "n2", "m1", 300, phases="C")],
        sites=[("s", "n2")],
        switches=[("w", "n1")],
        sources=[GRID],
    )
    assert s.section("w") == (["c2", "one", "two"], 6 + 20 + 100, ["s"])
    assert s.rules == set()


def test_a_device_on_a_branch_of_one_phase_exposes_that_phase():
    s = survey(
        [*chain(3), named("one", "n1", "m1", 300, phases="B"), named("more", "m1", "m2", 30, phases="B")],
        switches=[("w", "n1", "guards=one")],
        sources=[GRID],
    )
    assert s.section("w") == (["more", "one"], 110, [])


def test_a_phase_that_nothing_carries_so_far_is_not_exposed():
    # the cable beyond is recorded with three phases, but only phase A comes there
    s = survey(
        [*chain(3), named("one", "n1", "m1", 300, phases="A"), named("odd", "m1", "m2", 30)],
        sites=[("s", "m2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.section("w") == (["c1", "odd", "one"], 3 + 100 + 10, ["s"])
    assert s.walk("s") == ("w", 333, 333)
    assert s.found("phases_missing_on_way") == [("s",)]


def test_three_cables_of_one_phase_in_parallel_are_one_way_of_three():
    s = survey(
        [*chain(3), *(named(f"p{p}", "n1", "n2", x, phases=p) for p, x in zip("ABC", (30, 60, 90), strict=True))],
        sites=[("s", "n2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.walk("s") == ("w", 33, 33)
    assert s.section("w") == (["c1", "pA", "pB", "pC"], 3 + 10 + 20 + 30, ["s"])
    assert s.rules == set()


def test_a_device_on_one_of_three_cables_of_one_phase_exposes_that_phase():
    s = survey(
        [*chain(3), *(named(f"p{p}", "n1", "n2", 30, phases=p) for p in "ABC"), named("c2", "n2", "n3", 6)],
        sites=[("s", "n3")],
        switches=[(f"w{p}", "n1", f"guards=p{p}") for p in "ABC"],
        sources=[GRID],
    )
    assert s.section("wA") == (["c2", "pA"], 10 + 2, ["s"])
    assert s.section("wC") == (["c2", "pC"], 10 + 2, ["s"])
    assert s.walk("s")[0] in {"wA", "wB", "wC"}
    assert s.walk("s")[1:] == (36, 36)
    assert s.rules == {"point_beside_way"}


def test_three_fused_cables_of_one_phase_are_judged_like_the_joined_ones():
    # a device on each single-phase cable gives each a node of its own; the site behind still has all three phases
    s = survey(
        [*chain(3), *(named(f"p{p}", "n1", "n2", 30, phases=p) for p in "ABC"), named("long", "n1", "n2", 500)],
        sites=[("s", "n2")],
        switches=[("w", "g"), *((f"w{p}", "n1", f"guards=p{p}") for p in "ABC")],
        sources=[GRID],
    )
    # each phase has two ways, so that nothing but "w" takes it off
    assert s.walk("s")[0] == "w"
    assert s.sections(["wA", "wB", "wC"]) == {w: ([], 0, []) for w in ("wA", "wB", "wC")}


def test_a_second_way_for_one_phase_leaves_the_other_two_exposed():
    s = survey(
        [*chain(3, 30), named("aid", "g", "n2", 300, phases="A")],
        sites=[("s", "n2")],
        switches=[("w", "n1")],
        sources=[GRID],
    )
    # pole A: both ways keep c2 and aid supplied; poles B and C: c2 loses its supply
    assert s.section("w") == (["c2"], 20, ["s"])
    assert s.walk("s") == ("w", 0 + 0, 0) or s.walk("s") == ("w", 30, 30)


def test_a_way_of_three_phases_goes_before_a_shorter_one_of_fewer():
    s = survey(
        [*chain(3), named("short", "n1", "n2", 5, phases="AB"), named("long", "n1", "n2", 50)],
        sites=[("s", "n2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.walk("s") == ("w", 53, 53)
    assert s.path("s") == ["long", "c1"]
    assert s.found("phases_missing_on_way") == []


@pytest.mark.parametrize(("phases", "weight"), [("ABC", 1), ("AB", 2 / 3), ("BC", 2 / 3), ("AC", 2 / 3), ("B", 1 / 3)])
def test_weights_of_all_phase_sets(phases, weight):
    s = survey([named("c", "g", "n", 300, phases=phases)], switches=[("w", "g")], sources=[GRID])
    assert s.section("w") == (["c"], 300 * weight, [])


def test_sites_on_different_poles_of_a_section_are_counted_once():
    # s1 hangs on A only, s2 on B only; both are on the section, though no single pole has both
    s = survey(
        [*chain(3), named("a", "n1", "m1", 30, phases="A"), named("b", "n1", "m2", 60, phases="B")],
        sites=[("s1", "m1"), ("s2", "m2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.section("w") == (["a", "b", "c1"], 33, ["s1", "s2"])


def test_an_open_pole_cuts_its_phase_and_the_closed_ones_carry():
    """w is open on B: what hangs on it loses A and C with it, two conductors of three; the upper point all three."""
    s = survey(
        chain(1, 6, 3),
        sites=[("s", "n3")],
        switches=[("u", "g"), ("w", "n1", "open=B"), ("x", "n2")],
        sources=[GRID],
    )
    assert s.walk("s") == ("x", 3, 3)
    got = s.sections()
    assert got["x"] == (["c3"], 2, ["s"])
    assert got["w"] == (["c2", "c3"], 6, ["s"])
    assert got["u"] == (["c1", "c2", "c3"], 1 + 6, ["s"])


def test_a_pole_that_is_open_on_a_conductor_that_is_not_there_changes_nothing():
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 3, phases="A")]
    s = survey(cables, sites=[], switches=[("w", "n1", "open=B", "guards=c2")], sources=[GRID])
    assert s.section("w") == (["c2"], 1, [])


def test_a_device_that_is_open_on_every_conductor_of_its_cable_is_open():
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 3, phases="A")]
    s = survey(cables, sites=[("s", "n2")], switches=[("w", "n1", "open=A", "guards=c2")], sources=[GRID])
    assert s.walk("s") == "unreached"


def test_a_ring_that_is_closed_on_some_poles_only():
    """Ring g - n1 - n2 - g, open at t on A: u exposes phase A of c1 and what A hangs on, nothing of B and C."""
    ring = [named("c1", "g", "n1", 3), named("c2", "n1", "n2", 6), named("c3", "n2", "g", 9)]
    s = survey(
        ring,
        sites=[("s", "n1")],
        switches=[("u", "g", "guards=c1"), ("t", "n2", "open=A", "guards=c2")],
        sources=[GRID],
    )
    assert s.section("u") == (["c1", "c2"], 3, ["s"])
    assert s.walk("s") == ("u", 3, 3)
