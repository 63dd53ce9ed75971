"""Every refusal: its class, and one line that says where, what was found, what to do."""

import re
import sqlite3

import pytest
from conftest import cable, frame, point, site, switch
from pyproj import CRS

from survey.errors import CrsError, FieldError, FormatError, LayerError, SettingsError, SurveyError


def refusal(read, path, kind=SurveyError, **raw):
    """The message of a refusal, which is one line."""
    with pytest.raises(kind) as caught:
        read(path, **raw)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_missing_path(read, tmp_path):
    message = refusal(read, tmp_path / "no.gpkg", FormatError)
    assert "no.gpkg: no such file or folder; give one .gpkg file, a folder of shapefiles or a folder of" in message


def test_text_named_gpkg(read, tmp_path):
    path = tmp_path / "text.gpkg"
    path.write_text("cable_id,length\nC1,2\n")
    message = refusal(read, path, FormatError)
    assert message == f"{path}: named .gpkg but is not a GeoPackage; export it again as GeoPackage"


def test_empty_gpkg_file(read, tmp_path):
    path = tmp_path / "empty.gpkg"
    path.write_bytes(b"")
    assert "is not a GeoPackage" in refusal(read, path, FormatError)


@pytest.mark.parametrize("keep", [50, 100, 5000, 40_000])
def test_truncated_gpkg(export, read, keep):
    path = export()
    data = path.read_bytes()
    path.write_bytes(data[:keep])
    message = refusal(read, path, FormatError)
    assert re.search(r"truncated, \d+ bytes of \d+; copy or export it again", message)


def test_damaged_gpkg(export, read, capfd):
    path = export()
    data = bytearray(path.read_bytes())
    data[100:] = b"\xff" * (len(data) - 100)
    path.write_bytes(data)
    message = refusal(read, path, FormatError)
    assert "cannot be read" in message
    assert "check that the file is whole, or export it again" in message
    assert capfd.readouterr().err == ""


def test_database_that_is_no_geopackage(read, tmp_path):
    path = tmp_path / "plain.gpkg"
    with sqlite3.connect(path) as base:
        base.execute("create table cables (cable_id text)")
    base.close()
    refusal(read, path)


def test_other_file(read, tmp_path):
    path = tmp_path / "network.dxf"
    path.write_text("0")
    assert refusal(read, path, FormatError).startswith(f"{path}: not a network export; expected one .gpkg file")


@pytest.mark.parametrize("name", ["cables.shp", "cables.parquet"])
def test_one_file_of_a_folder(read, tmp_path, name):
    path = tmp_path / name
    path.write_text("")
    assert refusal(read, path, FormatError) == (
        f"{path}: one layer only; give the folder that holds all layers ({tmp_path})"
    )


def test_folders_of_no_or_two_kinds(read, tmp_path):
    assert "holds neither shapefiles nor GeoParquet files, but nothing" in refusal(read, tmp_path, FormatError)
    (tmp_path / "readme.txt").write_text("")
    assert "but readme.txt" in refusal(read, tmp_path, FormatError)
    (tmp_path / "a.gpkg").write_text("")
    assert f"give the GeoPackage in it ({tmp_path / 'a.gpkg'})" in refusal(read, tmp_path, FormatError)
    (tmp_path / "a.parquet").write_text("")
    (tmp_path / "b.SHP").write_text("")
    message = refusal(read, tmp_path, FormatError)
    assert "holds shapefiles (b.SHP ...) and GeoParquet (a.parquet ...); leave one kind in it" in message


@pytest.mark.parametrize("suffix", [".shx", ".dbf"])
def test_shapefile_without_a_part(export, read, suffix):
    path = export("shapes")
    (path / f"cables{suffix}").unlink()
    message = refusal(read, path, FormatError)
    assert message == (f"{path / 'cables.shp'}: its {suffix} file is missing; copy all files of the shapefile together")
    assert not (path / f"cables{suffix}").exists()


@pytest.mark.parametrize(("kind", "name"), [("shapes", "cables.shp"), ("parquet", "cables.parquet")])
def test_damaged_part_of_a_folder(export, read, kind, name, capfd):
    path = export(kind)
    (path / name).write_bytes(b"not this")
    message = refusal(read, path, FormatError)
    assert message.startswith(f"{path / name}")
    assert "cannot be read" in message
    assert capfd.readouterr().err == ""


def test_geoparquet_with_damaged_metadata(export, read):
    import pyarrow.parquet as pq

    path = export("parquet")
    table = pq.read_table(path / "cables.parquet")
    pq.write_table(table.replace_schema_metadata({b"geo": b"{"}), path / "cables.parquet")
    assert "cannot be read" in refusal(read, path, FormatError)
    pq.write_table(
        table.replace_schema_metadata({b"geo": b'{"primary_column": "x", "columns": {}}'}), path / "cables.parquet"
    )
    assert "its geo metadata name a geometry column that is not there" in refusal(read, path, FormatError)


