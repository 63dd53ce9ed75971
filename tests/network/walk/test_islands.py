"""Rule 5 where there is no source: direction and supply come from the single-pole devices."""

from __future__ import annotations

from build import named, oh, survey

GRID = ("g", "g")


def test_no_sources_layer_is_a_finding():
    s = survey([named("c", "n1", "n2", 1)])
    (finding,) = s.findings.of("no_sources")
    assert (finding.severity, finding.layer, finding.ids) == ("warning", "sources", ())


def test_without_sources_the_riser_controls_its_cable():
    cables = [oh(named("main", "o1", "o2", 100)), named("c1", "o2", "n1", 2), named("c2", "n1", "n2", 4)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2"), ("s0", "o1")], switches=[("w", "o2")])
    assert s.walks() == {"s0": "unreached", "s1": ("w", 2, 2), "s2": ("w", 6, 6)}
    assert s.section("w") == (["c1", "c2"], 6, ["s1", "s2"])
    assert s.path("s2") == ["c2", "c1"]
    assert s.found("site_without_supply") == [("s0",)]
    assert s.found("cable_without_source") == []


def test_the_nearest_device_by_path_length_is_taken():
    # s2 lies on the controlled side of both risers; the way to y is shorter
    cables = [
        oh(named("m1", "o1", "a", 100)),
        named("c1", "a", "n1", 20),
        named("c2", "n1", "n2", 20),
        named("c3", "n2", "b", 30),
        oh(named("m2", "b", "o2", 100)),
    ]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("x", "a"), ("y", "b")])
    assert s.walks() == {"s1": ("x", 20, 20), "s2": ("y", 30, 30)}
    # all that hangs on that side, the other riser and what is behind it too
    assert s.section("x") == (["c1", "c2", "c3", "m2"], 170, ["s1", "s2"])
    assert s.section("y") == (["c1", "c2", "c3", "m1"], 170, ["s1", "s2"])


def test_other_dead_end_devices_are_no_supplies():
    # a riser and, at the far transformer, an elbow that controls the transformer, not the cable
    cables = [oh(named("m", "o", "a", 100)), named("c1", "a", "n1", 20), named("c2", "n1", "n2", 5)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("x", "a"), ("elbow", "n2")])
    assert s.walks() == {"s1": ("x", 20, 20), "s2": ("elbow", 0, 0)}
    assert s.section("elbow") == ([], 0, ["s2"])
    assert s.section("x") == (["c1", "c2"], 25, ["s1", "s2"])
    assert s.upstream("elbow") == "x"
    assert s.found("side_unknown") == []


