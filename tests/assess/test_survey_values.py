"""The assess stage on a small real export: two risers, a loop with an open point, an elbow, a gang switch."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from exports import place, tables, write_gpkg
from shapely.geometry import Point

from survey.assess.risk import operations_a_year
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

    normal = {"network": {"either_end": False}}
    row, unstudied = (site(surveyed(change, study={"run": run}, **normal), "T2") for run in (True, False))
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


def test_voltage_missing_on_cables_is_the_commonest_of_the_feeders_transformers(surveyed):
    def recorded(layers):
        layers["cables"]["cable_type"] = ""
        set_site("T4", kv=34.5)(layers)

    def missing(layers):
        recorded(layers)
        layers["cables"]["kv"] = np.nan

    result = surveyed(missing)
    assert "default_voltage" in set(result.findings.rule)
    assert site(result, "T1").cap_nf == pytest.approx(site(surveyed(recorded), "T1").cap_nf)


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
    def short(change=lambda _: None):
        """With little cable: a score at the end of its scale has no room for doubt."""

        def both(layers):
            cables = layers["cables"]
            cables.loc[cables.cable_id.isin(["C1", "C2", "C3"]), "length_m"] = 8.0
            change(layers)

        return both

    known = surveyed(short())
    doubtful = surveyed(short(set_site("T1", exc_pct=np.nan, nll_w=np.nan)))
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


def test_a_finding_of_a_three_pole_device_counts_the_sites_behind_it(surveyed):
    def change(layers):
        layers["switches"]["ops_year"] = layers["switches"]["switch_id"].map({"G1": -1.0})

    findings = surveyed(change).findings.set_index("rule")
    assert findings.ids["unusable_ops_year"] == "G1"
    assert findings.sites["unusable_ops_year"] == 1  # T2


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


def add_unit(name, phases, *, at, kva=25.0):
    """A single-phase unit at a place of the export."""

    def change(layers):
        frame = layers["transformers"]
        unit = {"site_id": name, "phases": phases, "kva": kva, "kv": 12.47, "geometry": frame["geometry"].iloc[at]}
        layers["transformers"] = pd.concat([frame, pd.DataFrame([unit])], ignore_index=True)

    return change


def all_of(*changes):
    def change(layers):
        for part in changes:
            part(layers)

    return change


def test_single_phase_rating_of_the_weakest_phase_stands_at_the_section_it_is_on(surveyed):
    some = all_of(
        add_unit("U1", "A", at=0, kva=50), add_unit("U2", "B", at=0, kva=25), add_unit("U3", "C", at=1, kva=15)
    )
    result = surveyed(some)
    assert site(result, "T1").one_phase_kva == pytest.approx(15)
    assert site(surveyed(add_unit("U1", "A", at=0)), "T1").one_phase_kva == 0
    assert set(result.sites.site_id) == set(surveyed().sites.site_id)


def test_single_phase_load_lowers_score_and_risk_but_not_the_hazard(surveyed):
    units = all_of(*(add_unit(f"U{phase}", phase, at=0, kva=400) for phase in "ABC"))
    bare, calmed = (site(surveyed(change, study={"run": True}), "T1") for change in (lambda _: None, units))
    assert calmed.hazard == bare.hazard > 0
    assert calmed.peak_loaded_pu < bare.peak_loaded_pu
    assert calmed.score == pytest.approx(bare.score * 0.5)
    assert calmed.risk < bare.risk


def test_a_unit_between_two_phases_is_a_finding_with_its_sites_and_does_not_damp(surveyed):
    result = surveyed(add_unit("U1", "AB", at=0, kva=100))
    finding = result.findings[result.findings.rule == "between_two_phases"].iloc[0]
    assert (finding.ids, finding.sites) == ("U1", 2)
    assert site(result, "T1").one_phase_kva == 0
    assert "between two phases" in site(result, "T1")["notes"]
    assert "between two phases" not in site(result, "T3")["notes"]


def test_only_a_load_declared_balanced_protects(surveyed):
    def scored(**values):
        return site(surveyed(set_site("T1", minload_kw=60.0, **values), study={"run": True}), "T1")

    undeclared, declared, denied = scored(), scored(minload_3p="yes"), scored(minload_3p="no")
    assert declared.peak_loaded_pu == undeclared.peak_loaded_pu < undeclared.peak_pu
    assert declared.score < undeclared.score == denied.score
    assert declared.risk < undeclared.risk == denied.risk
    assert "not declared three-phase" in undeclared["notes"]
    by_setting = surveyed(set_site("T1", minload_kw=60.0), study={"run": True}, limits={"minload_three_phase": True})
    assert site(by_setting, "T1").score == declared.score


def test_arresters_on_record_decide_the_reading(surveyed):
    """By a site's record or the device's; none only where every site has none."""

    def read(t1, t2, device=None):
        change = all_of(set_site("T1", arrester=t1), set_site("T2", arrester=t2))

        def with_device(layers):
            change(layers)
            layers["switches"].loc[layers["switches"].switch_id == "R1", "arrester"] = device

        return site(surveyed(with_device, study={"run": True}), "T1")

    yes, no, unknown = read("yes", "unknown"), read("no", "no"), read("no", "unknown")
    assert read("no", "no", "yes").hazard == yes.hazard != no.hazard
    assert unknown.hazard == max(yes.hazard, no.hazard)
    assert "whether arresters stand there is not known" in unknown["notes"]
    assert "whether arresters" not in yes["notes"] + no["notes"]
    assert yes.arrester_w > 0
    assert yes.arrester_s == pytest.approx(yes.arrester_s)


def test_an_arrester_code_that_is_not_known_is_unknown_and_a_finding(surveyed):
    result = surveyed(set_site("T1", arrester="perhaps"))
    assert "unknown_arrester" in set(result.findings.rule)
    assert "whether arresters stand there is not known" in site(result, "T1")["notes"]


def test_overhead_line_counts_with_its_default_and_says_how_much(surveyed):
    def overhead(layers):
        layers["cables"].loc[layers["cables"].cable_id == "C2", ["build", "cable_type"]] = ["oh", ""]

    with_line, without = (site(surveyed(overhead, electrical={"overhead_nf_km": nf_km}), "T1") for nf_km in (8.0, 0.0))
    assert with_line.cap_nf - without.cap_nf == pytest.approx(0.8, rel=1e-3)  # 100 m
    assert with_line.exposed_cable_m == without.exposed_cable_m == pytest.approx(180, abs=0.1)
    finding = surveyed(overhead).findings.set_index("rule").loc["overhead_capacitance"]
    assert "C2" in finding.ids.split()
    assert "5 nF/km" in finding.message


def test_risk_is_the_sum_over_the_points_up_the_way(surveyed):
    """Two points: the elbow worked four times a year by its record, the cutout by its kind."""

    def two_points(layers):
        end_elbow(layers)
        layers["switches"].loc[layers["switches"].switch_id == "E2", "ops_year"] = 4.0

    alike = dict.fromkeys(("customers_weight", "rating_weight", "critical_weight"), 0.0)
    # states of loops have points of their own
    score = {"ops_year": {"cutout": 0.25}, "ops_year_other": 7.0, "backfed_ops_year": 0.0} | alike
    row = site(surveyed(two_points, score=score), "T2")
    only_top = site(surveyed(two_points, score=score | {"ops_year": {"cutout": 0.0}}), "T2")
    assert row.ops_year == 0.25  # of the worst point
    assert row.risk - only_top.risk == pytest.approx(0.25 * row.hazard / 100)
    assert only_top.risk > 0
    points = surveyed(two_points, score=score).switching_points.set_index("switch_id")
    assert points.ops_year[["E2", "R1"]].tolist() == [4.0, 0.25]
    sites = surveyed(two_points, score=score).sites
    assert points.risk.sum() == pytest.approx(sites.risk.sum())


@pytest.mark.parametrize(
    ("device", "often"),
    [
        ("Fused Cutout", 0.5),
        ("Coupe-circuit fusible unipolaire", 0.5),
        ("Chave fusível", 0.5),
        ("Conector codo", 0.05),
        ("Cotovelo 200 A", 0.05),
        ("Sectionneur", 0.2),
    ],
)
def test_kinds_of_devices_are_known_by_words_of_other_languages(device, often):
    switches = pd.DataFrame({"device": [device], "ops_year": [np.nan]})
    assert operations_a_year(switches, settings=build_settings({}).score).tolist() == [often]


def test_operations_below_zero_are_a_finding_and_the_kind_counts(surveyed):
    def negative(layers):
        layers["switches"]["ops_year"] = -1.0

    result = surveyed(negative)
    assert "unusable_ops_year" in set(result.findings.rule)
    assert result.switching_points.ops_year.min() > 0


def test_load_to_hold_is_of_the_whole_section_and_named_in_the_action(surveyed):
    row = site(surveyed(limits={"load_rule": 0.2}), "T1")
    assert row.hold_kw == 120  # of 600 kVA
    assert row.load_rule_kw == pytest.approx(60)
    assert "hold at least 120 kW of load behind it (20 % of rating" in row.action
    studied = site(surveyed(study={"run": True}), "T1")
    assert studied.hold_kw >= max(90, studied.worst_load_kw)


def test_ranking_under_moved_values_is_compared():
    from survey.assess.robustness import compare_risks

    one = np.array([5.0, 4.0, 3.0, 0.0, 0.0])
    found = compare_risks(one, np.array([4.0, 5.0, 0.5, 1.0, 0.0]), first=3)
    assert found == {"sites": 4, "rank_correlation": 0.6, "first": 3, "stay": 2}
    assert compare_risks(one, one)["rank_correlation"] == 1
    assert compare_risks(one * 0, one * 0) == {"sites": 0, "rank_correlation": None, "first": 0, "stay": 0}


def test_the_address_of_a_point_goes_through(surveyed):
    def addressed(layers):
        end_elbow(layers)
        layers["switches"]["address"] = np.where(layers["switches"].switch_id == "E2", "Mill Lane 4, pole 7", None)

    points = surveyed(addressed).switching_points.set_index("switch_id")
    assert points.address[["E2", "R1"]].tolist() == ["Mill Lane 4, pole 7", ""]
    assert set(surveyed(end_elbow).switching_points.address) == {""}
