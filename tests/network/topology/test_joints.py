"""Rule 1: which ends are one node, tees, and where points stand."""

from __future__ import annotations

import numpy as np
import pytest
from build import Cable, drawn, named, survey

FEED = ("g", (0, 0))


def test_ends_within_the_tolerance_are_one_node():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100.25, 0), (200, 0))], sites=[("s", (200, 0))], sources=[FEED]
    )
    assert s.walks() == {"s": ("no_single_pole", 199.75, 199.75)}
    assert s.path("s") == ["c2", "c1"]
    assert s.rules == set()


def test_ends_exactly_at_the_tolerance_are_one_node():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100.5, 0), (200, 0))], sites=[("s", (200, 0))], sources=[FEED]
    )
    assert s.walk("s") == ("no_single_pole", 199.5, 199.5)


def test_ends_beyond_the_tolerance_stay_apart():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100.51, 0), (200, 0))], sites=[("s", (200, 0))], sources=[FEED]
    )
    assert s.walk("s") == "unreached"
    assert s.found("cable_without_source") == [("c2",)]
    assert s.found("site_without_supply") == [("s",)]


def test_the_tolerance_is_a_setting():
    s = survey(
        [drawn("c1", (0, 0), (100, 0)), drawn("c2", (102, 0), (200, 0))],
        sites=[("s", (200, 0))],
        sources=[FEED],
        snap_m=2,
    )
    assert s.walk("s") == ("no_single_pole", 198, 198)


def test_a_tolerance_of_zero_joins_equal_ends_only():
    cables = [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100, 0), (200, 0)), drawn("c3", (200.001, 0), (300, 0))]
    s = survey(cables, snap_m=0)
    assert s.joined(("c1", 1), ("c2", 0))
    assert not s.joined(("c2", 1), ("c3", 0))


def test_joining_is_transitive_and_a_wide_joint_is_a_finding():
    cables = [
        drawn("c1", (0, 0), (100, 0)),
        drawn("c2", (100.4, 0), (200, 50)),
        drawn("c3", (100.8, 0), (200, 0)),
    ]
    s = survey(cables, sites=[("s", (200, 0))], sources=[FEED])
    assert s.joined(("c1", 1), ("c2", 0), ("c3", 0))
    assert s.walk("s") == ("no_single_pole", 199.2, 199.2)
    (finding,) = s.findings.of("wide_joint")
    assert (finding.severity, finding.layer, finding.ids) == ("warning", "cables", ("c1", "c2", "c3"))
    assert finding.message.startswith(
        "joints wider than the snapping tolerance of 0.5 m: 1 (widest: 3 ends over 0.80 m)"
    )
    assert finding.lon is not None


def test_a_joint_of_very_many_ends_is_measured_by_its_extent():
    s = survey([drawn(f"c{k:03}", (0.01 * k, 0), (0.01 * k, 10)) for k in range(402)], snap_m=0.1)
    (found,) = s.findings.of("wide_joint")
    assert ": 2 (widest: 402 ends over 4.01 m)" in found.message


def test_wide_joints_are_one_finding_at_the_widest():
    ends = [(0.0, 0.9), (900.0, 1.1), (500.0, 0.9)]
    bent = [
        drawn(f"c{k}{j}", (x + dx, 0), (x + 9 * j, 99))
        for k, (x, w) in enumerate(ends)
        for j, dx in enumerate((0, w / 2, w))
    ]
    s = survey(bent, snap_m=0.6)
    (found,) = s.findings.of("wide_joint")
    assert found.ids == ("c00", "c01", "c02", "c10", "c11", "c12", "c20", "c21", "c22")
    assert ": 3 (widest: 3 ends over 1.10 m)" in found.message
    assert (found.lon, found.lat) == s.tables.lonlat(np.array([900.0, 0.0]))


def test_a_joint_whose_extent_is_wide_only_cornerwise_is_none():
    # the bounding box has a diagonal of 0.57 m, no two ends are further apart than 0.41 m
    ends = [(0, 0.2), (0.4, 0.2), (0.2, 0), (0.2, 0.4)]
    s = survey([drawn(f"c{k}", xy, (10 * k, 50)) for k, xy in enumerate(ends)])
    assert s.joined(*((f"c{k}", 0) for k in range(4)))
    assert s.found("wide_joint") == []


def test_a_tee_splits_the_other_cable_and_shares_its_recorded_length_as_drawn():
    s = survey(
        [drawn("main", (0, 0), (100, 0), length_m=120), drawn("tap", (40, 0.4), (40, 50))],
        sites=[("s", (40, 50)), ("t", (100, 0))],
        sources=[FEED],
    )
    assert s.pieces("main") == [48, 72]
    assert s.walks() == {"s": ("no_single_pole", 97.6, 97.6), "t": ("no_single_pole", 120, 120)}
    assert s.network.health["tees"] == 1


