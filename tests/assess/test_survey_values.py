"""The assess stage on a small real export: two risers, a loop with an open point, an elbow, a gang switch."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from exports import place, tables, write_gpkg
from shapely.geometry import Point

from survey.physics.catalogue import Catalogue
from survey.physics.transformer import own_capacitance_f
from survey.pipeline import run_survey
from survey.settings import build_settings

OMEGA = 2 * np.pi * 60
READINGS = [
    ("delta", "three_legged"),
    ("floating_wye", "separate"),
    ("grounded_wye", "five_legged"),
    ("grounded_wye", "separate"),
]


@pytest.fixture
def surveyed(tmp_path):
    """Survey the export after changing its tables."""

    def run(change=lambda _: None, **settings):
        layers = tables()
        change(layers)
        path = write_gpkg(tmp_path / f"net{len(list(tmp_path.iterdir()))}.gpkg", layers)
        return run_survey(path, settings=build_settings({"study": {"run": False}} | settings))

    return run


def site(result, name):
    return result.sites.set_index("site_id").loc[name]


def set_site(name, **values):
    def change(layers):
        frame = layers["transformers"]
        for column, value in values.items():
            frame.loc[frame.site_id == name, column] = value

    return change


def test_what_the_screen_clears_is_studied_too(surveyed):
    """A five-legged core at nine tenths of the charging that clears it, with little exciting current, rings."""

    def change(layers):
        set_site("T2", exc_pct=0.3, nll_w=600.0)(layers)
        set_site("T1", connection="open_wye", core="separate")(layers)
        cables = layers["cables"]
        cables.loc[cables.cable_id.isin(["C1", "C2", "C3"]), "length_m"] = 8.0

    row, unstudied = (site(surveyed(change, study={"run": run}), "T2") for run in (True, False))
    assert row.screen == unstudied.screen == "clears"
    own = row.charge_loss * (600 + 540) / 600  # the column counts the loss of T1 too
    assert 0.8 < own < 1.0
    assert row.peak_pu > 1.25
    assert (row.band, unstudied.band) == ("moderate", "low")
    assert row.risk > 0 == unstudied.risk
    assert row.action.startswith("At cutout R1: open and close all three phases together")
    assert unstudied.action.startswith(
        "No action from this survey: at every single-pole switching point upstream the circuit is within"
    )


@pytest.mark.parametrize(
    ("connection", "core", "status", "says"),
    [
        ("delta", "three_legged", "assessed", "three-pole"),
        ("floating_wye", "separate", "assessed", "three-pole"),
        ("grounded_wye", "five_legged", "assessed", "three-pole"),
        ("grounded_wye", "three_legged", "assessed", "three-pole"),
        ("grounded_wye", "separate", "not_susceptible", "separate cores"),
        ("open_wye", "separate", "not_susceptible", "open wye"),
        ("open_delta", "separate", "assessed", "three-pole"),
    ],
)
def test_each_connection_and_core_has_its_status_and_reason(surveyed, connection, core, status, says):
    row = site(surveyed(set_site("T1", connection=connection, core=core)), "T1")
    assert row.status == status
    assert says in row.action


@pytest.mark.parametrize(
    ("values", "connection", "core", "rule"),
    [
        ({"connection": ""}, "delta", "three_legged", "default_connection"),
        ({"connection": "grounded_wye", "core": ""}, "grounded_wye", "five_legged", "default_core"),
    ],
)
def test_missing_construction_is_the_worst_and_opens_the_interval(surveyed, values, connection, core, rule):
    result = surveyed(set_site("T1", **values))
    row = site(result, "T1")
    assert (row.connection, row.core) == (connection, core)
    assert "assumed" in row.notes
    assert row.score_low == 0
    assert row.score > 0
    finding = result.findings[result.findings.rule == rule].iloc[0]
    assert (finding.severity, finding.ids) == ("assumed", "T1")


def test_three_legged_grounded_wye_is_a_stated_approximation(surveyed):
    result = surveyed(set_site("T1", connection="grounded_wye", core="three_legged"))
    assert result.findings[result.findings.rule == "three_legged_approximated"].ids.tolist() == ["T1"]
    assert "floating wye" in site(result, "T1").notes


@pytest.mark.parametrize(
    ("change", "status"),
    [
        (set_site("T1", kva=np.nan, connection="open_wye"), "not_susceptible"),
        (set_site("T1", kva=-1.0, geometry=Point(0, 0)), "not_assessable"),
        (set_site("T1", geometry=Point(0, 0)), "unreached"),
        (set_site("T4", kva=200.0), "no_single_pole"),
    ],
)
def test_status_in_order_of_precedence(surveyed, change, status):
    assert status in surveyed(change).sites.status.to_numpy()


def test_what_cannot_be_judged_has_no_score_and_comes_last(surveyed):
    result = surveyed(set_site("T1", kva=0.0))
    row = site(result, "T1")
    assert row["rank"] == len(result.sites)
    assert np.isnan(row.score)
    assert np.isnan(row.priority)
    assert row.band == ""
    assert row.switch_id == "R1"


def add_elbow(layers):
    elbow = {"switch_id": "E1", "poles": "single", "device": "elbow", "state": "closed", "guards": "C1"}
    place = layers["transformers"].geometry[0]
    layers["switches"] = pd.concat([layers["switches"], pd.DataFrame([elbow | {"geometry": place}])])


def end_elbow(layers):
    """An elbow between C2 and T2: behind it there is C3 alone."""
    elbow = {"switch_id": "E2", "poles": "single", "device": "elbow", "state": "closed", "guards": "C2"}
    place = layers["transformers"].geometry[1]
    layers["switches"] = pd.concat(
        [layers["switches"][layers["switches"].switch_id != "G1"], pd.DataFrame([elbow | {"geometry": place}])]
    )


def test_nearest_is_not_always_worst(surveyed):
    row = site(surveyed(end_elbow), "T2")
    assert (row.switch_id, row.worst_switch_id) == ("E2", "R1")
    assert row.exposed_cable_m == pytest.approx(100, abs=0.1)
    assert row.worst_cable_m == pytest.approx(280, abs=0.1)
    assert "nearest single-pole point is E2" in row.action


def test_points_above_too_large_a_section_do_not_count(surveyed):
    row = site(surveyed(end_elbow, limits={"worst_kva": 400}), "T2")
    assert (row.switch_id, row.worst_switch_id) == ("E2", "E2")


def test_gang_switch_between_halves_the_score_not_the_hazard(surveyed):
    def without_gang(layers):
        layers["switches"] = layers["switches"][layers["switches"].switch_id != "G1"]

    protected, bare = site(surveyed(), "T2"), site(surveyed(without_gang), "T2")
    assert protected.hazard == bare.hazard > 0
    assert protected.score == pytest.approx(bare.score / 2)
    assert protected.band == bare.band


def test_recorded_capacitance_wins_then_the_type_then_the_class(surveyed):
    own = 2 * own_capacitance_f(rating_va=300e3, voltage_v=12.47e3) * 1e9
    metres = 280.0

    def cables(**values):
        def change(layers):
            for column, value in values.items():
                layers["cables"][column] = value

        return change

    catalogue = Catalogue.load()
    of_type = catalogue.cable_capacitance_f_m(["1/0 XLPE 15kV 133%"], [12.47e3])[0][0] * 1e9
    of_class = catalogue.class_capacitance_f_m(12.47e3) * 1e9
    recorded = site(surveyed(cables(cap_nf_km=[np.nan] * 3 + [200.0] * 4)), "T1")
    typed, bare = site(surveyed(), "T1"), site(surveyed(cables(cable_type="")), "T1")
    assert recorded.cap_nf - own == pytest.approx(0.2 * metres, rel=1e-3)
    assert typed.cap_nf - own == pytest.approx(of_type * metres, rel=1e-3)
    assert bare.cap_nf - own == pytest.approx(of_class * metres, rel=1e-3)


def test_unknown_type_and_missing_type_are_assumed_findings_with_their_length(surveyed):
    def change(layers):
        layers["cables"]["cable_type"] = ["", "", "", "", "whatever", "whatever", ""]

    findings = surveyed(change).findings.set_index("rule")
    assert findings.ids["class_capacitance"].split() == ["C1", "C4"]
    assert findings.ids["unknown_cable_type"].split() == ["C2", "C3"]
    assert "0.20 km" in findings.message["unknown_cable_type"]


def test_voltage_missing_on_cables_is_taken_from_the_feeders_transformers(surveyed):
    def change(layers):
        layers["cables"]["kv"] = np.nan
        layers["cables"]["cable_type"] = ""

    result = surveyed(change)
    assert "default_voltage" in set(result.findings.rule)
    assert site(result, "T1").cap_nf > 30


def test_section_figures_follow_their_definitions(surveyed):
    row = site(surveyed(), "T1")
    farad = row.cap_nf * 1e-9
    assert row.charging_kvar == pytest.approx(OMEGA * farad * 12.47e3**2 / 1e3)
    assert row.xc_ohm == pytest.approx(1 / (OMEGA * farad))
    magnetizing = 2 * 300e3 * np.sqrt(0.005**2 - (540 / 300e3) ** 2)
    assert row.xm_ohm == pytest.approx(12.47e3**2 / magnetizing)
    assert row.xc_xm == pytest.approx(row.xc_ohm / row.xm_ohm)
    assert row.charge_loss == pytest.approx(row.charging_kvar * 1e3 / 1080)
    assert row.load_rule_kw == pytest.approx(45)
    assert (row.exposed_sites, row.exposed_kva) == (2, 600)


def test_cable_of_limit_length_just_meets_the_limit(surveyed):
    first = site(surveyed(limits={"delta_xc_xm": 2.0}), "T1")
    assert 0 < first.limit_length_m < 280

    def shortened(layers):
        for cable, share in {"C1": 80, "C2": 100, "C3": 100}.items():
            rows = layers["cables"].cable_id == cable
            layers["cables"].loc[rows, "length_m"] = first.limit_length_m * share / 280

    # the delta site's own family takes all capacitance, its own magnetizing power alone
    at_limit = surveyed(shortened, limits={"delta_xc_xm": 2.0})
    row = site(at_limit, "T1")
    magnetizing = 300e3 * np.sqrt(0.005**2 - (540 / 300e3) ** 2)
    assert magnetizing / (row.charging_kvar * 1e3) == pytest.approx(2.0, rel=1e-6)


def test_interval_contains_the_score_and_grows_with_doubt(surveyed):
    known = surveyed()
    doubtful = surveyed(set_site("T1", exc_pct=np.nan, nll_w=np.nan))
    for result in (known, doubtful):
        sites = result.sites.dropna(subset="score")
        assert (sites.score_low <= sites.score + 1e-9).all()
        assert (sites.score <= sites.score_high + 1e-9).all()
    a, b = site(known, "T1"), site(doubtful, "T1")
    assert b.score_high - b.score_low > a.score_high - a.score_low


def test_findings_say_which_sites_depend_on_them(surveyed):
    def change(layers):
        layers["cables"].loc[layers["cables"].cable_id == "C3", "cable_type"] = ""
        layers["switches"].loc[layers["switches"].switch_id == "R2", "poles"] = "both"

    findings = surveyed(change).findings.set_index("rule")
    # C3 hangs on R1 with T1 and T2; R2 is T3's nearest point
    assert findings.sites["class_capacitance"] == 2
    assert findings.sites["unknown_poles"] == 1
    assert findings.span["class_capacitance"] > 0
    assert findings.lon.notna()["class_capacitance"]


def test_findings_of_a_severity_come_with_the_weightiest_first(surveyed):
    findings = surveyed(set_site("T1", exc_pct=np.nan, nll_w=np.nan)).findings
    order = findings.severity.map({"error": 0, "warning": 1, "assumed": 2})
    assert order.is_monotonic_increasing
    for _, rows in findings.groupby("severity"):
        assert rows["span"].round(1).is_monotonic_decreasing


def test_customers_and_critical_weigh_priority_not_score(surveyed):
    plain, heavy = site(surveyed(), "T1"), site(surveyed(set_site("T1", customers=500, critical=1)), "T1")
    assert plain.score == heavy.score
    assert plain.risk < heavy.risk
    assert plain.priority < heavy.priority


def test_a_site_that_no_source_feeds_says_so(surveyed):
    def open_the_head(layers):
        frame = layers["switches"]
        frame.loc[len(frame)] = {
            "switch_id": "HEAD", "poles": "three", "device": "recloser", "state": "open", "guards": "M1",
            "geometry": Point(*place(200, 0)),
        }  # fmt: skip

    assert "no source feeds" in site(surveyed(open_the_head), "T1")["notes"]
    assert "no source feeds" not in site(surveyed(), "T1")["notes"]
    assert "no source feeds" not in site(surveyed(lambda layers: layers.pop("sources")), "T1")["notes"]


def test_the_interval_holds_whatever_the_neighbour_of_unknown_connection_is(surveyed):
    """T1 and T2 are on one section behind R1; of T2 the connection is not known, then any that there is."""

    def neighbour(connection, core):
        return site(surveyed(set_site("T2", connection=connection, core=core)), "T1")

    doubtful, known = neighbour("", ""), neighbour("delta", "three_legged")
    assert doubtful.score == pytest.approx(known.score)
    assert doubtful.score_low == pytest.approx(known.score_low)
    assert doubtful.score_high > known.score_high
    scores = [neighbour(*reading).score for reading in READINGS]
    assert max(scores) > known.score_high
    assert max(scores) <= doubtful.score_high
    assert min(scores) >= doubtful.score_low
