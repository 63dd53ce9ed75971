"""The exact choice against brute force: every subset of installs, the survey of every changed network."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from small_export import lateral, tree

from survey.findings import FindingList
from survey.planning.candidates import find_candidates
from survey.planning.greedy import choose_greedily, order_by_value
from survey.planning.milp import Programme
from survey.planning.planning import install_changes, make_terms, resurvey
from survey.planning.terms import PlanRequest
from survey.read import read_network
from survey.settings import build_settings
from survey.what_if.edits import apply_changes

PLAIN = {"study": {"run": False}}


def setup(path, request, **settings):
    used = build_settings({**PLAIN, **settings})
    tables = read_network(path, settings=used, findings=FindingList())
    base = resurvey(tables, settings=used)
    counted = np.ones(len(base.sites), bool)
    candidates = find_candidates(base.network, base.assessment, settings=used, request=request, counted=counted)
    return used, tables, base, candidates


def surveyed_risk(tables, candidates, chosen, settings):
    after = resurvey(apply_changes(tables, install_changes(candidates.table[chosen])), settings=settings)
    return float(np.nansum(after.sites["risk"].to_numpy(float)))


def subsets(n):
    for bits in itertools.product((False, True), repeat=n):
        yield np.array(bits, bool)


@pytest.mark.parametrize(
    ("seed", "worst_kva", "add_cost"), [(1, 2500, 1.0), (3, 2500, 0.4), (5, 600, 1.0), (8, 400, 0.4), (11, 300, 1.0)]
)
def test_every_subset_leaves_what_the_survey_of_the_changed_network_says(tmp_path, seed, worst_kva, add_cost):
    request = PlanRequest(budget=2, costs={"add_three_pole": add_cost})
    path = tree(seed).write(tmp_path / "n.gpkg")
    settings, tables, _, candidates = setup(path, request, limits={"worst_kva": worst_kva})
    n = candidates.problem.n
    rng = np.random.default_rng(seed)
    drawn = subsets(n) if n <= 4 else (rng.random(n) < 0.4 for _ in range(12))
    for chosen in drawn:
        promised = candidates.problem.risk(chosen)
        assert promised == pytest.approx(surveyed_risk(tables, candidates, chosen, settings), abs=1e-9)


@pytest.mark.parametrize("seed", range(20, 30))
@pytest.mark.parametrize("worst_kva", [2500, 350])
def test_the_optimum_is_the_best_of_all_subsets_and_never_worse_than_greedy(tmp_path, seed, worst_kva):
    request = PlanRequest(budget=3, costs={"add_three_pole": 0.6, "three_pole": 1.0})
    path = tree(seed, cables=8).write(tmp_path / "n.gpkg")
    _, _, _, candidates = setup(path, request, limits={"worst_kva": worst_kva})
    n = candidates.problem.n
    assert n <= 15
    terms = make_terms(candidates.table, request)
    best = min(candidates.problem.risk(c) for c in subsets(n) if terms.cost[c].sum() <= request.budget + 1e-9)
    found = Programme(candidates.problem).solve(terms)
    assert found.risk == pytest.approx(best, abs=1e-6)
    assert candidates.problem.risk(found.chosen) == pytest.approx(best, abs=1e-6)
    assert terms.cost[found.chosen].sum() <= request.budget + 1e-9
    greedy = choose_greedily(candidates.problem, terms)
    assert greedy.risk[-1] >= best - 1e-6


def test_dropping_added_devices_under_a_replaceable_point_loses_nothing(tmp_path):
    # the same costs: candidates to add are left out where a point may be replaced; weighing all of them finds no better
    for seed in (20, 23, 26):
        path = tree(seed, cables=8).write(tmp_path / "n.gpkg")
        few = PlanRequest(budget=2)
        all_of_them = PlanRequest(budget=2, costs={"add_three_pole": 1.0, "three_pole": 1.0 + 1e-7})
        risks = []
        for request in (few, all_of_them):
            _, _, _, candidates = setup(path, request)
            terms = make_terms(candidates.table, PlanRequest(budget=2.01))
            risks.append(Programme(candidates.problem).solve(terms).risk)
        assert risks[0] == pytest.approx(risks[1], abs=1e-5)


def test_greedy_falls_short_where_the_best_for_its_money_leaves_no_room(tmp_path):
    path = lateral().write(tmp_path / "n.gpkg")
    _, _, _, candidates = setup(path, PlanRequest(budget=2))
    ids, risk = candidates.table["id"].to_numpy(object), candidates.problem.risk
    assert set(ids) == {"K1", "E2", "K3"}
    gain = {i: risk(ids == "none") - risk(ids == i) for i in ids}
    best, other = sorted(("K1", "K3"), key=gain.__getitem__)[::-1]
    costs = {best: 2.0, other: 1.8 * gain[other] / gain[best], "E2": 9.0, "add_three_pole": 9.0}
    _, _, _, candidates = setup(path, PlanRequest(budget=2, costs=costs))
    terms = make_terms(candidates.table, PlanRequest(budget=2, costs=costs))
    found, greedy = Programme(candidates.problem).solve(terms), choose_greedily(candidates.problem, terms)
    assert candidates.table["id"][found.chosen].tolist() == [best]
    assert candidates.table["id"].iloc[greedy.candidate].tolist() == [other]
    assert greedy.risk[-1] > found.risk


def test_a_plan_removes_what_the_points_of_the_survey_add(tmp_path):
    # without anything between, replacing all takes off the sum of what every point adds
    path = lateral().write(tmp_path / "n.gpkg")
    _, _, base, candidates = setup(path, PlanRequest(budget=3), score={"gang_trust": 0.0, "load_trust": 0.3})
    points = base.assessment.risks.of_sections()
    ids = base.network.tables.switches["switch_id"].to_numpy(object)[base.network.sections.device]
    risk, chosen = candidates.problem.risk, candidates.table["id"].to_numpy(object)
    for name, adds in zip(ids, points, strict=True):
        assert adds > 0
        assert risk(chosen == "none") - risk(chosen == name) == pytest.approx(adds)


def test_a_replaced_point_hands_its_sites_to_the_next_one_up(tmp_path):
    path = lateral().write(tmp_path / "n.gpkg")
    settings, tables, base, candidates = setup(path, PlanRequest(budget=1))
    only_e2 = candidates.table["id"].to_numpy(object) == "E2"
    after = resurvey(apply_changes(tables, install_changes(candidates.table[only_e2])), settings=settings)
    was, now = (s.sites.set_index("site_id").loc["T2"] for s in (base, after))
    assert (was["switch_id"], now["switch_id"]) == ("E2", "K1")
    assert now["exposed_cable_m"] == pytest.approx(410)
    assert now["gang_switch_id"] == "E2"
    kept = 1 - settings.score.gang_trust
    assert now["score"] == pytest.approx(kept * base.sites.set_index("site_id").loc["T1", "hazard"])
    assert now["risk"] < was["risk"]


@pytest.mark.parametrize("seed", [2, 4])
def test_parts_without_a_source_are_promised_truly_too(tmp_path, seed):
    request = PlanRequest(budget=2)
    path = tree(seed, sourced=False).write(tmp_path / "n.gpkg")
    settings, tables, _, candidates = setup(path, request)
    rng = np.random.default_rng(seed)
    for _ in range(8):
        chosen = rng.random(candidates.problem.n) < 0.3
        promised = candidates.problem.risk(chosen)
        assert promised == pytest.approx(surveyed_risk(tables, candidates, chosen, settings), abs=1e-9)


def test_order_by_value_takes_the_greatest_gain_next_and_ends_at_the_choice(tmp_path):
    path = tree(20, cables=14).write(tmp_path / "n.gpkg")
    _, _, _, candidates = setup(path, PlanRequest(budget=4))
    terms = make_terms(candidates.table, PlanRequest(budget=4))
    chosen = Programme(candidates.problem).solve(terms).chosen
    steps = order_by_value(candidates.problem, chosen, cost=terms.cost)
    assert sorted(steps.candidate) == list(np.flatnonzero(chosen))
    assert steps.risk[0] == pytest.approx(candidates.problem.risk(np.zeros(candidates.problem.n, bool)))
    assert steps.risk[-1] == pytest.approx(candidates.problem.risk(chosen))
    done = np.zeros(candidates.problem.n, bool)
    for k, candidate in enumerate(steps.candidate):
        gains = {}
        for other in np.flatnonzero(chosen & ~done):
            with_it = done.copy()
            with_it[other] = True
            gains[other] = (steps.risk[k] - candidates.problem.risk(with_it)) / terms.cost[other]
        assert gains[candidate] == pytest.approx(max(gains.values()))
        done[candidate] = True
