"""The sample: its script reproduces it, it has what its README says, and its planted faults are found by the survey."""

import csv
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from survey.findings import FindingList
from survey.input_schema import field_specs
from survey.input_settings import LAYERS
from survey.network import build_network
from survey.physics.catalogue import Catalogue
from survey.read import read_network
from survey.settings import Settings, load_settings

SAMPLE = Path(__file__).parents[1] / "sample_data"
NODE_FIELDS = {"from_node", "to_node", "node"}  # this utility keeps no node ids: topology comes from the drawing
NOT_KEPT = {"state_a", "state_b", "state_c", "address"}  # nor a state of each pole, nor where a device stands
SHAPEFILES = ("PriCond", "XfmrLoc", "SwDevice", "FeederHd")


@pytest.fixture(scope="module")
def frames():
    return {name: gpd.read_file(SAMPLE / "network.gpkg", layer=name) for name in LAYERS}


@pytest.fixture(scope="module")
def planted():
    with (SAMPLE / "planted.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def surveyed():
    findings = FindingList()
    settings = Settings()
    tables = read_network(SAMPLE / "network.gpkg", settings=settings, findings=findings)
    network = build_network(tables, settings=settings.network, findings=findings)
    return tables, network, findings


def ids_of(planted, *faults):
    return {row["id"] for row in planted if row["fault"] in faults}


def test_the_script_makes_what_is_kept_here(tmp_path, frames):
    made = subprocess.run(
        [sys.executable, str(SAMPLE / "make_sample.py"), str(tmp_path)], check=True, capture_output=True, text=True
    )
    assert f"cables: {len(frames['cables'])}" in made.stdout
    for name, kept in frames.items():
        assert_geodataframe_equal(gpd.read_file(tmp_path / "network.gpkg", layer=name), kept)
    for name in SHAPEFILES:
        again = gpd.read_file(tmp_path / "shapefiles" / f"{name}.shp")
        assert_geodataframe_equal(again, gpd.read_file(SAMPLE / "shapefiles" / f"{name}.shp"))
    for name in pyogrio.list_layers(SAMPLE / "town.gpkg")[:, 0]:
        again, kept = (gpd.read_file(folder / "town.gpkg", layer=name) for folder in (tmp_path, SAMPLE))
        assert_geodataframe_equal(again, kept, check_less_precise=True)
    assert (tmp_path / "planted.csv").read_bytes() == (SAMPLE / "planted.csv").read_bytes()


def test_it_is_small():
    kept = [SAMPLE / "network.gpkg", *(SAMPLE / "shapefiles").iterdir()]
    assert 0.2e6 < sum(path.stat().st_size for path in kept) < 3e6


@pytest.mark.parametrize("layer", LAYERS)
def test_fields_are_those_of_the_contract(frames, layer):
    assert set(frames[layer].columns) - {"geometry"} == set(field_specs(layer)) - NODE_FIELDS - NOT_KEPT


def test_it_lies_in_the_open_ocean(frames):
    west, south, east, north = frames["cables"].to_crs(4326).total_bounds
    assert -33.2 < west < east < -32.5
    assert 43.9 < south < north < 44.3


def test_size_and_variety(frames):
    transformers, cables, switches = frames["transformers"], frames["cables"], frames["switches"]
    three = transformers[(transformers["phases"] == "ABC") | transformers["bank_id"].notna()]
    sites = three["bank_id"].fillna(three["site_id"])
    assert sites.nunique() >= 280
    assert three["district"].nunique() >= 5
    assert frames["sources"]["feeder"].nunique() == 8
    assert set(cables["kv"]) == {12.47, 24.9}
    assert set(cables["build"]) == {"ug", "oh"}
    assert {"ABC", "AB", "A", "B", "C"} <= set(cables["phases"])
    assert {"delta", "floating_wye", "grounded_wye", "open_delta", "open_wye"} <= set(three["connection"])
    assert {"five_legged", "separate", "three_legged"} <= set(three["core"])
    assert (three["critical"] == 1).sum() >= 4
    assert 0.2 < three["minload_kw"].notna().mean() < 0.6
    assert 0.6 < three["nll_w"].notna().mean() < 0.95
    assert {"single", "three"} <= set(switches["poles"])
    assert {"cutout", "fused cutout", "elbow", "gang switch", "switchgear way", "recloser"} <= set(switches["device"])
    assert (switches["state"] == "open").sum() >= 15
    assert switches["guards"].isna().sum() >= 50
    assert cables["cap_nf_km"].notna().sum() > 10
    assert (cables["cable_type"].isna() & (cables["build"] == "ug")).sum() > 10


def test_every_cable_type_but_the_planted_one_is_in_the_catalogue(frames, planted):
    cables = frames["cables"].dropna(subset="cable_type")
    unknown = cables[~Catalogue.load().knows(cables["cable_type"].to_numpy())]
    assert set(unknown["cable_id"]) == ids_of(planted, "unknown_cable_type")


def test_many_ends_meet_a_little_off(frames):
    lines = frames["cables"].geometry
    ends = np.vstack([shapely.get_coordinates(shapely.get_point(lines, end)) for end in (0, -1)])
    tree = shapely.STRtree(shapely.points(ends))
    first, second = tree.query(tree.geometries, predicate="dwithin", distance=0.11)
    gaps = shapely.distance(tree.geometries[first], tree.geometries[second])[first < second]
    assert (gaps > 0.01).sum() > 300
    assert gaps.max() <= 0.101
    assert (gaps == 0).sum() > 300


def test_parallel_cables_and_one_square_are_the_only_closed_rings(surveyed):
    tables, network, findings = surveyed
    rings = findings.of("closed_ring")
    feeder = tables.cables.set_index("cable_id")["feeder"]
    (ring,) = rings
    assert "state, each with two ways to a source: 4 (" in ring.message
    assert len(ring.ids) == 10
    assert set(feeder[list(ring.ids)]) == {"QP-21", "FG-13"}
    looped = tables.transformers["site_id"][network.walks.looped].tolist()
    assert len(looped) == 2
    assert all(name.startswith("T-13-") for name in looped)


def test_tees_are_where_cross_streets_leave_a_branch(surveyed):
    _, network, _ = surveyed
    assert network.health["tees"] == 19
    assert network.health["parts_without_source"] == len({"gap", "dead_cable"})


# Planted fault, rule of the finding that must name it.
EXPECTED = {
    "missing_kva": "missing_kva",
    "negative_kv": "unusable_kv",
    "zero_kva": "unusable_kva",
    "unknown_connection": "unknown_connection",
    "unknown_core": "unknown_core",
    "far_site": "out_of_reach",
    "far_switch": "out_of_reach",
    "loss_as_exciting": "exciting_below_loss",
    "length_mismatch": "length_differs",
    "gap": "cable_without_source",
    "unreached_site": "site_without_supply",
    "dead_cable": "cable_without_source",
    "unknown_poles": "unknown_poles",
    "unknown_state": "unknown_state",
}
SEEN_OTHERWISE = {
    "missing_connection", "incomplete_bank", "duplicate_site_id", "duplicate_cable_id", "null_switch_id",
    "unknown_cable_type",
}  # fmt: skip


def test_every_planted_fault_is_tested(planted):
    assert {row["fault"] for row in planted} == set(EXPECTED) | SEEN_OTHERWISE


@pytest.mark.parametrize("fault", sorted(EXPECTED))
def test_planted_fault_is_found(surveyed, planted, fault):
    _, _, findings = surveyed
    found = {asset for finding in findings.of(EXPECTED[fault]) for asset in finding.ids}
    assert ids_of(planted, fault)
    assert ids_of(planted, fault) <= found


def test_nothing_else_is_found_but_what_was_planted(surveyed, planted):
    _, _, findings = surveyed
    suffixed = {f"{row['id']}#2" for row in planted}
    units = {asset for finding in findings.of("incomplete_bank") for asset in finding.ids}
    known = {row["id"] for row in planted} | suffixed | units
    errors = [f for f in findings.ordered() if f.severity == "error" and f.rule != "null_id"]
    assert [f for f in errors if not set(f.ids) <= known] == []


def test_planted_ids_and_bank_are_found(surveyed, planted):
    tables, _, findings = surveyed
    (site,), (cable,) = ids_of(planted, "duplicate_site_id"), ids_of(planted, "duplicate_cable_id")
    named = {asset for finding in findings.of("duplicate_id") for asset in finding.ids}
    assert {f"{site}#2", f"{cable}#2"} <= named <= {site, cable, f"{site}#2", f"{cable}#2"}
    assert f"{site}#2" in set(tables.transformers["site_id"])
    assert f"{cable}#2" in set(tables.cables["cable_id"])
    assert len(findings.of("null_id")[0].ids) == 1
    (bank,) = ids_of(planted, "incomplete_bank")
    assert bank in findings.of("incomplete_bank")[0].message
    assert bank not in set(tables.transformers["site_id"])


def test_missing_connections_stay_missing_for_the_assessment(surveyed, planted):
    tables, _, _ = surveyed
    sites = tables.transformers.set_index("site_id")
    missing = ids_of(planted, "missing_connection")
    assert len(missing) == 2
    assert (sites.loc[sorted(missing), "connection"].astype(str) == "").all()


def test_the_shapefiles_say_the_same_in_other_words(surveyed):
    tables, _, _ = surveyed
    settings = load_settings(SAMPLE / "shapefiles.toml")
    findings = FindingList()
    other = read_network(SAMPLE / "shapefiles", settings=settings, findings=findings)
    cables = other.cables.set_index("cable_id")
    same = tables.cables.set_index("cable_id").loc[cables.index]
    assert len(cables) > 80
    np.testing.assert_array_equal(cables["phases"], same["phases"])
    np.testing.assert_array_equal(cables["shielded"], same["shielded"])
    np.testing.assert_allclose(cables["voltage_v"], same["voltage_v"])
    np.testing.assert_allclose(cables["length_m"], same["length_m"], atol=0.02)
    np.testing.assert_allclose(cables["drawn_m"], same["drawn_m"], rtol=2e-3)
    np.testing.assert_allclose(cables["cap_f_m"], same["cap_f_m"], rtol=2e-3)
    sites = other.transformers.set_index("site_id")
    same = tables.transformers.set_index("site_id").loc[sites.index]
    assert len(sites) > 50
    for column in ("connection", "core", "feeder", "district"):
        assert sites[column].astype(str).tolist() == same[column].astype(str).tolist()
    for column in ("rating_va", "voltage_v", "no_load_loss_w", "min_load_w", "customers", "critical", "lon", "lat"):
        np.testing.assert_allclose(sites[column].astype(float), same[column].astype(float), rtol=1e-6)
    assert other.switches["single_pole"].sum() == (
        tables.switches.set_index("switch_id").loc[other.switches["switch_id"], "single_pole"].sum()
    )


def test_the_readme_lists_the_planted_faults(planted):
    text = (SAMPLE / "README.md").read_text(encoding="utf-8")
    for row in planted:
        assert f"| {row['fault']} | {row['layer']} | {row['id']} | {row['what']} |" in text


def test_planted_list_is_a_plain_table():
    table = pd.read_csv(SAMPLE / "planted.csv")
    assert table.columns.tolist() == ["fault", "layer", "id", "what"]
    assert table["fault"].nunique() >= 15
