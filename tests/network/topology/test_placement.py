"""Rules 2 to 4: lengths, on which side a switch stands, open switches."""

from __future__ import annotations

import pytest
from build import Cable, drawn, named, oh, survey

GRID = ("g", "g")


def junction(*switches, builds="uuu", sites=("n1", "n2", "n3"), **more):
    """A feeding cable of 1 m to a node ``n1`` and two beyond of 2 m and 4 m, a site at each node."""
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n1", "n3", 4)]
    cables = [oh(c) if b == "o" else c for c, b in zip(cables, builds, strict=True)]
    return survey(cables, sites=[("s" + n[1:], n) for n in sites], switches=switches, sources=[GRID], **more)


# --- rule 2
# -------------------------------------------------------------------------------------------------------------


def test_the_recorded_length_goes_before_the_drawn_one():
    s = survey(
        [drawn("c1", (0, 0), (100, 0), length_m=130), drawn("c2", (100, 0), (150, 0))],
        sites=[("s", (150, 0))],
        sources=[("g", (0, 0))],
    )
    assert s.walk("s") == ("no_single_pole", 180, 180)


def test_a_cable_without_any_length_counts_as_nothing_and_is_a_finding():
    s = survey([named("c1", "g", "n1"), named("c2", "n1", "n2", 5)], sites=[("s", "n2")], sources=[GRID])
    assert s.walk("s") == ("no_single_pole", 5, 5)
    (finding,) = s.findings.of("no_length")
    assert (finding.severity, finding.ids) == ("error", ("c1",))


def test_a_cable_of_length_zero_carries_the_walk():
    s = survey([named("c1", "g", "n1", 0), named("c2", "n1", "n2", 5)], sites=[("s", "n2")], sources=[GRID])
    assert s.walk("s") == ("no_single_pole", 5, 5)
    assert s.rules == set()


def test_a_cable_split_twice_shares_its_length_as_drawn():
    s = survey(
        [drawn("c", (0, 0), (60, 0), (60, 40), length_m=50)],
        sites=[("s", (20, 0)), ("t", (60, 20))],
        sources=[("g", (0, 0))],
    )
    assert s.pieces("c") == [10, 30, 10]


def test_a_cable_from_a_node_to_itself_hangs_on_that_node():
    s = survey(
        [named("c1", "g", "n1", 10), named("c2", "n1", "n2", 20), named("loop", "n2", "n2", 5)],
        sites=[("s", "n2")],
        switches=[("w", "n2", "guards=c2")],
        sources=[GRID],
    )
    assert s.found("ends_joined") == [("loop",)]
    assert s.walk("s") == ("w", 0, 0)
    assert s.section("w") == (["loop"], 5, ["s"])
    assert s.found("closed_ring") == []


def test_a_cable_shorter_than_the_tolerance_hangs_on_its_node():
    s = survey(
        [drawn("c1", (0, 0), (50, 0)), drawn("c2", (50, 0), (50.3, 0)), drawn("c3", (50.3, 0), (90, 0))],
        sites=[("s", (90, 0))],
        switches=[("w", (0, 0))],
        sources=[("g", (0, 0))],
    )
    assert s.found("ends_joined") == [("c2",)]
    assert s.walk("s") == ("w", 89.7, 89.7)
    assert s.section("w") == (["c1", "c2", "c3"], 90, ["s"])


# --- rule 3
# -------------------------------------------------------------------------------------------------------------


def test_guards_names_the_cable_it_controls():
    s = junction(("w", "n1", "guards=c2"))
    assert s.walks() == {"s1": ("no_single_pole", 1, 1), "s2": ("w", 2, 2), "s3": ("no_single_pole", 5, 5)}
    assert s.section("w") == (["c2"], 2, ["s2"])
    assert s.rules == set()


def test_guards_may_name_the_feeding_cable():
    s = junction(("w", "n1", "guards=c1"))
    assert s.walks() == {"s1": ("w", 0, 0), "s2": ("w", 2, 2), "s3": ("w", 4, 4)}
    assert s.section("w") == (["c2", "c3"], 6, ["s1", "s2", "s3"])
    assert s.rules == set()


