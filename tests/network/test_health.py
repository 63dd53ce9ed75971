"""The health of a network: parts, dead ends, sites without a supply, devices that control nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from build import drawn, survey, tables

from survey.findings import FindingList
from survey.network import build_network
from survey.network.supply import NAMED
from survey.settings import NetworkSettings

MAIN = drawn("M", (0, 0), (400, 0), build="oh")
SOURCE = ("Q", (0.0, 0.0))


def only(s, rule):
    (finding,) = s.findings.of(rule)
    return finding


def test_parts_are_counted_with_and_without_a_source():
    cables = [MAIN, drawn("N", (0, 500), (400, 500)), drawn("A", (0, 900), (80, 900)), drawn("B", (80, 900), (80, 950))]
    s = survey(cables, sources=[SOURCE, ("P", (0.0, 500.0))], sites=[("T", (80.0, 950.0))])
    assert s.network.health["parts_with_source"] == 2
    assert s.network.health["parts_without_source"] == 1
    assert s.network.health["sites_without_supply"] == 1
    found = only(s, "cable_without_source")
    assert found.ids == ("A", "B")
    assert "way to a source in the normal state: 1, 130 m of cable and line, sites: 1 (largest, of" in found.message


def test_parts_without_a_source_are_one_finding_that_names_those_with_most_to_lose():
    strays = [drawn(f"X{k:02d}", (0, 100 + 20 * k), (100 - k, 100 + 20 * k)) for k in range(NAMED + 3)]
    s = survey([MAIN, *strays], sources=[SOURCE], sites=[("T", (94.0, 220.0))])
    found = only(s, "cable_without_source")
    assert found.ids == tuple(f"X{k:02d}" for k in range(NAMED + 3))
    assert "8, 772 m of cable and line, sites: 1 (largest, of cables 'X06' 94 m, sites: 1; 'X00' 100 m" in found.message
    assert found.message.count(", sites:") == NAMED + 1


def test_a_part_behind_an_open_device_is_one_without_a_source():
    cables = [MAIN, drawn("A", (400, 0), (400, 80))]
    s = survey(cables, sources=[SOURCE], switches=[("S", (400.0, 0.0), "open", "guards=A")])
    assert (s.network.health["parts_with_source"], s.network.health["parts_without_source"]) == (1, 1)


def test_a_dead_end_of_three_phase_cable_is_told():
    cables = [MAIN, drawn("A", (400, 0), (400, 80)), drawn("B", (200, 0), (200, 50), phases="A")]
    s = survey(cables, sources=[SOURCE])
    found = only(s, "dead_end")
    assert found.ids == ("A",)
    assert found.message.startswith("ends of three-phase shielded cable with no site, other transformer, device or")
    assert "80 m in the last pieces, at most 80 m in one" in found.message
    assert (found.lon, found.lat) == s.tables.lonlat(np.array([400.0, 80.0]))
    assert s.network.health["dead_ends_with_nothing"] == 2


@pytest.mark.parametrize(
    "layers", [{"sites": [("T", (400.0, 80.0))]}, {"switches": [("S", (400.0, 80.0))]}], ids=["site", "device"]
)
def test_an_end_with_something_at_it_is_none(layers):
    s = survey([MAIN, drawn("A", (400, 0), (400, 80))], sources=[SOURCE], **layers)
    assert not s.found("dead_end")
    assert s.network.health["dead_ends_with_nothing"] == 0


def with_unit(unit_xy, **layers):
    clean = tables([MAIN, drawn("A", (400, 0), (400, 80))], sources=[SOURCE], **layers)
    findings = FindingList()
    units = np.array([unit_xy], float)
    network = build_network(replace(clean, other_units=units), settings=NetworkSettings(), findings=findings)
    return network.health, {f.rule for f in findings}


def test_a_transformer_that_is_no_site_is_something_at_an_end():
    health, rules = with_unit((401.0, 82.0))
    assert health["dead_ends_with_nothing"] == 0
    assert "dead_end" not in rules
    assert "dead_end" in with_unit((401.0, 182.0))[1]


def test_a_device_with_nothing_beyond_controls_nothing():
    s = survey([MAIN, drawn("A", (400, 0), (400, 80))], sources=[SOURCE], switches=[("S", (400.0, 80.0))])
    found = only(s, "nothing_beyond")
    assert (found.ids, found.layer, found.severity) == (("S",), "switches", "warning")
    assert s.network.health["devices_that_control_nothing"] == 1


@pytest.mark.parametrize(
    ("sites", "switch"),
    [
        pytest.param([("T", (400.0, 80.0))], ("S", (400.0, 80.0)), id="a site beyond"),
        pytest.param([], ("S", (400.0, 0.0), "guards=A"), id="cable beyond"),
        pytest.param([], ("S", (400.0, 80.0), "open"), id="open"),
    ],
)
def test_other_devices_control_something(sites, switch):
    s = survey([MAIN, drawn("A", (400, 0), (400, 80))], sources=[SOURCE], sites=sites, switches=[switch])
    assert not s.found("nothing_beyond")
    assert s.network.health["devices_that_control_nothing"] == 0


def test_a_cutout_of_a_single_phase_transformer_controls_it():
    health, rules = with_unit((400.0, 81.0), switches=[("S", (400.0, 80.0))])
    assert health["devices_that_control_nothing"] == 0
    assert "nothing_beyond" not in rules


def test_where_the_supply_is_unknown_no_device_is_said_to_control_nothing():
    s = survey([drawn("A", (400, 0), (400, 80))], switches=[("S", (400.0, 80.0))])
    assert not s.found("nothing_beyond")


def test_an_empty_network_is_in_no_bad_health():
    health = survey([]).network.health
    assert not any(health.values())
