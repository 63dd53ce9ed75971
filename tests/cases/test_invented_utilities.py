"""Invented utilities export invented networks; drafts must find the switching points that brute force finds."""

from __future__ import annotations

import tomllib

import pytest
from exporters import EXPORTERS, plain
from invented import Builder, truth
from later import devices_as_lines, flags_and_references, masks_and_subtypes
from strange import domains_and_rings, places_and_letters
from utilities import HABITS

from survey.pipeline import run_survey
from survey.read.draft import UNSURE, draft_settings
from survey.read.inspect import inspect_network
from survey.settings import build_settings

UNAIDED = 0.9
METRES = 0.5
MOST_EDITS = 10
EDITS = {
    "places_and_letters": {
        '# "PAD SWITCHING CABINET 3PH" = ""': '"PAD SWITCHING CABINET 3PH" = "three"',
    },
}
"""What a person who knows the utility writes instead of a marked line of the draft, by exporter and its beginning."""


def in_habit(habit):
    """A grid of its own, spelled as one of the three utilities that export the sample, too."""

    def export(folder):
        grid = Builder(50 + HABITS.index(habit), partly_open=False).build(3)
        return habit(plain(grid), folder), grid

    export.__name__ = habit.__name__
    return export


UTILITIES = [*EXPORTERS, *map(in_habit, HABITS), domains_and_rings, places_and_letters]
UTILITIES += [flags_and_references, masks_and_subtypes, devices_as_lines]


def edited(draft, edits):
    """The draft with lines written anew, each of which was marked as unsure."""
    lines = draft.splitlines()
    for before, after in edits.items():
        (at,) = [i for i, line in enumerate(lines) if line.startswith(before)]
        assert UNSURE in lines[at]
        lines[at] = after
    return "\n".join(lines)


def wrong_sites(path, raw, expected):
    """Sites whose switching point or exposed length is not that of brute force, and such as are none, by id."""
    settings = build_settings({**raw, "study": {"run": False}})
    sites = run_survey(path, settings=settings).sites.set_index("site_id")
    wrong = dict.fromkeys(sites.index.difference([*expected]), "no three-phase site")
    for site, (switch, metres) in expected.items():
        row = sites.loc[site] if site in sites.index else None
        got = None if row is None else (row["switch_id"], row["exposed_cable_m"])
        if got is None or got[0] != switch or (switch and abs(got[1] - metres) > METRES):
            wrong[site] = (got, (switch, metres))
    return wrong


@pytest.fixture(scope="module", params=UTILITIES, ids=lambda exporter: exporter.__name__)
def utility(request, tmp_path_factory):
    path, grid = request.param(tmp_path_factory.mktemp("utility"))
    edits = EDITS.get(request.param.__name__, {})
    return path, truth(grid), draft_settings(inspect_network(path)), edits


def test_the_truth_is_worth_finding(utility):
    _, expected, _, _ = utility
    assert len(expected) >= 30
    assert len({switch for switch, _ in expected.values()}) >= 12
    assert sum(metres > 0 for _, metres in expected.values()) >= 20


def test_the_draft_finds_the_switching_points_unaided_and_all_after_a_few_edits(utility):
    path, expected, draft, edits = utility
    wrong = wrong_sites(path, tomllib.loads(draft), expected)
    assert len(wrong) <= (1 - UNAIDED) * len(expected), wrong
    assert len(edits) <= MOST_EDITS
    assert bool(edits) == bool(wrong)
    if edits:
        assert wrong_sites(path, tomllib.loads(edited(draft, edits)), expected) == {}


def test_a_draft_goes_on_from_itself(utility):
    path, _, draft, _ = utility
    settings = build_settings(tomllib.loads(draft)).input
    again = draft_settings(inspect_network(path, settings=settings))
    assert build_settings(tomllib.loads(again)).input == settings