def test_guards_goes_before_every_other_rule():
    s = junction(("w", "n1", "guards=c3"), builds="ouo")
    assert s.walk("s2") == ("no_single_pole", 3, 2)
    assert s.section("w") == (["c3"], 4, ["s3"])


def test_guards_of_a_cable_elsewhere_is_a_finding_and_is_left_aside():
    s = junction(("w", "n1", "guards=c9"), builds="ouo")
    (finding,) = s.findings.of("guards_unknown")
    assert (finding.severity, finding.layer, finding.ids) == ("error", "switches", ("w",))
    assert "(first: 'c9')" in finding.message
    assert s.section("w") == (["c2"], 2, ["s2"])
    assert junction(("w", "n2", "guards=c3")).found("guards_unknown") == [("w",)]


@pytest.mark.parametrize("kind", [(), ("three",)])
def test_a_riser_controls_the_one_shielded_cable(kind):
    s = junction(("w", "n1", *kind), builds="ouo")
    if kind:
        assert s.walks() == {
            "s1": ("no_single_pole", 1, 0),
            "s2": ("no_single_pole", 3, 2),
            "s3": ("no_single_pole", 5, 0),
        }
        assert [s.gang(x) for x in ("s1", "s2", "s3")] == ["", "w", ""]
    else:
        assert s.walks() == {"s1": ("no_single_pole", 1, 0), "s2": ("w", 2, 2), "s3": ("no_single_pole", 5, 0)}
    assert s.rules == set()


def test_a_riser_of_two_conductors():
    cables = [oh(named("c1", "g", "n1", 1)), named("c2", "n1", "n2", 2)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("w", "n1")], sources=[GRID])
    assert s.walks() == {"s1": ("no_single_pole", 1, 0), "s2": ("w", 2, 2)}


def test_a_riser_up_from_a_cable_to_an_overhead_line():
    cables = [named("c1", "g", "n1", 1), oh(named("c2", "n1", "n2", 2))]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("w", "n1")], sources=[GRID])
    assert s.walks() == {"s1": ("w", 0, 0), "s2": ("w", 2, 0)}
    assert s.section("w") == (["c2"], 2, ["s1", "s2"])


def test_as_many_devices_as_shielded_cables_stand_one_on_each():
    s = junction(("w1", "n1"), ("w2", "n1"), builds="ouu")
    assert s.walks() == {"s1": ("no_single_pole", 1, 0), "s2": ("w1", 2, 2), "s3": ("w2", 4, 4)}
    assert (s.section("w1"), s.section("w2")) == ((["c2"], 2, ["s2"]), (["c3"], 4, ["s3"]))
    assert s.rules == set()


def test_three_devices_and_three_shielded_cables():
    s = junction(("w1", "n1"), ("w2", "n1"), ("w3", "n1"))
    assert s.walks() == {"s1": ("w1", 0, 0), "s2": ("w2", 2, 2), "s3": ("w3", 4, 4)}
    assert s.section("w1") == (["c2", "c3"], 6, ["s1", "s2", "s3"])


def test_devices_with_guards_are_not_counted_with_the_others():
    s = junction(("w1", "n1", "guards=c1"), ("w2", "n1"), ("w3", "n1"), builds="ouu")
    assert s.walks() == {"s1": ("w1", 0, 0), "s2": ("w2", 2, 2), "s3": ("w3", 4, 4)}


def test_three_pole_devices_are_not_counted_with_the_single_pole_ones():
    s = junction(("w1", "n1"), ("w2", "n1"), ("w9", "n1", "three"), builds="ouu")
    assert (s.section("w1"), s.section("w2")) == ((["c2"], 2, ["s2"]), (["c3"], 4, ["s3"]))
    assert s.found("ambiguous_switch") == [("w9",)]
    assert [s.gang(x) for x in ("s1", "s2", "s3")] == ["w9", "", ""]


def test_between_two_cables_a_site_at_that_very_node_is_beyond():
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)]
    s = survey(cables, sites=[("s1", "n1"), ("s2", "n2")], switches=[("w", "n1")], sources=[GRID])
    assert s.walks() == {"s1": ("w", 0, 0), "s2": ("w", 2, 2)}
    assert s.section("w") == (["c2"], 2, ["s1", "s2"])
    assert s.rules == set()