@pytest.mark.parametrize("layer", ["cables", "transformers", "switches"])
def test_missing_layer_lists_those_that_exist(export, read, layer):
    path = export(**{layer: None})
    message = refusal(read, path, LayerError)
    assert message.startswith(f"{path}: layer '{layer}' is missing; layers there: ")
    assert "'sources'" in message
    assert f"name the right one in settings key input.{layer}.layer" in message


def test_missing_layer_with_a_close_name(export, read):
    message = refusal(read, export(cables=None, Cable=[cable("C1")]), LayerError)
    assert message.endswith("(perhaps 'Cable'), or draft the settings with survey inspect")


def test_layer_named_in_the_settings_is_missing(export, read):
    message = refusal(read, export(), LayerError, input={"sources": {"layer": "stations"}})
    assert "layer 'stations' is missing" in message


@pytest.mark.parametrize(
    ("layer", "make", "field"),
    [
        ("cables", cable, "cable_id"),
        ("transformers", site, "site_id"),
        ("transformers", site, "kva"),
        ("transformers", site, "kv"),
        ("switches", switch, "switch_id"),
        ("switches", switch, "poles"),
    ],
)
def test_missing_field_lists_those_that_exist(export, read, layer, make, field):
    record = make("A1")
    del record[field]
    path = export(**{layer: [{**record, f"{field}s": "1"}]})
    message = refusal(read, path, FieldError)
    assert message.startswith(f"{path}, layer '{layer}': field '{field}' is missing; fields there: ")
    assert f"'{field}s'" in message
    assert f"name the right one in settings key input.{layer}.fields.{field} (perhaps '{field}s')" in message
    assert message.endswith(", or draft the settings with survey inspect")


def test_a_field_that_is_something_else_is_no_suggestion(export, read):
    record = site("T1")
    del record["kv"]
    message = refusal(read, export(transformers=[record]), FieldError)
    assert "'kva'" in message
    assert "perhaps" not in message


def test_a_default_stands_in_for_a_required_field(export, read):
    record = switch("S1")
    del record["poles"]
    got = read(export(switches=[record]), input={"switches": {"defaults": {"poles": "three"}}})
    assert got.rules() == [("assumed", "default_poles", "switches", ("S1",))]
    assert got.tables.switches["single_pole"].tolist() == [False]


def test_field_named_in_the_settings_is_missing(export, read):
    message = refusal(read, export(), FieldError, input={"cables": {"fields": {"kv": "volts"}}})
    assert "field 'volts' is missing" in message
    assert "input.cables.fields.kv" in message


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_no_coordinate_system(export, read, kind):
    path = export(kind, cables=frame([cable("C1")], crs=None))
    message = refusal(read, path, CrsError)
    assert "layer 'cables': no coordinate system; expected one in the file, or settings key input.crs" in message
    got = read(path, input={"crs": "EPSG:32614"})
    assert got.rules() == []
    assert got.tables.output_crs.to_epsg() == 32614


def test_coordinate_system_of_the_settings_that_is_none(export, read):
    message = refusal(read, export(), SettingsError, input={"crs": "EPSG:99"})
    assert message.startswith("settings key input.crs: 'EPSG:99' is not a coordinate system")


def test_coordinate_system_tied_to_no_place(export, read):
    local = CRS.from_wkt('LOCAL_CS["plant grid",UNIT["metre",1]]')
    message = refusal(read, export("parquet", cables=frame([cable("C1")], crs=local)), CrsError)
    assert "coordinate system 'plant grid' is tied to no place on Earth" in message


def test_input_changed_while_it_is_read(export):
    from survey.findings import FindingList
    from survey.read import read_network
    from survey.settings import Settings

    path = export()

    def touch(_step):
        path.write_bytes(path.read_bytes())

    with pytest.raises(FormatError, match="was changed while it was read; wait until it is written"):
        read_network(path, settings=Settings(), findings=FindingList(), progress=touch)


def test_unreadable_file(export, read, monkeypatch):
    import pathlib

    path = export()

    def refuse(*_args, **_kw):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(pathlib.Path, "open", refuse)
    assert "cannot be read (Permission denied)" in refusal(read, path, FormatError)


def test_cause_is_kept(tmp_path, read):
    path = tmp_path / "network"
    path.mkdir()
    (path / "cables.parquet").write_bytes(b"no")
    with pytest.raises(FormatError) as caught:
        read(path)
    assert caught.value.__cause__ is not None


def test_write_ahead_gpkg_leaves_no_side_files(export, read):
    path = export()
    base = sqlite3.connect(path)
    assert base.execute("pragma journal_mode=wal").fetchone() == ("wal",)
    base.close()
    before = sorted(path.parent.iterdir())
    assert read(path).rules() == []
    assert sorted(path.parent.iterdir()) == before


def test_nothing_is_printed(export, read, capfd):
    read(export(cables=[cable("C1", None), cable("C2", point(0, 0)), cable("C3")]))
    assert capfd.readouterr() == ("", "")
