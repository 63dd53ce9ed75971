"""An open network in its native tables goes through inspection into a survey with no hand editing.

The tables are those of pandapower's CIGRE medium-voltage benchmark, with their own field names; what is added is only
what a GIS adds: a place for each row, from the buses' own coordinates.
"""

import json
import tomllib

import geopandas as gpd
import numpy as np
import pytest
from cigre_mv import build
from shapely import LineString, Point

from survey.findings import FindingList
from survey.read import read_network
from survey.read.draft import draft_settings
from survey.read.inspect import inspect_network
from survey.settings import build_settings

TABLES = {"line": "from_bus", "trafo": "hv_bus", "switch": "bus", "ext_grid": "bus", "bus": "index"}
PLACE = np.array([500_000.0, 5_500_000.0])


@pytest.fixture(scope="module")
def net():
    return build.network()


def native(net, *, drawn):
    """The tables with their own names; drawn ones have a kilometre for each unit of the diagram."""
    at = {bus: PLACE + 1000 * np.array(json.loads(geo)["coordinates"]) for bus, geo in net.bus.geo.items()}
    for name, bus in TABLES.items():
        table = getattr(net, name).drop(columns="geo", errors="ignore").reset_index()
        table = table.dropna(axis="columns", how="all")
        if not drawn:
            yield name, table
        elif name == "line":
            shapes = [LineString([at[a], at[b]]) for a, b in zip(table.from_bus, table.to_bus, strict=True)]
            yield name, gpd.GeoDataFrame(table, geometry=shapes, crs="EPSG:32632")
        else:
            yield name, gpd.GeoDataFrame(table, geometry=[Point(at[b]) for b in table[bus]], crs="EPSG:32632")


@pytest.fixture(params=["gpkg", "parquet", "plain"])
def export(request, net, tmp_path):
    if request.param == "gpkg":
        for name, table in native(net, drawn=True):
            table.to_file(tmp_path / "cigre.gpkg", layer=name, driver="GPKG")
        return tmp_path / "cigre.gpkg"
    for name, table in native(net, drawn=request.param == "parquet"):
        table.to_parquet(tmp_path / f"{name}.parquet")
    return tmp_path


def test_native_tables_read_with_the_draft_as_it_is(export, net):
    draft = draft_settings(inspect_network(export))
    settings = build_settings(tomllib.loads(draft))
    findings = FindingList()
    tables = read_network(export, settings=settings, findings=findings)

    layers = {name: getattr(settings.input, name).layer for name in ("cables", "transformers", "switches", "sources")}
    assert layers == {"cables": "line", "transformers": "trafo", "switches": "switch", "sources": "ext_grid"}
    lines = net.line.set_index("name").loc[tables.cables["cable_id"]]
    np.testing.assert_allclose(tables.cables["length_m"], lines.length_km * 1000)
    np.testing.assert_allclose(tables.cables["cap_f_m"], lines.c_nf_per_km * 1e-12)
    assert tables.cables["from_node"].tolist() == lines.from_bus.astype(str).tolist()
    assert tables.cables["to_node"].tolist() == lines.to_bus.astype(str).tolist()
    assert tables.cables["shielded"].tolist() == (lines.type == "cs").tolist()
    assert tables.cables["cable_type"].tolist() == lines.std_type.tolist()
    assert tables.transformers["rating_va"].tolist() == (net.trafo.sn_mva * 1e6).tolist()
    assert tables.transformers["voltage_v"].tolist() == (net.trafo.vn_hv_kv * 1e3).tolist()
    assert tables.transformers["node"].tolist() == net.trafo.hv_bus.astype(str).tolist()
    switches = net.switch.loc[tables.switches["row"]]
    assert tables.switches["open"].tolist() == (~switches.closed).tolist()
    assert tables.switches["node"].tolist() == switches.bus.astype(str).tolist()
    assert tables.sources["node"].tolist() == net.ext_grid.bus.astype(str).tolist()
    # load-break switches and breakers are three-pole as a rule, which the draft marks as unsure
    assert not tables.switches["single_pole"].any()
    assert '"LBS" = "presumed"  # UNSURE' in draft
