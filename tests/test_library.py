"""The library: one import, the answers and refusals of the commands, and the README's example."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import networkx as nx
import pandas as pd
import pytest

import survey

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_data/network.gpkg"
EXAMPLE = re.search(r"```python\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
WITHOUT_STUDY = {"study": {"run": False}}


@pytest.fixture(scope="module")
def made():
    return survey.run(SAMPLE, study=False)


@pytest.fixture(scope="module")
def saved(made, tmp_path_factory):
    return made.save(tmp_path_factory.mktemp("library") / "out")


def test_the_import_is_light():
    code = (
        "import time, sys, json; start = time.process_time(); import survey; "
        "print(json.dumps([time.process_time() - start, len({'numpy', 'pandas', 'numba'} & set(sys.modules))]))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    seconds, heavy = json.loads(ran.stdout)
    assert seconds < 0.1
    assert heavy == 0


def test_nothing_else_is_public():
    assert dir(survey) == sorted(survey.__all__)
    with pytest.raises(AttributeError, match=r"has no attribute 'rnu'; it has .*run"):
        _ = survey.rnu


def test_sites_are_ranked_and_placed(made):
    assert made.sites["rank"].tolist() == list(range(1, len(made.sites) + 1))
    assert made.sites.crs.to_authority() == ("EPSG", "32625")
    assert made.sites.geometry.iloc[0].geom_type == "Point"
    assert made.switching_points.geometry.notna().all()


def test_read_back_it_is_the_same(made, saved):
    back = survey.load(saved)
    assert back.sites["site_id"].tolist() == made.sites["site_id"].tolist()
    assert back.findings["rule"].tolist() == made.findings["rule"].tolist()
    assert nx.utils.graphs_equal(back.graph, made.graph)
    assert back.record["settings"] == made.record["settings"]


def test_a_survey_read_back_is_not_written(saved, tmp_path):
    with pytest.raises(survey.SurveyError, match="copy its folder"):
        survey.load(saved).save(tmp_path)


def test_plan_and_comparison(saved):
    assert survey.plan(saved, budget=1).installs["order"].tolist() == [1]
    assert survey.compare(saved, saved).sites.empty


def test_one_transformer_by_hand():
    row = survey.site(
        kva=300, kv=12.47, connection="delta", cable="1/0 XLPE 15KV 133", length_m=150, settings=WITHOUT_STUDY
    )
    assert (row["status"], row["kva"], row["connection"]) == ("assessed", 300, "delta")
    # 53.4924 nF per 1000 ft of that cable: IEEE PES distribution test feeders
    own_nf = 0.469 * 300**0.4 / 12.47**0.25
    assert row["cap_nf"] == pytest.approx(53.4924 / 0.3048 * 0.150 + own_nf, rel=0.01)


@pytest.mark.parametrize("settings", [{"limits": {"load_rule": 0.2}}, None, WITHOUT_STUDY])
def test_settings_as_dict_file_or_object(settings, tmp_path):
    from survey.library import _settings
    from survey.settings import build_settings

    expected = build_settings(settings or {})
    assert _settings(settings) == expected
    assert _settings(expected) is expected
    file = tmp_path / "s.toml"
    file.write_text("[limits]\nload_rule = 0.2\n")
    assert _settings(str(file)).limits.load_rule == 0.2


@pytest.mark.parametrize(
    ("call", "line"),
    [
        (lambda: survey.run(SAMPLE, stduy=False), "survey.run: .*'stduy'.*its arguments: network, settings, study"),
        (lambda: survey.plan("out"), "survey.plan: missing .*'budget'.*its arguments: folder, budget"),
        (lambda: survey.run("nowhere.gpkg"), "nowhere.gpkg"),
        (lambda: survey.run(SAMPLE, settings={"limit": {}}), "'limit' is not a setting"),
        (lambda: survey.site(kva=-1, kv=12.47), "kva"),
        (lambda: survey.site(kva=300, kv=12.47, cable="string"), "string"),
        (lambda: survey.site(kva=300, kv=12.47, lenght_m=3), "survey.site: .*'lenght_m'.*its arguments: kva, kv"),
        (lambda: survey.load("nowhere"), "no such folder"),
        (lambda: survey.compare("nowhere", "nowhere"), "no such folder"),
    ],
)
def test_refusals_are_those_of_the_commands(call, line):
    with pytest.raises(survey.SurveyError, match=line):
        call()
    if "arguments" in line:
        with pytest.raises(TypeError):
            call()


def test_the_example_of_the_readme(monkeypatch):
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(EXAMPLE[1], names)
    sites, graph = names["sites"], names["graph"]
    listed = pd.read_csv(ROOT / "reports/sites.csv")
    assert sorted(sites.site_id) == sorted(listed.site_id)
    assert "C-21-0034" in {key for _, _, key in graph.edges(keys=True)}
    points = sites.set_index("site_id")["switch_id"]
    assert {site: names["nearest_point"](site) or "" for site in points.index} == points.fillna("").to_dict()