def test_a_tee_by_either_end_of_the_tap():
    s = survey(
        [drawn("main", (0, 0), (100, 0)), drawn("tap", (40, 50), (40, 0))], sites=[("s", (40, 50))], sources=[FEED]
    )
    assert s.walk("s") == ("no_single_pole", 90, 90)


def test_a_tee_at_a_bend():
    s = survey(
        [drawn("main", (0, 0), (30, 40), (60, 0)), drawn("tap", (30, 40), (30, 90))],
        sites=[("s", (30, 90))],
        sources=[FEED],
    )
    assert s.pieces("main") == [50, 50]
    assert s.walk("s") == ("no_single_pole", 100, 100)


def test_a_tap_that_ends_beyond_the_tolerance_is_no_tee():
    s = survey(
        [drawn("main", (0, 0), (100, 0)), drawn("tap", (40, 0.6), (40, 50))], sites=[("s", (40, 50))], sources=[FEED]
    )
    assert s.pieces("main") == [100]
    assert s.walk("s") == "unreached"


def test_cables_that_cross_are_not_joined():
    s = survey(
        [drawn("main", (0, 0), (100, 0)), drawn("other", (50, -50), (50, 50))],
        sites=[("s", (50, 50)), ("t", (100, 0))],
        sources=[FEED],
    )
    assert s.walks() == {"s": "unreached", "t": ("no_single_pole", 100, 100)}
    assert (s.pieces("main"), s.pieces("other")) == ([100], [100])


def test_an_end_that_touches_two_crossing_cables_joins_both():
    cables = [
        drawn("c1", (0, 0), (100, 0)),
        drawn("c2", (50, -50), (50, 50)),
        drawn("c3", (50.1, 0.1), (90, 30.5)),
    ]
    s = survey(cables, sites=[("s", (50, 50))], sources=[FEED])
    assert s.pieces("c1") == [50.1, 49.9]
    assert s.pieces("c2") == [50.1, 49.9]
    assert s.walk("s") == ("no_single_pole", 100, 100)


def test_two_taps_at_one_place_are_one_joint_with_the_main():
    cables = [
        drawn("main", (0, 0), (100, 0)),
        drawn("north", (40, 0.4), (40, 50)),
        drawn("south", (40, -0.4), (40, -50)),
    ]
    s = survey(cables, sites=[("s", (40, 50)), ("t", (40, -50))], switches=[("w", (40, -0.4))], sources=[FEED])
    assert s.joined(("north", 0), ("south", 0))
    # four cable ends at one joint: the device stands on the upstream side
    assert s.found("wide_joint") == [("north", "south")]
    assert s.found("ambiguous_switch") == [("w",)]
    assert s.walks() == {"s": ("w", 49.6, 49.6), "t": ("w", 49.6, 49.6)}
    assert s.section("w") == (["main", "north", "south"], 159.2, ["s", "t"])
    assert s.pieces("main") == [40, 60]


def test_the_parts_of_a_cable_that_do_not_meet_are_joined_by_what_touches_them():
    parts = Cable("c1", xy=(((0, 0), (10, 0)), ((50, 0), (60, 0))), length_m=40)
    s = survey([parts, drawn("c2", (10, 0), (50, 0))], sites=[("s", (60, 0))], sources=[FEED])
    assert s.pieces("c1") == [20, 20]
    assert s.walk("s") == ("no_single_pole", 80, 80)
    assert s.path("s") == ["c1", "c2", "c1"]


def test_a_cable_whose_end_comes_back_to_its_own_middle_makes_no_tee():
    s = survey([drawn("c", (0, 0), (100, 0), (100, 30), (50, 30), (50, 0.2))], sites=[("s", (50, 0))], sources=[FEED])
    assert s.pieces("c") == [209.8]
    assert s.walk("s") == ("no_single_pole", 209.8, 209.8)


# --- node ids
# -----------------------------------------------------------------------------------------------------------


def test_node_ids_are_the_topology_whatever_is_drawn():
    cables = [
        Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),)),
        Cable("c2", ("n2", "n3"), (((500, 0), (600, 0)),)),
        Cable("c3", ("n4", "n5"), (((100, 0), (150, 0)),)),
    ]
    s = survey(cables, sites=[("s", "n3"), ("t", "n5")], sources=[("g", "n1")])
    assert s.walks() == {"s": ("no_single_pole", 200, 200), "t": "unreached"}