def test_dead_end_devices_that_face_each_other_without_sites_control_the_cable():
    cables = [named("c1", "a", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n2", "b", 8)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("x", "a"), ("y", "b")])
    assert s.walks() == {"s1": ("x", 1, 1), "s2": ("x", 3, 3)}
    assert s.section("x") == (["c1", "c2", "c3"], 11, ["s1", "s2"])
    assert s.section("y") == (["c1", "c2", "c3"], 11, ["s1", "s2"])


def test_a_dead_end_device_at_a_site_with_no_other_supply_is_of_unknown_side():
    # nothing tells whether x feeds the cable or the site at its own node: sites on both sides, more cable beyond
    s = survey([named("c1", "a", "b", 7)], sites=[("s1", "a"), ("s2", "b")], switches=[("x", "a")])
    assert s.found("side_unknown") == [("x",)]
    assert s.walks() == {"s1": "unreached", "s2": ("x", 7, 7)}
    assert s.section("x") == (["c1"], 7, ["s2"])


def test_the_side_with_the_only_sites_is_taken_where_nothing_else_tells():
    s = survey([named("c1", "a", "b", 7)], sites=[("s1", "a")], switches=[("x", "a")])
    assert s.found("side_unknown") == [("x",)]
    assert s.walk("s1") == ("x", 0, 0)
    assert s.section("x") == ([], 0, ["s1"])


def test_a_device_between_two_cables_that_no_supply_tells_apart():
    cables = [named("c1", "a", "b", 7), named("c2", "b", "c", 9)]
    s = survey(cables, sites=[("s", "c")], switches=[("x", "b")])
    assert s.found("side_unknown") == [("x",)]
    assert s.walk("s") == ("x", 9, 9)
    assert s.section("x") == (["c2"], 9, ["s"])
    s = survey(cables, sites=[("s", "a")], switches=[("x", "b")])
    assert s.walk("s") == ("x", 7, 7)
    assert s.section("x") == (["c1"], 7, ["s"])


def test_a_device_between_two_cables_below_a_riser():
    cables = [oh(named("m", "o", "a", 100)), named("c1", "a", "n1", 20), named("c2", "n1", "n2", 5)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("x", "a"), ("w", "n1")])
    assert s.walks() == {"s1": ("w", 0, 0), "s2": ("w", 5, 5)}
    assert s.section("w") == (["c2"], 5, ["s1", "s2"])
    assert s.upstream("w") == "x"
    assert s.found("side_unknown") == []


def test_a_device_at_a_junction_below_a_riser_stands_on_the_upstream_side():
    cables = [
        oh(named("m", "o", "a", 100)),
        named("c1", "a", "n1", 20),
        named("c2", "n1", "n2", 5),
        named("c3", "n1", "n3", 7),
    ]
    s = survey(cables, sites=[("s2", "n2"), ("s3", "n3")], switches=[("x", "a"), ("w", "n1")])
    assert s.walks() == {"s2": ("w", 5, 5), "s3": ("w", 7, 7)}
    assert s.found("ambiguous_switch") == [("w",)]
    assert s.found("unplaced_switch") == []


def test_a_device_between_two_overhead_lines_above_a_riser_is_not_fed_by_it():
    # the riser feeds its cable, so its supply comes from the lines; which end of them has it is not known
    lines = [oh(named("m1", "o1", "o2", 50)), oh(named("m2", "o2", "a", 60))]
    s = survey([*lines, named("c1", "a", "n1", 20)], sites=[("s", "n1")], switches=[("x", "a"), ("w", "o2")])
    assert s.walk("s") == ("x", 20, 20)
    # w controls the side with the site
    assert s.found("side_unknown") == [("w",)]
    assert s.section("w") == (["c1", "m2"], 80, ["s"])
    assert s.upstream("x") == "w"


def test_three_pole_devices_on_the_way_are_noted_and_passed():
    cables = [oh(named("m", "o", "a", 100)), named("c1", "a", "n1", 20), named("c2", "n1", "n2", 5)]
    s = survey(cables, sites=[("s2", "n2"), ("s1", "n1")], switches=[("x", "a"), ("v", "n1", "three")])
    assert s.walks() == {"s1": ("x", 20, 20), "s2": ("x", 25, 25)}
    assert s.gang("s2") == "v"
    assert s.path("s2") == ["c2", "c1"]


def test_an_island_beside_a_network_with_sources():
    cables = [named("c1", "g", "n1", 1), oh(named("m", "o", "a", 100)), named("d1", "a", "b", 20)]
    s = survey(
        cables,
        sites=[("s1", "n1"), ("s2", "b")],
        switches=[("w", "g"), ("x", "a")],
        sources=[GRID],
    )
    assert s.walks() == {"s1": ("w", 1, 1), "s2": ("x", 20, 20)}
    assert s.network.walks.sourced.tolist() == [True, False]
    assert s.found("cable_without_source") == [("d1", "m")]
    assert s.section("x") == (["d1"], 20, ["s2"])
    assert s.found("site_without_supply") == []


def test_a_part_behind_an_open_switch():
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n2", "n3", 4)]
    s = survey(
        cables,
        sites=[("s2", "n2"), ("s3", "n3")],
        switches=[("w1", "g"), ("tie", "n1", "open"), ("w3", "n2", "guards=c3")],
        sources=[GRID],
    )
    assert s.walks() == {"s2": "unreached", "s3": ("w3", 4, 4)}
    assert s.section("w3") == (["c3"], 4, ["s3"])
    assert s.section("w1") == (["c1"], 1, [])


def test_a_device_on_a_ring_of_an_island_takes_nothing_off():
    cables = [
        oh(named("m", "o", "a", 100)),
        named("c0", "a", "n0", 1),
        named("c1", "n0", "n1", 2),
        named("c2", "n1", "n2", 4),
        named("c3", "n2", "n0", 16),
    ]
    s = survey(cables, sites=[("s", "n2")], switches=[("x", "a"), ("ring", "n1", "guards=c2")])
    assert s.walk("s") == ("x", 7, 7)
    assert s.path("s") == ["c2", "c1", "c0"]
    assert not s.exposes("ring")
    assert s.section("x") == (["c0", "c1", "c2", "c3"], 23, ["s"])
    assert s.found("closed_ring") == [("c1", "c2", "c3")]


def test_unreached_only_where_there_is_no_device_at_all():
    s = survey([named("c1", "a", "b", 7)], sites=[("s", "b")])
    assert s.walk("s") == "unreached"
    assert s.path("s") == []


def test_branches_of_fewer_phases_weigh_by_conductors_in_an_island():
    cables = [
        oh(named("m", "o", "a", 100)),
        named("c1", "a", "n1", 20),
        named("one", "n1", "n2", 300, phases="B"),
        named("two", "n1", "n3", 30, phases="AC"),
    ]
    s = survey(cables, sites=[("s", "n1")], switches=[("x", "a")])
    assert s.section("x") == (["c1", "one", "two"], 20 + 100 + 20, ["s"])
