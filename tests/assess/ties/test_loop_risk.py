"""Risk in the states of loops against surveys of every state."""

from __future__ import annotations

import numpy as np
import pandas as pd
from test_worst_state import NORMAL_ONLY, PLAIN, look, look_at_all, random_loop, random_rows, read, told, write

from survey.assess.risk import site_consequence
from survey.assess.ties.chains import loop_risks
from survey.assess.ties.verdict import all_chains
from survey.settings import build_settings
from survey.what_if.edits import Change, apply_changes

OFTEN = {"score": {"backfed_ops_year": 0.3, "gang_trust": 0.6}}


def added_by_points(then, among):
    """``{(site, point): (what the point adds to the site's risk, its operations a year)}`` of some points."""
    risks, network = then.assessment.risks, then.network
    ids = network.tables.switches["switch_id"].to_numpy(object)[network.sections.device]
    sites = network.tables.transformers["site_id"].to_numpy(object)
    rows = zip(sites[risks.site], ids[risks.section], risks.risk, risks.ops_year[risks.section], strict=True)
    return {(site, point): (risk, ops) for site, point, risk, ops in rows if point in among}


def by_brute_force(tables, settings, names):
    """Risk of every site and by every point in the states of the one loop: the mean of the surveys of them all."""
    switches = tables.switches.set_index("switch_id")
    devices = {name: switches[switches.index.str.startswith(name)] for name in names}
    ties = {name: next(iter(rows.index[rows["open"]]), "") for name, rows in devices.items()}
    states = {name: [(ties[name], o) for o in rows.index[~rows["open"]]] for name, rows in devices.items()}
    kept = {name: {} for name in names}
    for name, (_, opened), then in look_at_all(tables, settings, states):
        mine, walks = then.network.tables.transformers["site_id"].str.startswith(name).to_numpy(), then.network.walks
        if opened and walks.supplied[mine].all() and (walks.ring_piece[mine] < 0).all():
            kept[name][opened] = then
    site, point = {}, {}
    for name, surveys in kept.items():
        for then in surveys.values():
            for (s, p), (risk, ops) in added_by_points(then, {*surveys, ties[name]}).items():
                per_op = risk / ops * (settings.score.backfed_ops_year if ties[name] else ops) / len(surveys)
                site[s], point[p] = site.get(s, 0) + per_op, point.get(p, 0) + per_op
    return site, point


def test_the_risk_of_loops_is_the_mean_of_the_surveys_of_all_states(tmp_path):
    settings, names = build_settings(PLAIN | OFTEN), [f"{seed:02}" for seed in range(12)]
    path = write(tmp_path / "n.gpkg", [random_rows(seed, name=f"{seed:02}") for seed in range(12)])
    tables = read(path, settings)
    surveyed = look(tables, settings)
    assert not told(surveyed)
    site, point = by_brute_force(tables, build_settings(PLAIN | OFTEN | NORMAL_ONLY), names)
    loops = surveyed.assessment.loops
    sites = pd.Series(site, dtype=float).reindex(tables.transformers["site_id"]).fillna(0)
    points = pd.Series(point, dtype=float).reindex(tables.switches["switch_id"]).fillna(0)
    assert (sites > 0).sum() > len(names)
    np.testing.assert_allclose(loops.site, sites, atol=1e-9)
    np.testing.assert_allclose(loops.switch, points, atol=1e-9)
    same_to_the_ends(surveyed, settings)


def same_to_the_ends(surveyed, settings):
    """Points further away than the survey looks add nothing."""
    frame, loops = surveyed.assessment.frame, surveyed.assessment.loops
    consequence, keep = site_consequence(frame.network, settings=settings.score), 1 - settings.score.gang_trust
    whole = all_chains(frame)
    every = loop_risks(whole, consequence=consequence, n_switches=len(loops.switch), keep=keep)
    np.testing.assert_allclose(loops.site, every.site)
    np.testing.assert_allclose(loops.switch, every.switch)
    assert (whole.value == 0).any()


def test_risks_of_sites_and_points_add_up_to_the_same(tmp_path):
    settings = build_settings({"study": {"run": False}} | OFTEN)
    for seed in (1, 2, 3, 4):
        surveyed = look(read(random_loop(seed, tmp_path / f"{seed}.gpkg"), settings), settings)
        loops, points = surveyed.assessment.loops, surveyed.assessment.risks
        np.testing.assert_allclose(loops.site.sum(), loops.switch.sum())
        sites = surveyed.result.sites["risk"].sum()
        np.testing.assert_allclose(sites, loops.site.sum() + points.of_sections().sum())


def test_an_added_device_opens_no_state_of_its_own(tmp_path):
    """The same states are compared before and after: a device that protects nothing changes no risk."""
    settings = build_settings(PLAIN | {"score": {"gang_trust": 0.0}})
    tables = read(random_loop(3, tmp_path / "n.gpkg"), settings)
    added = apply_changes(tables, [Change("add_three_pole", "NEW", at="cable:C1:from")])
    before, after = (look(t, settings).assessment.loops.site for t in (tables, added))
    assert before.sum() > 0
    np.testing.assert_allclose(after, before)