def test_free_ends_join_the_named_end_they_are_drawn_at():
    cables = [Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),)), drawn("c2", (100.25, 0), (150, 0))]
    s = survey(cables, sites=[("s", (150, 0))], sources=[("g", "n1")])
    assert s.walk("s") == ("no_single_pole", 149.75, 149.75)


def test_a_free_end_near_two_named_ends_joins_the_nearer():
    cables = [
        Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),)),
        Cable("c2", ("n3", "n4"), (((200, 0), (100.6, 0)),)),
        drawn("c3", (100.25, 0), (100.25, 50)),
    ]
    s = survey(cables)
    assert s.joined(("c1", 1), ("c3", 0))
    assert not s.joined(("c2", 1), ("c3", 0))


def test_a_free_end_makes_a_tee_on_a_named_cable():
    cables = [Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),)), drawn("c2", (30, 0), (30, 40))]
    s = survey(cables, sites=[("s", (30, 40))], sources=[("g", "n1")])
    assert s.walk("s") == ("no_single_pole", 70, 70)


def test_a_named_end_makes_no_tee():
    cables = [drawn("c1", (0, 0), (100, 0)), Cable("c2", ("n1", "n2"), (((30, 0), (30, 40)),))]
    s = survey(cables, sites=[("s", "n2")], sources=[FEED])
    assert s.walk("s") == "unreached"


def test_a_cable_by_node_ids_needs_no_drawing():
    s = survey([named("c1", "n1", "n2", 70), named("c2", "n2", "n3", 30)], sites=[("s", "n3")], sources=[("g", "n1")])
    assert s.walk("s") == ("no_single_pole", 100, 100)
    assert s.rules == set()


def test_a_cable_of_several_lines_by_node_ids_is_one_piece():
    several = Cable("c2", ("n2", "n3"), (((0, 0), (10, 0)), ((20, 0), (35, 0))))
    s = survey([named("c1", "n1", "n2", 70), several], sites=[("s", "n3")], sources=[("g", "n1")])
    assert s.pieces("c2") == [25]
    assert s.walk("s") == ("no_single_pole", 95, 95)


# --- points
# -------------------------------------------------------------------------------------------------------------


def test_a_point_takes_the_nearest_node_before_any_cable():
    # the cable itself passes at 1 m, its end is 4 m away
    s = survey([drawn("c", (0, 0), (100, 0))], sites=[("s", (96.2, 1))], sources=[FEED])
    assert s.walk("s") == ("no_single_pole", 100, 100)
    assert s.pieces("c") == [100]


def test_a_point_takes_the_nearest_of_several_nodes():
    cables = [drawn("c1", (0, 0), (100, 0)), drawn("c2", (100, 0), (104, 0)), drawn("c3", (104, 0), (200, 0))]
    s = survey(cables, sites=[("s", (101.9, 0)), ("t", (102.1, 0))], sources=[FEED])
    assert s.walks() == {"s": ("no_single_pole", 100, 100), "t": ("no_single_pole", 104, 104)}


def test_a_point_far_from_any_node_splits_the_cable_it_stands_at():
    s = survey([drawn("c", (0, 0), (100, 0), length_m=200)], sites=[("s", (30, 5))], sources=[FEED])
    assert s.pieces("c") == [60, 140]
    assert s.walk("s") == ("no_single_pole", 60, 60)


def test_a_point_takes_the_nearest_of_several_cables():
    cables = [drawn("c1", (0, 0), (100, 0)), drawn("c2", (0, 0), (100, 6))]
    s = survey(cables, sites=[("s", (50, 2.9))], sources=[FEED])
    assert s.path("s") == ["c2"]
    assert len(s.pieces("c1")) == 1


def test_points_at_one_place_of_a_cable_share_one_node():
    # a node of two cables: the device stands between them, the site there is beyond it
    s = survey(
        [drawn("c", (0, 0), (100, 0))],
        sites=[("s", (30, 2)), ("t", (100, 0))],
        switches=[("w", (30.2, -1))],
        sources=[FEED],
    )
    assert s.pieces("c") == [30, 70]
    assert s.walks() == {"s": ("w", 0, 0), "t": ("w", 70, 70)}
    assert s.section("w") == (["c"], 70, ["s", "t"])


def test_points_further_apart_along_a_cable_have_a_node_each():
    s = survey([drawn("c", (0, 0), (100, 0))], sites=[("s", (30, 2)), ("t", (31, 2))], sources=[FEED])
    assert s.pieces("c") == [30, 1, 69]


