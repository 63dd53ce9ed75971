"""Tables, views and files of an export that nobody asked for: never read, never taken for layers."""

import os
import shutil
import sqlite3
import sys
from contextlib import closing

import pandas as pd
import pytest
from conftest import cable, site, switch

from survey.errors import FormatError, LayerError
from survey.read.formats import open_export

ENDLESS = "create view {} as with recursive n(i) as (select 1 union all select i + 1 from n) select i as x from n"


def add(path, *statements):
    with closing(sqlite3.connect(path)) as base, base:
        for statement in statements:
            base.execute(statement)


def listed(name):
    return f"insert into gpkg_contents (table_name, data_type, identifier) values ('{name}', 'attributes', '{name}')"


def test_views_that_are_not_mapped_are_not_evaluated(export, read):
    path = export()
    add(
        path,
        ENDLESS.format("endless"),
        "create view broken as select * from nowhere",
        *map(listed, ("endless", "broken")),
    )
    assert read(path).rules() == []
    names = {info.name: info for info in open_export(path).layers()}
    assert names["endless"].fields == ("x",)
    assert names["broken"].fields == ()


def test_a_view_is_a_layer_like_any_other(export, read):
    path = export(switches=[switch("S1"), switch("S2")])
    as_table = read(path)
    add(
        path,
        "create view devices as select fid as OGC_FID, * from switches where switch_id = 'S1'",
        "insert into gpkg_contents (table_name, data_type, identifier, srs_id) "
        "select 'devices', 'features', 'devices', srs_id from gpkg_contents where table_name = 'switches'",
        "insert into gpkg_geometry_columns select 'devices', column_name, geometry_type_name, srs_id, z, m "
        "from gpkg_geometry_columns where table_name = 'switches'",
    )
    got = read(path, input={"switches": {"layer": "devices"}}).tables.switches
    table = as_table.tables.switches
    assert got["switch_id"].tolist() == ["S1"]
    pd.testing.assert_frame_equal(got.drop(columns="switch_id"), table.drop(columns="switch_id").head(1))


def test_outputs_of_an_earlier_survey_are_no_layers(export, read):
    path = export("parquet")
    (path / "run.json").write_text("{}")
    shutil.copy(path / "cables.parquet", path / "network.parquet")
    assert "network" not in {info.name for info in open_export(path).layers()}
    with pytest.raises(LayerError, match="layer 'network' is missing"):
        read(path, input={"cables": {"layer": "network"}})
    (path / "run.json").unlink()
    assert "network" in {info.name for info in open_export(path).layers()}


def test_an_output_folder_is_no_export(tmp_path):
    for name in ("run.json", "network.parquet", "survey.gpkg", "sites.csv"):
        (tmp_path / name).write_text("")
    with pytest.raises(FormatError, match=r"holds neither shapefiles nor GeoParquet files, but run.json, sites.csv"):
        open_export(tmp_path)


def test_the_network_of_a_survey_by_its_fields_alone(export):
    path = export("parquet", network=[{**cable("C1"), "shielded": True}], transformers=[site("T1")])
    assert "network" not in {info.name for info in open_export(path).layers()}


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes there")
def test_a_pipe_among_the_layers(export, tmp_path):
    path = export("parquet")
    os.mkfifo(path / "pipe.parquet")
    with pytest.raises(FormatError, match=r"pipe.parquet: not a plain file; expected a layer"):
        open_export(path)
    os.mkfifo(tmp_path / "net.gpkg")
    with pytest.raises(FormatError, match="not a network export"):
        open_export(tmp_path / "net.gpkg")
