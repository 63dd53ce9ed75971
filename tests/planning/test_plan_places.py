"""The plan against every install that a what-if can name, on small networks as records have them."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_export import Export, lateral, meshed, wild

from survey.assess.ties.verdict import all_chains
from survey.cli import main
from survey.errors import ModelError
from survey.findings import FindingList
from survey.planning.candidates import conversions, find_candidates, weigh
from survey.planning.exposure import find_chains
from survey.planning.greedy import choose_greedily
from survey.planning.milp import Programme
from survey.planning.planning import install_changes, make_terms, resurvey
from survey.planning.terms import PlanRequest
from survey.read import read_network
from survey.settings import build_settings
from survey.what_if.edits import Change, apply_changes, read_changes

SAMPLE = Path(__file__).parents[2] / "sample_data" / "network.gpkg"


def surveyed(path, **more):
    used = build_settings({"study": {"run": False}, **more})
    tables = read_network(path, settings=used, findings=FindingList())
    return used, tables, resurvey(tables, settings=used)


def every_place(tables):
    ends = [f"cable:{c}:{end}" for c in tables.cables["cable_id"] for end in ("from", "to")]
    return [*(f"site:{i}" for i in tables.transformers["site_id"]), *ends]


def every_install(base, tables, *, request, settings):
    """Candidates of all points and all places, none left out."""
    terms = {"request": request, "settings": settings, "counted": np.ones(len(base.sites), bool)}
    loops = all_chains(base.assessment.frame)
    chains = find_chains(base.network, base.assessment, settings=settings, counted=terms["counted"], loops=loops)
    convert = conversions(base.network, chains, request=request, settings=settings)
    return weigh(base.network, base.assessment, every_place(tables), convert=convert, **terms)


def drawn_request(seed, tables, base):
    """Random costs, lists and shares, adding cheaper than replacing as a rule."""
    rng = np.random.default_rng(seed)
    ids = tables.switches.loc[tables.switches["single_pole"], "switch_id"].tolist()
    sites = tables.transformers["site_id"].tolist()
    costs = {"three_pole": float(rng.uniform(0.5, 2)), "add_three_pole": float(rng.uniform(0.3, 1.2))}
    costs |= {i: float(rng.uniform(0.3, 3)) for i in [*ids, *sites] if rng.random() < 0.3}
    never = {i for i in ids if rng.random() < 0.25}
    exposed = base.sites.loc[base.sites["score"] > 0, "site_id"].tolist()
    must = {i for i in exposed if rng.random() < 0.15}
    shares = {"least": {}, "most": {}}
    if rng.random() < 0.5:
        shares = {"least": {"North": float(rng.uniform(0, 0.3))}, "most": {"South": float(rng.uniform(0.3, 1))}}
    budget = float(rng.uniform(0.5, 3)) + sum(costs.get(i, costs["add_three_pole"]) for i in must)
    return PlanRequest(budget=budget, costs=costs, must=frozenset(must), never=frozenset(never), **shares)


def least_risk(candidates, request):
    """Of the exact choice, and the choice; no number where no choice keeps the terms."""
    try:
        found = Programme(candidates.problem).solve(make_terms(candidates.table, request))
    except ModelError:
        return np.nan, np.zeros(candidates.problem.n, bool)
    return found.risk, found.chosen


WILD = (3, 17, 29, 41, 53, 65, 77, 89, 101, 220)


@pytest.mark.parametrize(
    ("export", "worst_kva"),
    [(partial(wild, seed, cables=8), (2500, 500)[k % 2]) for k, seed in enumerate(WILD)]
    + [(partial(meshed, seed), (400, 2500)[seed % 3 == 0]) for seed in range(12)],
)
def test_no_place_that_a_what_if_can_name_makes_a_better_plan(tmp_path, export, worst_kva):
    path, seed = export().write(tmp_path / "n.gpkg"), export.args[0]
    score = {"gang_trust": 0.6, "backfed_ops_year": 0.3}
    used, tables, base = surveyed(path, score=score, limits={"worst_kva": worst_kva})
    request = drawn_request(seed, tables, base)
    counted = np.ones(len(base.sites), bool)
    few = find_candidates(base.network, base.assessment, settings=used, request=request, counted=counted)
    every = every_install(base, tables, request=request, settings=used)
    risk, chosen = least_risk(few, request)
    assert risk == pytest.approx(least_risk(every, request)[0], abs=1e-6, nan_ok=True)
    assert risk_after(tables, install_changes(few.table[chosen]), used) == pytest.approx(few.problem.risk(chosen))
    any_choice = np.random.default_rng(seed).random(every.problem.n) < 0.3
    promised = every.problem.risk(any_choice)
    assert risk_after(tables, install_changes(every.table[any_choice]), used) == pytest.approx(promised, abs=1e-9)
    refuse_better_greedy(few, make_terms(few.table, request), risk)


def test_a_normally_open_point_and_an_install_on_one_side_are_credited_in_every_state(tmp_path):
    # K1 and K2 feed the loop from its two ends, N is open: made three-pole, N protects nobody in the normal state
    e = Export()
    at = [np.array([200.0 * k, 10.0 * k * k]) for k in range(6)]
    for k in range(5):
        e.cable(f"C{k}", at[k], at[k + 1], 300)
    e.switch("K1", at[0], "C0")
    e.switch("N", at[2], "C2", state="open")
    e.switch("K2", at[5], "C4")
    for k in (1, 3):
        e.site(f"T{k}", at[k], customers=20)
    e.source("A", at[0])
    e.source("B", at[5])
    found, used, tables, base = candidates_of(e.write(tmp_path / "n.gpkg"), PlanRequest(budget=1))
    n, k1 = ((found.table["id"] == name).to_numpy() for name in ("N", "K1"))
    assert n.sum() == k1.sum() == 1
    for chosen in (n, k1):
        after = resurvey(apply_changes(tables, install_changes(found.table[chosen])), settings=used)
        assert (after.sites["tie_risk"] < base.sites["tie_risk"]).all()
        assert found.problem.risk(chosen) == pytest.approx(after.sites["risk"].sum())


def refuse_better_greedy(candidates, terms, risk):
    """The greedy choice keeps the same terms or says which it misses, and never leaves less."""
    if terms.cost[terms.must].sum() > terms.budget:
        return
    greedy = choose_greedily(candidates.problem, terms)
    taken = np.isin(np.arange(candidates.problem.n), greedy.candidate)
    spent = {share.name: terms.cost[taken & share.members].sum() for share in terms.shares}
    missed = [share.name for share in terms.shares if spent[share.name] < share.least - 1e-9]
    assert list(greedy.short) == missed
    assert missed or np.isnan(risk) or greedy.risk[-1] >= risk - 1e-6


@pytest.mark.parametrize(
    ("shares", "chosen"),
    [({}, "K1"), ({"least": {"South": 1.0}}, "K3"), ({"most": {"North": 0.5}}, "K3")],
)
def test_shares_of_districts_decide_for_the_plan_and_for_the_greedy_way(tmp_path, shares, chosen):
    request = PlanRequest(budget=1, **shares)
    found, *_ = candidates_of(lateral().write(tmp_path / "n.gpkg"), request)
    terms = make_terms(found.table, request)
    assert found.table["id"][Programme(found.problem).solve(terms).chosen].tolist() == [chosen]
    assert found.table["id"].iloc[choose_greedily(found.problem, terms).candidate].tolist() == [chosen]


def candidates_of(path, request, **more):
    used, tables, base = surveyed(path, **more)
    counted = np.ones(len(base.sites), bool)
    found = find_candidates(base.network, base.assessment, settings=used, request=request, counted=counted)
    return found, used, tables, base


def risk_after(tables, changes, settings):
    after = resurvey(apply_changes(tables, changes), settings=settings)
    return float(np.nansum(after.sites["risk"].to_numpy(float)))


CHEAP = PlanRequest(budget=0.5, costs={"three_pole": 2.0, "add_three_pole": 0.5})


def test_a_device_added_for_a_site_at_a_riser_stands_on_its_supply_side(tmp_path):
    e = Export()
    a, b, c = np.array([300.0, 0]), np.array([600.0, 0]), np.array([600.0, 250])
    e.cable("under", np.zeros(2), a, 250)
    e.cable("over", a, b, 300, build="oh")
    e.cable("lateral", b, c, 200)
    e.switch("K", np.zeros(2), "under")
    e.site("T", b)
    e.source("SRC", np.zeros(2))
    found, used, tables, base = candidates_of(e.write(tmp_path / "n.gpkg"), CHEAP)
    before = float(np.nansum(base.sites["risk"].to_numpy(float)))
    assert before > 0
    assert found.table["at"].tolist() == ["", "site:T"]
    add = install_changes(found.table[found.table["kind"] == "add_three_pole"])
    assert risk_after(tables, add, used) == pytest.approx(before * (1 - used.score.gang_trust))


def test_a_device_in_series_with_a_cutout_that_names_no_cable_helps_all_beyond_it(tmp_path):
    # K stands at a node of three cables: a device between it and the node is passed by both sites, no cable's is
    e = Export()
    a, b, c = np.array([300.0, 0]), np.array([450.0, 120]), np.array([450.0, -120])
    e.cable("feeding", np.zeros(2), a, 250)
    e.cable("one", a, b, 200)
    e.cable("two", a, c, 180)
    e.switch("K", a, "")
    e.site("T1", b)
    e.site("T2", c)
    e.source("SRC", np.zeros(2))
    found, used, tables, base = candidates_of(e.write(tmp_path / "n.gpkg"), CHEAP)
    assert "cable:feeding:to" in set(found.table["at"])
    terms = make_terms(found.table, CHEAP)
    chosen = Programme(found.problem).solve(terms).chosen
    before = float(np.nansum(base.sites["risk"].to_numpy(float)))
    after = risk_after(tables, install_changes(found.table[chosen]), used)
    assert after == pytest.approx(before * (1 - used.score.gang_trust))
    assert chosen.sum() == 1


def test_a_site_that_must_get_no_device_gets_none_under_another_name(tmp_path):
    request = PlanRequest(budget=5, costs={"three_pole": 9.0, "add_three_pole": 0.5}, never=frozenset({"T3"}))
    found, used, tables, base = candidates_of(lateral().write(tmp_path / "n.gpkg"), request)
    chosen = Programme(found.problem).solve(make_terms(found.table, request)).chosen
    after = resurvey(apply_changes(tables, install_changes(found.table[chosen])), settings=used)
    lower = after.sites["score"].to_numpy(float) < base.sites["score"].to_numpy(float)
    assert base.sites["site_id"][lower].tolist() == ["T1", "T2"]


def test_changes_made_in_two_steps_are_those_made_at_once(tmp_path):
    # two cutouts on two cables, none names its own: one that became three-pole earlier still holds its place
    e = Export()
    a, b, c = np.array([300.0, 0]), np.array([450.0, 120]), np.array([450.0, -120])
    e.cable("m", np.zeros(2), a, 250, build="oh")
    e.cable("one", a, b, 200)
    e.cable("two", a, c, 180)
    for name in ("K1", "K2"):
        e.switch(name, a, "")
    e.site("T1", b)
    e.site("T2", c)
    e.source("SRC", np.zeros(2))
    used, tables, _ = surveyed(e.write(tmp_path / "n.gpkg"))
    first, second = Change("three_pole", "K1"), Change("load", "T1", value="5")
    once, twice = apply_changes(tables, [first, second]), apply_changes(apply_changes(tables, [first]), [second])
    points = [resurvey(t, settings=used).sites["switch_id"].tolist() for t in (once, twice)]
    assert points[0] == points[1]
    assert "K2" in points[0]


def test_ids_that_look_like_formulas_come_back_from_the_plans_own_list(tmp_path):
    e = lateral()
    for row, name in zip(e.switches, ("=K1", "-E2", "@K3"), strict=True):
        row["switch_id"] = name
    export, out = e.write(tmp_path / "n.gpkg"), tmp_path / "out"
    listed = out / "plan_changes.csv"
    for words in (
        ["run", export, "-o", out, "--no-study"],
        ["plan", out, "--budget", "3"],
        ["run", export, "-o", tmp_path / "with", "--no-study", "--with", listed],
    ):
        with pytest.raises(SystemExit) as end:
            main([str(word) for word in words])
        assert not end.value.code
    assert {change.id for change in read_changes(listed)} == {"=K1", "-E2", "@K3"}
    assert pd.read_csv(tmp_path / "with" / "sites.csv")["risk"].sum() == pytest.approx(0.0)


def test_sites_that_stay_urgent_when_back_fed_are_those_of_a_survey_of_the_plan(tmp_path):
    out, later = tmp_path / "out", tmp_path / "with"
    for words in (
        ["run", SAMPLE, "-o", out, "--no-study"],
        ["plan", out, "--budget", "3"],
        ["run", SAMPLE, "-o", later, "--no-study", "--with", out / "plan_changes.csv"],
    ):
        with pytest.raises(SystemExit) as end:
            main([str(word) for word in words])
        assert not end.value.code
    sites = pd.read_csv(later / "sites.csv", keep_default_na=False)
    urgent = sites["tie_band"].isin(["severe", "high"]) & ~sites["band"].isin(["severe", "high"])
    told = json.loads((out / "plan.json").read_text(encoding="utf-8"))["sites_left_urgent_back_fed"]
    assert told == int(urgent.sum()) > 0
    assert f"{told} sites that stand under" in (out / "plan.html").read_text(encoding="utf-8")