@pytest.mark.parametrize("names", [("a", "b"), ("b", "a")])
def test_between_two_cables_whatever_their_ids(names):
    near, far = names
    s = survey(
        [named(near, "n1", "g", 1), named(far, "n2", "n1", 2)],
        sites=[("s1", "n1")],
        switches=[("w", "n1")],
        sources=[GRID],
    )
    assert s.section("w") == ([far], 2, ["s1"])


def test_more_than_two_cables_upstream_side_with_a_finding():
    s = junction(("w", "n1"), ("v", "n1", "three"))
    assert s.walks() == {"s1": ("w", 0, 0), "s2": ("w", 2, 2), "s3": ("w", 4, 4)}
    assert s.section("w") == (["c2", "c3"], 6, ["s1", "s2", "s3"])
    assert s.found("ambiguous_switch") == [("v", "w")]
    assert {(f.severity, f.layer) for f in s.findings.of("ambiguous_switch")} == {("warning", "switches")}
    assert "guards" in s.findings.of("ambiguous_switch")[0].message


def test_more_than_two_cables_at_a_source_between_source_and_node():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "g", "n2", 2), named("c3", "g", "n3", 4)],
        sites=[("s0", "g"), ("s1", "n1"), ("s2", "n2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.walks() == {"s0": ("w", 0, 0), "s1": ("w", 1, 1), "s2": ("w", 2, 2)}
    assert s.section("w") == (["c1", "c2", "c3"], 7, ["s0", "s1", "s2"])
    assert s.found("ambiguous_switch") == [("w",)]


def test_two_cables_at_a_source_between_source_and_node():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "g", "n2", 2)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("w", "g")],
        sources=[GRID],
    )
    assert s.section("w") == (["c1", "c2"], 3, ["s1", "s2"])
    assert s.found("ambiguous_switch") == []


def test_several_devices_at_a_source_stand_in_a_row():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "g", "n2", 2), named("c3", "g", "n3", 4)],
        sites=[("s1", "n1")],
        switches=[("w", "g"), ("v", "g", "three")],
        sources=[GRID],
    )
    assert s.walk("s1") == ("w", 1, 1)
    assert s.section("w")[1] == 7


def test_an_open_device_at_a_source_cuts_it_off():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "g", "n2", 2)],
        sites=[("s1", "n1")],
        switches=[("w", "g", "open")],
        sources=[GRID],
    )
    assert s.walk("s1") == "unreached"


def test_at_a_dead_end_the_source_decides_which_way_is_up():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("elbow", "n2"), ("exit", "g")],
        sources=[GRID],
    )
    assert s.walks() == {"s1": ("exit", 1, 1), "s2": ("elbow", 0, 0)}
    assert s.sections() == {"elbow": ([], 0, ["s2"]), "exit": (["c1", "c2"], 3, ["s1", "s2"])}
    assert s.upstream("elbow") == "exit"
    assert s.upstream("exit") == ""


def test_a_device_where_no_cable_ends_controls_nothing():
    s = survey(
        [named("c1", "g", "n1", 1), named("loop", "n2", "n2", 1)],
        switches=[("w", "n2")],
        sources=[GRID],
    )
    assert s.found("controls_nothing") == [("w",)]
    assert s.network.health["devices_not_placed"] == 1


def test_devices_at_one_place_stand_in_the_order_they_are_drawn():
    cables = [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100, 0), (200, 0))]
    places = {"a": (98, 0), "b": (99, 0)}
    s = survey(
        cables,
        sites=[("s", (200, 0))],
        switches=[(k, xy, "guards=c1") for k, xy in places.items()],
        sources=[("g", (0, 0))],
    )
    assert s.walk("s") == ("b", 100, 100)
    assert s.upstream("b") == "a"
    s = survey(
        cables,
        sites=[("s", (200, 0))],
        switches=[("a", (99, 0), "guards=c1"), ("b", (98, 0), "guards=c1")],
        sources=[("g", (0, 0))],
    )
    assert s.walk("s") == ("a", 100, 100)