def test_a_point_beside_a_tee_stands_at_the_tee():
    cables = [drawn("main", (0, 0), (100, 0)), drawn("tap", (40, 0.2), (40, 50))]
    s = survey(cables, sites=[("s", (41, 1))], sources=[FEED])
    assert s.pieces("main") == [40, 60]
    assert s.walk("s") == ("no_single_pole", 40, 40)


def test_a_source_in_the_middle_of_a_cable():
    s = survey([drawn("c", (0, 0), (100, 0))], sites=[("s", (0, 0)), ("t", (100, 0))], sources=[("g", (30, 3))])
    assert s.walks() == {"s": ("no_single_pole", 30, 30), "t": ("no_single_pole", 70, 70)}


@pytest.mark.parametrize("layer", ["transformers", "switches", "sources"])
def test_a_point_out_of_reach_is_a_finding(layer):
    far = ("x", (50, 5.1))
    more = {{"transformers": "sites"}.get(layer, layer): [far]}
    s = survey([drawn("c", (0, 0), (100, 0))], **{"sources": [FEED], **more})
    (finding,) = s.findings.of("out_of_reach")
    assert (finding.severity, finding.layer, finding.ids) == ("error", layer, ("x",))
    assert finding.message == (
        f"1 {layer} with no cable within 5 m (nearest within 50 m: 'x' 5.1 m from 'c'; with neither a place nor a "
        "known node id: 0); not connected to the network; correct their places or raise network.pickup_m"
    )
    assert finding.lon is not None


def test_out_of_reach_names_the_nearest_cable_if_there_is_one_near():
    cables = [drawn("c", (0, 0), (100, 0)), drawn("d", (0, 40), (100, 40)), named("e", "n1", "n2", 5)]
    s = survey(cables, sites=[("s", (50, 28)), ("t", (50, 95))], sources=[FEED])
    (found,) = s.findings.of("out_of_reach")
    assert found.ids == ("s", "t")
    assert "nearest within 50 m: 's' 12.0 m from 'd'; with neither" in found.message
    assert (found.lon, found.lat) == tuple(s.tables.transformers[["lon", "lat"]].iloc[0])


def test_out_of_reach_means_unreached_and_without_effect():
    s = survey(
        [drawn("c", (0, 0), (100, 0))],
        sites=[("far", (50, 90)), ("near", (100, 0))],
        switches=[("w", (50, 90))],
        sources=[FEED],
    )
    assert s.walks() == {"far": "unreached", "near": ("no_single_pole", 100, 100)}
    assert s.network.health["devices_not_placed"] == 1


def test_the_pick_up_tolerance_is_a_setting():
    s = survey([drawn("c", (0, 0), (100, 0))], sites=[("s", (100, 9))], sources=[FEED], pickup_m=9)
    assert s.walk("s") == ("no_single_pole", 100, 100)


def test_a_point_with_a_node_id_stands_there_wherever_it_is_drawn():
    cables = [Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),)), Cable("c2", ("n2", "n3"), (((100, 0), (200, 0)),))]
    s = survey(cables, sites=[("s", "n3")], sources=[("g", "n1")])
    assert s.walk("s") == ("no_single_pole", 200, 200)


def test_an_unknown_node_id_is_a_finding_and_the_drawn_place_is_used():
    clean = [Cable("c1", ("n1", "n2"), (((0, 0), (100, 0)),))]
    s = survey(clean, sites=[("s", "n9")], sources=[("g", "n1")])
    assert s.found("unknown_node") == [("s",)]
    assert "first: 'n9'" in s.findings.of("unknown_node")[0].message
    assert s.found("out_of_reach") == [("s",)]
    assert "with neither a place nor a known node id: 1" in s.findings.of("out_of_reach")[0].message
    s = survey(clean, sites=[("s", "n9", (100, 1))], sources=[("g", "n1")])
    assert s.found("unknown_node") == [("s",)]
    assert s.walk("s") == ("no_single_pole", 100, 100)


def test_points_where_nothing_is_drawn_are_out_of_reach():
    s = survey([named("c", "n1", "n2", 10)], sites=[("s", (0, 0))], sources=[("g", "n1")])
    assert s.found("out_of_reach") == [("s",)]


def test_no_cables_at_all():
    s = survey([], sites=[("s", (0, 0))], switches=[("w", (0, 0))], sources=[FEED])
    assert s.walk("s") == "unreached"
    assert sorted(f.layer for f in s.findings.of("out_of_reach")) == ["sources", "switches", "transformers"]


def test_nothing_at_all():
    s = survey([])
    assert s.walks() == {}
    assert s.rules == {"no_sources"}
