"""Rule 7: transformers inside the network."""

from __future__ import annotations

import pytest
from build import drawn, named, survey

GRID = ("g", "g")
CABLES = [
    named("c1", "g", "n1", 1, kv=24.9),
    named("c2", "n1", "n2", 2, kv=12.47),
    named("c3", "n2", "n3", 4, kv=12.47),
]
SITES = [("step", "n1", 24.9), ("s", "n3", 12.47)]


def test_the_walk_does_not_pass_a_step_down_transformer():
    s = survey(CABLES, sites=SITES, switches=[("w", "g")], sources=[GRID])
    assert s.walks() == {"s": "unreached", "step": ("w", 1, 1)}
    assert s.section("w") == (["c1"], 1, ["step"])
    (finding,) = s.findings.of("step_down")
    assert (finding.severity, finding.layer, finding.ids) == ("warning", "transformers", ("step",))
    assert finding.message.endswith("a source point there supplies them, where there is one")
    assert s.found("cable_without_source") == [("c2", "c3")]


def test_its_secondary_is_a_source_when_the_settings_say_so():
    s = survey(CABLES, sites=SITES, switches=[("w", "g"), ("x", "n2")], sources=[GRID], stepdown_supplies=True)
    assert s.walks() == {"s": ("x", 4, 4), "step": ("w", 1, 1)}
    assert s.section("w") == (["c1"], 1, ["step"])
    assert s.findings.of("step_down")[0].message.endswith("its secondary supplies them")


def test_its_secondary_is_a_source_when_a_source_point_says_so():
    s = survey(CABLES, sites=SITES, switches=[("w", "g")], sources=[GRID, ("h", "n1")])
    assert s.walks() == {"s": ("no_single_pole", 6, 6), "step": ("w", 1, 1)}


def test_a_step_down_transformer_in_the_middle_of_drawn_cables():
    s = survey(
        [drawn("c1", (0, 0), (100, 0), kv=24.9), drawn("c2", (100, 0), (150, 0), kv=12.47)],
        sites=[("step", (100, 1), 24.9), ("s", (150, 0), 12.47)],
        sources=[("g", (0, 0))],
        stepdown_supplies=True,
    )
    assert s.walks() == {"s": ("no_single_pole", 50, 50), "step": ("no_single_pole", 100, 100)}


@pytest.mark.parametrize("supplies", [False, True], ids=["source point", "setting"])
def test_a_device_that_guards_a_cable_of_the_secondary_stands_there(supplies):
    s = survey(
        CABLES,
        sites=SITES,
        switches=[("w", "n1", "guards=c1"), ("x", "n1", "guards=c2")],
        sources=[GRID, *([] if supplies else [("h", "n1")])],
        stepdown_supplies=supplies,
    )
    assert s.rules == {"step_down"}
    assert s.walks() == {"s": ("x", 6, 6), "step": ("w", 0, 0)}
    assert s.sections() == {"w": ([], 0, ["step"]), "x": (["c2", "c3"], 6, ["s"])}


@pytest.mark.parametrize("step", ["a", "z"])
def test_a_site_of_the_secondarys_voltage_at_the_same_node_stands_there_whatever_its_id(step):
    sites = [(step, "n1", 24.9), ("m", "n1", 12.47)]
    s = survey(
        CABLES, sites=sites, switches=[("w", "g"), ("x", "n1", "guards=c2")], sources=[GRID], stepdown_supplies=True
    )
    assert s.findings.of("step_down")[0].ids == (step,)
    assert s.walks() == {"m": ("no_single_pole", 0, 0), step: ("w", 1, 1)}


@pytest.mark.parametrize("bad", [0.48, 124.7, 0.0249])
def test_a_record_out_of_line_beside_a_step_down_moves_nothing(bad):
    plain = survey(CABLES, sites=SITES, switches=[("w", "g")], sources=[GRID], stepdown_supplies=True)
    s = survey(
        CABLES, sites=[*SITES, ("odd", "n1", bad)], switches=[("w", "g")], sources=[GRID], stepdown_supplies=True
    )
    assert s.walks() == {**plain.walks(), "odd": plain.walk("step")}


@pytest.mark.parametrize("kv", [12.47, 13.2, 11, float("nan")])
def test_voltages_close_by_or_unknown_are_no_transformer(kv):
    s = survey(
        [*CABLES[:0], named("c1", "g", "n1", 1), named("c2", "n1", "n2", 2, kv=kv)], sites=[("s", "n1")], sources=[GRID]
    )
    assert s.rules == set()


def test_a_site_of_another_voltage_than_every_cable_there_is_a_finding():
    s = survey([named("c1", "g", "n1", 1, kv=24.9)], sites=[("s", "n1", 12.47)], sources=[GRID])
    (finding,) = s.findings.of("voltage_differs")
    assert (finding.severity, finding.layer, finding.ids) == ("warning", "transformers", ("s",))
    assert s.walk("s") == ("no_single_pole", 1, 1)
    assert s.found("step_down") == []