@pytest.mark.parametrize(
    ("source", "site", "nearest", "length"), [((0, 0), (50, 0), "b", 50), ((50, 0), (0, 0), "a", 200)]
)
def test_devices_in_the_middle_of_a_bent_cable_stand_in_the_order_they_are_drawn(source, site, nearest, length):
    # the cable goes up first and comes down where the devices are: seen along it, "a" comes first
    line = drawn("c1", (0, 0), (0, 100), (50, 100), (50, 0))
    s = survey(
        [line, drawn("tap", (50, 50), (90, 50))],
        sites=[("s", site)],
        switches=[("a", (50, 49)), ("b", (50, 48)), ("tie", (90, 50), "open")],
        sources=[("g", source)],
    )
    # a node of three cables: both on the upstream side
    assert s.found("ambiguous_switch") == [("a", "b")]
    assert s.walk("s") == (nearest, length, length)


# --- rule 4, open switches
# ----------------------------------------------------------------------------------------------


def test_an_open_switch_cuts_the_network():
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("w", "n1", "open", "guards=c2")],
        sources=[GRID],
    )
    assert s.walks() == {"s1": ("no_single_pole", 1, 1), "s2": "unreached"}
    assert s.found("cable_without_source") == [("c2",)]
    assert s.sections() == {}
    assert s.network.health["parts_without_source"] == 1


@pytest.mark.parametrize("kind", [(), ("three",)])
def test_an_open_point_between_two_feeders(kind):
    cables = [
        named("c1", "g", "n1", 1),
        named("c2", "n1", "n2", 2),
        named("c3", "n2", "n3", 4),
        named("c4", "n3", "h", 8),
    ]
    s = survey(
        cables,
        sites=[("s1", "n1"), ("s3", "n3")],
        switches=[("tie", "n2", "open", *kind), ("w1", "g"), ("w4", "h")],
        sources=[GRID, ("h", "h")],
    )
    assert s.walks() == {"s1": ("w1", 1, 1), "s3": ("w4", 8, 8)}
    assert s.sections() == {"w1": (["c1", "c2"], 3, ["s1"]), "w4": (["c3", "c4"], 12, ["s3"])}
    assert s.rules == set()


def test_an_open_point_at_a_site_between_two_feeders_is_a_finding():
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "h", 2)]
    s = survey(cables, sites=[("s", "n1")], switches=[("tie", "n1", "open")], sources=[GRID, ("h", "h")])
    assert s.found("open_side_unknown") == [("tie",)]
    assert s.found("closed_ring") == []
    assert s.walk("s") in {("no_single_pole", 1, 1), ("no_single_pole", 2, 2)}


@pytest.mark.parametrize("names", [("a", "b"), ("b", "a")])
def test_a_site_at_an_open_device_is_beyond_it(names):
    near, far = names
    s = survey(
        [named(near, "g", "n1", 1), named(far, "n1", "n2", 2)],
        sites=[("s1", "n1"), ("s2", "n2")],
        switches=[("w", "n1", "open")],
        sources=[GRID],
    )
    assert s.walks() == {"s1": "unreached", "s2": "unreached"}
    assert s.found("cable_without_source") == [(far,)]
    assert s.found("open_side_unknown") == [("w",)]


def test_an_open_device_among_more_than_two_cables_is_a_finding():
    s = junction(("w", "n1", "open"))
    assert s.walks() == {"s1": "unreached", "s2": "unreached", "s3": "unreached"}
    assert s.found("open_side_unknown") == [("w",)]
    assert s.found("ambiguous_switch") == []


def test_an_open_device_with_guards_is_sure():
    s = junction(("w", "n1", "open", "guards=c3"))
    assert s.walks() == {"s1": ("no_single_pole", 1, 1), "s2": ("no_single_pole", 3, 3), "s3": "unreached"}
    assert s.found("open_side_unknown") == []


def test_an_open_single_pole_device_is_no_switching_point():
    s = junction(("w", "n1", "open", "guards=c2"), ("v", "n1", "guards=c3"))
    assert list(s.sections()) == ["v"]


def test_the_way_up_of_a_device_goes_round_an_open_one():
    # the short way from g to n2 is open at n1, so that n2 is fed through c4 and its device stands there
    cables = [
        named("c1", "g", "n1", 1),
        named("c2", "n1", "n2", 1),
        named("c3", "g", "n3", 50),
        named("c4", "n3", "n2", 50),
    ]
    s = survey(cables, sites=[("s", "n2")], switches=[("tie", "n1", "open", "guards=c2"), ("w", "n2")], sources=[GRID])
    assert s.walk("s") == ("w", 0, 0)
    assert s.section("w") == (["c2"], 1, ["s"])


