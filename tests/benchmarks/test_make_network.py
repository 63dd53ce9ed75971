"""The benchmark's networks are what they say, and the survey of one agrees with a plain loop over its sites."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

sys.path.insert(0, str(Path(__file__).parent))

from make_network import make_network, write_network
from site_loop import LoopSurvey

from survey.findings import FindingList
from survey.network import build_network
from survey.pipeline import run_survey
from survey.read import read_network
from survey.settings import Settings, StudySettings

WITHOUT_STUDY = Settings(study=StudySettings(run=False))


@pytest.fixture(scope="module")
def frames():
    return make_network(2000, feeder_cables=1000, seed=3)


def test_same_seed_same_network(frames):
    again = make_network(2000, feeder_cables=1000, seed=3)
    for name, frame in frames.items():
        assert_geodataframe_equal(frame, again[name])
    other = make_network(2000, feeder_cables=1000, seed=4)
    assert not frames["cables"].geometry.equals(other["cables"].geometry)


def test_densities(frames):
    cables, transformers, switches = frames["cables"], frames["transformers"], frames["switches"]
    assert len(cables) == pytest.approx(2000, rel=0.02)
    assert (transformers["phases"] == "ABC").sum() == pytest.approx(len(cables) / 10, rel=0.02)
    assert cables["feeder"].nunique() == len(frames["sources"]) == 2
    assert {"cutout", "fused cutout", "elbow", "gang switch", "recloser"} == set(switches["device"])
    assert (switches["state"] == "open").sum() == pytest.approx(0.04 * len(cables), rel=0.05)
    assert cables["cable_id"].is_unique
    assert not cables["cable_id"].is_monotonic_increasing


def test_ends_are_up_to_four_centimetres_apart(frames):
    lines = frames["cables"].geometry
    ends = np.vstack([shapely.get_coordinates(shapely.get_point(lines, end)) for end in (0, -1)])
    tree = shapely.STRtree(shapely.points(ends))
    first, second = tree.query(tree.geometries, predicate="dwithin", distance=1.0)
    gaps = shapely.distance(tree.geometries[first], tree.geometries[second])[first < second]
    assert 0.03 < gaps.max() <= 0.04
    assert (gaps > 0.005).mean() > 0.8


def test_one_huge_feeder_folds_its_main():
    frames = make_network(25_000, feeder_cables=25_000)
    assert len(frames["sources"]) == 1
    west, south, east, north = frames["cables"].total_bounds
    assert east - west < 50_000
    assert north - south > 4000


@pytest.mark.parametrize("file_format", ["gpkg", "parquet"])
def test_nothing_is_wrong_with_it(frames, tmp_path, file_format):
    findings = FindingList()
    path = write_network(frames, tmp_path, file_format=file_format)
    tables = read_network(path, settings=WITHOUT_STUDY, findings=findings)
    network = build_network(tables, settings=WITHOUT_STUDY.network, findings=findings)
    # its chains end where no transformer stands, which is told
    assert {f.rule for f in findings.ordered() if f.severity != "assumed"} == {"dead_end"}
    assert network.health["tees"] == 0
    assert network.health["parts_without_source"] == 0


@pytest.mark.parametrize("feeder_cables", [1000, 2000])
def test_survey_agrees_with_a_loop_over_all_sites(tmp_path, feeder_cables):
    path = write_network(make_network(2000, feeder_cables=feeder_cables, seed=7), tmp_path)
    sites = run_survey(path, settings=WITHOUT_STUDY).sites.set_index("site_id")
    loop = LoopSurvey(path)
    assert len(loop.sites) == len(sites) > 150
    found = pd.DataFrame(
        [loop.exposed_m(site) for site in sites.index], columns=["switch_id", "metres"], index=sites.index
    )
    assert (found["metres"] > 0).sum() > 60
    assert found["switch_id"].tolist() == sites["switch_id"].fillna("").astype(str).tolist()
    walked = found["switch_id"] != ""
    np.testing.assert_allclose(sites.loc[walked, "exposed_cable_m"], found.loc[walked, "metres"], atol=0.06)
