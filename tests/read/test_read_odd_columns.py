"""Columns of unusual types, and points that leave the coordinate system."""

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import cable, frame, line, point, site
from shapely import GeometryCollection, Point, Polygon

from survey.errors import CrsError
from survey.input_schema import field_specs
from survey.read.columns import as_text
from survey.read.geometry import base_kinds, has_curves
from survey.read.inspect import inspect_network


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (pa.array([True, None]), ["true", None]),
        (pa.array(["a", "b ", "a"]).dictionary_encode(), ["a", "b", "a"]),
        (pa.array([b"x", None]), ["b'x'", None]),
        (pa.array([[1, 2], None]), ["[1, 2]", None]),
        (pa.array([1.0, 2.5, float("nan"), 1e20]), ["1", "2.5", None, "1e+20"]),
        (pa.array([None, " ", "x"]), [None, None, "x"]),
        (pa.nulls(2), [None, None]),
    ],
)
def test_text_of_any_column(column, text):
    assert as_text(column).to_pylist() == text


def test_dictionary_columns_of_geoparquet(export, read):
    path = export("parquet", cables=[cable("C1"), cable("C2", build="oh", kv=24.9)])
    table = pq.read_table(path / "cables.parquet")
    for name in ("build", "feeder", "kv"):
        table = table.set_column(table.schema.get_field_index(name), name, table[name].dictionary_encode())
    pq.write_table(table, path / "cables.parquet")
    got = read(path)
    assert got.rules() == []
    assert got.tables.cables["shielded"].tolist() == [True, False]
    assert got.tables.cables["voltage_v"].tolist() == pytest.approx([12470, 24900])


def test_default_of_a_text_field(export, read):
    got = read(
        export(transformers=[site("T1", district=None), site("T2")]),
        input={"transformers": {"defaults": {"district": "South"}}},
    )
    assert got.tables.transformers["district"].tolist() == ["South", "North"]
    assert got.rules() == [("assumed", "default_district", "transformers", ("T1",))]


def test_implausible_number_of_customers(export, read):
    got = read(export(transformers=[site("T1", customers=1_000_000)]))
    assert "outside 0 to 20000, as far as 1e+06;" in got.one("implausible_customers").message


def test_a_point_beyond_the_system_is_named(export, read):
    lonlat = frame([site("T1", Point(-99, 36.14)), site("T2", Point(81.0, -200.0))], crs="EPSG:4326")
    got = read(export("parquet", transformers=lonlat))
    assert got.rules() == [("error", "not_finite", "transformers", ("T2",))]
    assert got.tables.transformers["x"].notna().tolist() == [True, False]


def test_the_bank_takes_the_place_and_names_of_its_first_unit_that_has_them(export, read):
    units = [site(f"U{i}", None if i == 0 else point(i, 0), phases="ABC"[i], bank_id="B") for i in range(3)]
    units[0] |= {"feeder": None, "district": None}
    got = read(export(transformers=units))
    row = got.tables.transformers.iloc[0]
    assert (row["site_id"], row["x"], row["feeder"], row["district"]) == ("B", 500_001, "F1", "North")


def test_two_banks_and_two_sites_with_the_names_of_each_other(export, read):
    units = [site(f"U{i}", phases="ABC"[i], bank_id="B") for i in range(3)]
    got = read(export(transformers=[site("B"), site("B#2"), *units]))
    assert got.tables.transformers["site_id"].tolist() == ["B", "B#2", "B#3"]


def test_geometry_kinds():
    def wkb(*shapes):
        return pa.array([None if s is None else s.wkb for s in shapes], pa.large_binary())

    assert base_kinds(wkb(line((0, 0), (1, 1)), None, Point(0, 0))) == {1, 2}
    big = pa.array([Point(0, 0).wkb[:0] + b"\x00\x00\x00\x00\x01" + b"\x00" * 16], pa.large_binary())
    assert base_kinds(big) == {1}
    assert not has_curves(wkb(Point(0, 0), None))


def test_layers_of_areas_and_collections_can_be_looked_at(export):
    areas = frame([{"name": "x", "geometry": Polygon([(0, 0), (1, 0), (1, 1)])}])
    mixed = frame([{"name": "y", "geometry": GeometryCollection([Point(0, 0)])}])
    found = inspect_network(export("parquet", areas=areas, mixed=mixed))
    assert found.layer("areas").geometry == "polygon"
    assert found.layer("mixed").geometry == "geometrycollection"
    assert found.guesses["sources"].theirs == "sources"


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_lengths_are_not_known_without_a_coordinate_system(export, read):
    path = export("parquet", cables=frame([cable("C1")], crs=None))
    found = inspect_network(path).layer("cables")
    assert found.crs is None
    assert found.drawn_m.shape == (1,)
    with pytest.raises(CrsError):
        read(path)


def test_every_number_field_has_a_range():
    for layer in ("cables", "transformers"):
        for spec in field_specs(layer).values():
            assert (spec.plausible is not None) == (spec.kind == "number")


@pytest.mark.parametrize("kind", ["gpkg", "parquet"])
def test_whole_numbers_beyond_what_a_float_holds(export, read, kind):
    path = export(kind, transformers=[site("T1", kva=2**62 + 1), site("T2", kva=-(2**62)), site("T3", kva=300)])
    got = read(path)
    assert {"T1", "T2"} == {name for finding in got.findings for name in finding.ids if finding.layer == "transformers"}
    assert got.tables.transformers.set_index("site_id").loc["T3", "rating_va"] == 300e3