def test_a_switch_that_no_supply_tells_the_side_of_is_left_out_with_a_finding():
    s = survey(
        [named("c1", "n0", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n1", "n3", 4)],
        sites=[("s", "n2")],
        switches=[("w", "n1")],
    )
    (finding,) = s.findings.of("unplaced_switch")
    assert (finding.severity, finding.ids) == ("error", ("w",))
    assert s.network.health["devices_not_placed"] == 1
    assert s.walk("s") == "unreached"


def test_a_drawn_device_finding_has_a_place():
    cables = [drawn("c1", (0, 0), (50, 0)), drawn("c2", (50, 0), (90, 0)), drawn("c3", (50, 0), (50, 50))]
    s = survey(cables, switches=[("w", (50, 0))], sources=[("g", (0, 0))])
    (finding,) = s.findings.of("ambiguous_switch")
    assert finding.lon is not None
    assert junction(("w", "n1")).findings.of("ambiguous_switch")[0].lon is None


def test_the_cable_of_a_split_line_counts_as_two_at_its_cut():
    s = survey(
        [Cable("c", xy=(((0, 0), (100, 0)),))],
        sites=[("s", (100, 0))],
        switches=[("w1", (50, 0)), ("w2", (50, 1))],
        sources=[("g", (0, 0))],
    )
    # two shielded ends and two devices: one on each
    assert s.walk("s") == ("w2", 50, 50)
    assert s.upstream("w2") == "w1"


@pytest.mark.parametrize(("gang", "cutout"), [("a", "b"), ("b", "a")])
@pytest.mark.parametrize(
    ("cables", "place"),
    [
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)], ("n1", "guards=c2")),
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)], ("n1", "guards=c1")),
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)], ("n1",)),
        ([named("c1", "n1", "g", 1), named("c2", "n2", "n1", 2)], ("n1", "guards=c1")),
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n1", "n3", 4)], ("n1",)),
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)], ("g",)),
        ([named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)], ("n2",)),
    ],
    ids=["below", "above", "between", "drawn the other way", "crowded", "at the source", "at the site"],
)
def test_a_three_pole_device_and_a_cutout_in_one_place_are_the_same_whatever_their_ids(gang, cutout, cables, place):
    s = survey(
        cables, sites=[("s", "n2")], switches=[(gang, *place, "three"), (cutout, *place)], sources=[("src", "g")]
    )
    assert s.walk("s")[0] == cutout
    assert s.gang("s") == ""


def test_a_device_beside_an_open_one_tells_no_direction_on_the_other_side_of_it():
    # n1 is dead: "w" stands there with the open device, and its cable is supplied from the other end
    s = survey(
        [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2), named("c3", "n2", "n3", 4)],
        sites=[("s", "n3")],
        switches=[("o", "n1", "open", "guards=c1"), ("w", "n1", "guards=c1"), ("x", "n2")],
        sources=[("src", "g")],
    )
    assert s.walk("s") == ("x", 4, 4)


@pytest.mark.parametrize("ids", ["abc", "bca", "cab", "cba"])
def test_an_open_device_among_others_in_one_place_hides_none(ids):
    cables = [named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2)]
    open_, gang, cutout = ids
    here = ("n1", "guards=c2")
    switches = [(open_, *here, "open"), (gang, *here, "three"), (cutout, *here)]
    s = survey(cables, sites=[("s", "n2")], switches=switches, sources=[("src", "g")])
    assert s.walk("s") == (cutout, 2, 2)
    assert s.gang("s") == ""


def test_an_open_device_at_a_source_turns_the_direction_of_supply():
    """Of a three-pole device and a cutout in one place the cutout is met first from the site, from either supply."""
    s = survey(
        [named("c0", "n0", "n1", 32), named("c2", "n1", "n2", 1), named("c1", "n2", "n3", 16)],
        switches=[("w0", "n1", "three", "guards=c0"), ("w1", "n2", "open"), ("w2", "n1", "guards=c0")],
        sites=[("s", "n3")],
        sources=[("g0", "n0"), ("g2", "n2")],
    )
    assert (s.walk("s"), s.gang("s")) == (("w2", 17.0, 17.0), "")
