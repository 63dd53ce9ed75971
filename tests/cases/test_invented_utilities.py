"""Three further utilities export an invented network; drafts must find the switching points that brute force finds."""

from __future__ import annotations

import tomllib

import pytest
from exporters import EXPORTERS
from invented import truth

from survey.pipeline import run_survey
from survey.read.draft import draft_settings
from survey.read.inspect import inspect_network
from survey.settings import build_settings

pytestmark = pytest.mark.xdist_group("utilities")
UNAIDED = 0.9
METRES = 0.5


def right(path, raw, expected):
    """Sites whose switching point and exposed length are those of brute force, and the sites that are not, by id."""
    settings = build_settings({**raw, "study": {"run": False}})
    sites = run_survey(path, settings=settings).sites.set_index("site_id")
    wrong = {}
    for site, (switch, metres) in expected.items():
        row = sites.loc[site] if site in sites.index else None
        got = None if row is None else (row["switch_id"], row["exposed_cable_m"])
        if got is None or got[0] != switch or (switch and abs(got[1] - metres) > METRES):
            wrong[site] = (got, (switch, metres))
    return wrong


@pytest.fixture(scope="module", params=EXPORTERS, ids=lambda exporter: exporter.__name__)
def utility(request, tmp_path_factory):
    path, grid = request.param(tmp_path_factory.mktemp("utility"))
    return path, truth(grid), draft_settings(inspect_network(path))


def test_the_truth_is_worth_finding(utility):
    _, expected, _ = utility
    assert len(expected) >= 30
    assert len({switch for switch, _ in expected.values()}) >= 12
    assert sum(metres > 0 for _, metres in expected.values()) >= 20


def test_the_draft_finds_the_switching_points_unaided(utility):
    path, expected, draft = utility
    wrong = right(path, tomllib.loads(draft), expected)
    assert len(wrong) <= (1 - UNAIDED) * len(expected), wrong


def test_a_draft_goes_on_from_itself(utility):
    path, _, draft = utility
    settings = build_settings(tomllib.loads(draft)).input
    again = draft_settings(inspect_network(path, settings=settings))
    assert build_settings(tomllib.loads(again)).input == settings
