"""Risk in the states of loops against surveys of every state."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_worst_state import NORMAL_ONLY, PLAIN, look, random_loop, read, state, told

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


def by_brute_force(tables, settings):
    """Risk of every site and by every point in the states of the one loop: the mean of the surveys of them all."""
    switches = tables.switches.set_index("switch_id")
    tie = next(iter(switches.index[switches["open"]]), "")
    surveys = {o: look(state(tables, closed=tie, opened=o), settings) for o in switches.index[~switches["open"]]}
    kept = {
        o: s for o, s in surveys.items() if s.network.walks.supplied.all() and (s.network.walks.ring_piece < 0).all()
    }
    site, point = {}, {}
    for then in kept.values():
        for (s, p), (risk, ops) in added_by_points(then, {*kept, tie}).items():
            per_op = risk / ops * (settings.score.backfed_ops_year if tie else ops)
            site[s], point[p] = site.get(s, 0) + per_op / len(kept), point.get(p, 0) + per_op / len(kept)
    return site, point


@pytest.mark.parametrize("seed", range(5))
def test_the_risk_of_loops_is_the_mean_of_the_surveys_of_all_states(seed, tmp_path):
    settings = build_settings(PLAIN | OFTEN)
    tables = read(random_loop(seed, tmp_path / "n.gpkg"), settings)
    surveyed = look(tables, settings)
    assert not told(surveyed)
    site, point = by_brute_force(tables, build_settings(PLAIN | OFTEN | NORMAL_ONLY))
    loops = surveyed.assessment.loops
    sites = pd.Series(site, dtype=float).reindex(tables.transformers["site_id"]).fillna(0)
    points = pd.Series(point, dtype=float).reindex(tables.switches["switch_id"]).fillna(0)
    np.testing.assert_allclose(loops.site, sites, atol=1e-9)
    np.testing.assert_allclose(loops.switch, points, atol=1e-9)


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
