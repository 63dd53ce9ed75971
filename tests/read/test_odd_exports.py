"""Exports that are odd but usable, and such that are not: read, or refused in one line."""

from __future__ import annotations

import tomllib

import geopandas as gpd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from conftest import WRITERS, cable, frame, line, point, site, switch

from survey.errors import FormatError, SurveyError
from survey.read.draft import draft_settings
from survey.read.inspect import inspect_network

KINDS = ["gpkg", "shapes", "parquet"]
LAYERS = {
    "cables": [cable("C1"), cable("C2", line((100, 0), (200, 0)))],
    "transformers": [site("T1", point(200, 0))],
    "switches": [switch("S1", point(100, 0), guards="C2")],
    "sources": [{"source_id": "X1", "feeder": "F1", "geometry": point(0, 0)}],
}


@pytest.mark.parametrize("kind", KINDS)
def test_names_in_any_case_and_a_path_with_blanks_and_accents(tmp_path, read, kind):
    layers = {
        name.title(): frame(rows).rename(columns=lambda column: column if column == "geometry" else column.title())
        for name, rows in LAYERS.items()
    }
    name = "net wörk, ñ"
    got = read(WRITERS[kind](tmp_path / (f"{name}.gpkg" if kind == "gpkg" else name), layers))
    assert got.rules() == []
    assert got.tables.switches["guards"].tolist() == ["C2"]


@pytest.mark.parametrize("kind", KINDS)
def test_columns_with_names_of_sql(export, read, kind):
    theirs = dict(zip(["cable_id", "feeder", "kv", "build"], ["select", "from", "where", "group"], strict=True))
    path = export(kind, **LAYERS, order=frame(LAYERS["cables"]).rename(columns=theirs))
    fields = {ours: name for ours, name in theirs.items() if ours != "kv"}
    said = {"layer": "order", "where": "\"group\" = 'ug'", "fields": fields, "values": {"kv": '"where" * 2'}}
    got = read(path, input={"cables": said})
    assert got.tables.cables["cable_id"].tolist() == ["C1", "C2"]
    assert got.tables.cables["voltage_v"].tolist() == [24940.0] * 2


@pytest.mark.parametrize("kind", KINDS)
def test_names_that_break_quotes_are_drafted(export, read, kind):
    odd = {"swit ches é": LAYERS["switches"], "trans.formers": LAYERS["transformers"]}
    path = export(kind, **{**LAYERS, "switches": None, "transformers": None}, **odd)
    got = read(path, **tomllib.loads(draft_settings(inspect_network(path))))
    assert len(got.tables.switches) == len(got.tables.transformers) == 1


def multiple(shape):
    return shapely.multilinestrings([shape]) if shape.geom_type == "LineString" else shapely.multipoints([shape])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("change", [multiple, lambda shape: shapely.force_3d(shape, 7.0)], ids=["multiple", "height"])
def test_multiple_geometries_and_heights(export, read, kind, change):
    tables = {name: frame(rows) for name, rows in LAYERS.items()}
    moved = {n: t.set_geometry(gpd.GeoSeries([change(g) for g in t.geometry], crs=t.crs)) for n, t in tables.items()}
    got, plain = read(export(kind, **moved)), read(export(name="plain", **LAYERS))
    assert got.rules() == []
    assert got.tables.lines.xy.tolist() == plain.tables.lines.xy.tolist()
    assert got.tables.transformers[["x", "y"]].equals(plain.tables.transformers[["x", "y"]])


@pytest.mark.parametrize(("number", "size"), [(2000, 3), (3000, 4)], ids=["measure", "height and measure"])
def test_measures_as_the_standard_writes_them(export, read, number, size):
    path = export("parquet", **LAYERS)
    file = path / "cables.parquet"
    table = pq.read_table(file)
    shapes = [shapely.get_coordinates(shapely.from_wkb(value)) for value in table["geometry"].to_pylist()]
    wkb = [
        b"\x01" + (number + 2).to_bytes(4, "little") + len(xy).to_bytes(4, "little")
        + b"".join(pa.array([*place, *[5.0] * (size - 2)]).buffers()[1].to_pybytes()[: 8 * size] for place in xy)
        for xy in shapes
    ]  # fmt: skip
    at = table.schema.get_field_index("geometry")
    pq.write_table(table.set_column(at, table.schema.field(at), pa.array(wkb, table.schema.field(at).type)), file)
    got = read(path)
    assert got.rules() == []
    assert got.tables.cables["drawn_m"].tolist() == pytest.approx([100.0, 100.0])


@pytest.mark.parametrize("layer", LAYERS)
@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_layer_and_no_sources_refuse_nothing(export, read, kind, layer):
    tables = {name: frame(rows) for name, rows in LAYERS.items()}
    tables[layer] = tables[layer].iloc[:0]
    path = export(kind, **tables)
    read(path)
    read(path, **tomllib.loads(draft_settings(inspect_network(path))))
    read(export(kind, name="other", **{**LAYERS, "sources": None}))


@pytest.mark.parametrize(
    ("kind", "part", "words"),
    [
        ("gpkg", "", "named .gpkg but is not a GeoPackage"),
        ("parquet", "cables.parquet", "file size is 0 bytes"),
        ("shapes", "cables.shp", "cannot be read"),
        ("shapes", "cables.shx", "cannot be read"),
        ("shapes", "cables.dbf", "fields there: none"),
    ],
)
def test_a_file_without_a_byte_is_one_line(export, read, kind, part, words):
    path = export(kind, **LAYERS)
    (path / part if part else path).write_bytes(b"")
    with pytest.raises(SurveyError, match=words) as refusal:
        read(path)
    assert "\n" not in str(refusal.value)
    assert "driver" not in str(refusal.value)


def test_a_packed_export_is_to_be_unpacked(tmp_path, read):
    (tmp_path / "net.zip").write_bytes(b"PK")
    with pytest.raises(FormatError, match=r"net\.zip: packed; unpack it, then give one \.gpkg file"):
        read(tmp_path / "net.zip")
