"""Three invented utilities export the sample in their own ways; each draft must bring the same survey."""

from __future__ import annotations

import tomllib
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from utilities import HABITS

from survey.pipeline import run_survey
from survey.read.draft import draft_settings
from survey.read.inspect import ask_unsure, inspect_network
from survey.settings import build_settings

NETWORK = Path(__file__).parents[2] / "sample_data" / "network.gpkg"
EXACT = ["status", "connection", "core", "switch_id", "gang_switch_id", "band", "feeder", "district", "customers"]
CLOSE = ["score", "hazard", "kva", "kv", "path_length_m", "exposed_cable_m", "cap_nf", "xm_ohm", "charge_loss"]
ODD = {"zigzag?", "shell", "two"}  # slips in the sample, which nobody can guess


def surveyed(path, draft):
    raw = {**tomllib.loads(draft), "study": {"run": False}}
    return run_survey(path, settings=build_settings(raw)).sites.set_index("site_id").sort_index()


@pytest.fixture(scope="module")
def layers():
    names = ("cables", "transformers", "switches", "sources")
    return {name: gpd.read_file(NETWORK, layer=name) for name in names}


@pytest.fixture(scope="module")
def own():
    return surveyed(NETWORK, "")


@pytest.fixture(scope="module", params=HABITS, ids=lambda habit: habit.__name__)
def found(request, layers, tmp_path_factory):
    return inspect_network(request.param(layers, tmp_path_factory.mktemp("utility")))


def test_every_layer_and_every_field_in_use_is_found(found):
    assert all(guess.sure for guess in found.guesses.values())
    wanted = {
        "cables": {"cable_id", "feeder", "phases", "kv", "build", "cable_type", "cap_nf_km", "length_m"},
        "switches": {"switch_id", "poles", "device", "state", "arrester", "ops_year", "guards"},
        "sources": {"source_id", "feeder"},
    }
    for layer, fields in wanted.items():
        assert set(found.guesses[layer].fields) == fields
    assert len(found.guesses["transformers"].fields) == 16


def test_the_draft_as_it_is_gives_every_site_its_status(found, own):
    got = surveyed(found.path, draft_settings(found))
    pd.testing.assert_series_equal(got["status"], own["status"])
    pd.testing.assert_series_equal(got["switch_id"], own["switch_id"])


def test_the_draft_with_the_likeliest_answers_gives_the_same_survey(found, own):
    asked = []

    def ask(question, choices):
        asked.append(question)
        return choices[0]

    settled = ask_unsure(found, ask)
    got = surveyed(found.path, draft_settings(settled))
    pd.testing.assert_frame_equal(got[EXACT], own[EXACT])
    pd.testing.assert_frame_equal(got[CLOSE], own[CLOSE], rtol=1e-6)
    assert len(asked) <= 15
    assert all(any(f"'{odd}'" in question for question in asked) for odd in ODD)
