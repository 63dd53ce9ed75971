"""Lines and points as they come."""

import struct

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from conftest import FILLED_CABLES, UTM, cable, line, point, site, switch
from shapely import GeometryCollection, LineString, MultiLineString, MultiPoint, Point, Polygon


def drawn(got):
    """Drawn vertices of every line, rounded, from the corner of the test ground."""
    lines = got.tables.lines
    parts = np.split(lines.xy, lines.start[1:-1]) if len(lines.owner) else []
    return [(np.round(part - [500_000, 4_000_000], 3)).tolist() for part in parts]


@pytest.mark.parametrize(
    ("geometry", "rule"),
    [
        (None, "null_geometry"),
        (LineString(), "empty_geometry"),
        (MultiLineString(), "empty_geometry"),
        (line((0, 0), (0, 0)), "zero_length"),
        (line((0, 0), (0, 0), (0, 0)), "zero_length"),
        (MultiLineString([line((0, 0), (0, 0))]), "zero_length"),
        (point(0, 0), "wrong_geometry"),
        (Polygon([(0, 0), (1, 0), (1, 1)]), "wrong_geometry"),
        (GeometryCollection([point(0, 0), line((0, 0), (1, 0))]), "wrong_geometry"),
        (LineString([(500_000, 4_000_000), (np.inf, 4_000_000)]), "not_finite"),
        (LineString([(500_000, 4_000_000), (1e38, 4_000_000)]), "not_finite"),
    ],
)
def test_lines_that_cannot_be_used(export, read, geometry, rule):
    got = read(export("parquet", cables=[cable("C1"), cable("C2", geometry)]))
    assert got.rules() == [("error", rule, "cables", ("C2",))]
    assert "and no node ids; they were left out of the network" in got.one(rule).message
    assert got.tables.cables["cable_id"].tolist() == ["C1"]
    assert got.tables.counts["cables"] == {"in": 2, "used": 1, "unusable": 1}


def test_an_unusable_line_with_node_ids_stays(export, read):
    records = [cable("C1", line((0, 0), (0, 0)), from_node="a", to_node="b"), cable("C2", from_node="b", to_node="c")]
    got = read(export(cables=records))
    assert got.rules() == [("warning", "zero_length", "cables", ("C1",))]
    assert got.tables.cables["cable_id"].tolist() == ["C1", "C2"]
    assert np.isnan(got.tables.cables["drawn_m"][0])
    assert got.tables.lines.owner.tolist() == [1]


def test_owners_follow_when_a_cable_is_left_out(export, read):
    got = read(export(cables=[cable("A", None), cable("B", line((0, 0), (100, 0))), cable("C")]))
    assert got.tables.lines.owner.tolist() == [0, 1]
    assert got.tables.cables["cable_id"].tolist() == ["B", "C"]


def test_pieces_that_join_are_joined(export, read):
    pieces = MultiLineString([line((50, 0), (100, 0)), line((0, 0), (50, 0))])
    got = read(export(cables=[cable("C1", pieces)]))
    assert got.rules() == []
    assert drawn(got) == [[[0, 0], [50, 0], [100, 0]]]


def test_pieces_that_do_not_join_are_all_kept(export, read):
    pieces = MultiLineString([line((60, 0), (100, 0)), line((0, 0), (50, 0)), line((5, 5), (5, 5))])
    got = read(export(cables=[cable("C1", pieces, length_m=90.0), cable("C2")]))
    assert got.rules() == [("warning", "in_pieces", "cables", ("C1",))]
    assert drawn(got) == [[[0, 0], [50, 0]], [[60, 0], [100, 0]], [[0, 0], [100, 0]]]
    assert got.tables.lines.owner.tolist() == [0, 0, 1]
    assert got.tables.cables["drawn_m"].tolist() == pytest.approx([90.0, 100.0])


def test_height_is_left_aside(export, read):
    got = read(
        export(
            cables=[cable("C1", line((0, 0, 5), (100, 0, 90)))], switches=[switch("S1", Point(500_000, 4_000_000, 7))]
        )
    )
    assert got.rules() == []
    assert drawn(got) == [[[0, 0], [100, 0]]]
    assert got.tables.switches[["x", "y"]].iloc[0].tolist() == [500_000, 4_000_000]


def test_closed_and_crossing_lines_are_used_and_named(export, read):
    ring = line((0, 0), (25, 0), (25, 25), (0, 25), (0, 0))
    bow = line((0, 0), (10, 10), (10, 0), (0, 10))
    back = line((0, 0), (10, 0), (5, 0))
    zigzag = line((0, 0), (10, 0), (8, 2), (20, 0))
    shapes = {"ring": ring, "bow": bow, "back": back, "zigzag": zigzag}
    got = read(export(cables=[cable(name, shape, length_m=shape.length) for name, shape in shapes.items()]))
    assert got.rules() == [
        ("warning", "closed_line", "cables", ("ring",)),
        ("warning", "self_crossing", "cables", ("back", "bow")),
    ]
    assert len(got.tables.lines.owner) == 4


def test_big_endian_and_measured_geometries(export, read):
    import geopandas as gpd
    import pyarrow.parquet as pq

    path = export("parquet", cables=[cable("C1"), cable("C2")])
    table = pq.read_table(path / "cables.parquet")
    shapes = gpd.read_parquet(path / "cables.parquet").geometry
    wkb = [shapely.to_wkb(shapes[0], byte_order=0), shapely.to_wkb(shapes[1])]
    at = table.schema.get_field_index("geometry")
    import pyarrow as pa

    pq.write_table(table.set_column(at, table.schema.field(at), pa.array(wkb)), path / "cables.parquet")
    got = read(path)
    assert got.rules() == []
    assert drawn(got) == [[[0, 0], [100, 0]]] * 2


def test_bytes_that_are_no_geometry(export, read):
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = export("parquet", cables=[cable("C1"), cable("C2"), cable("C3")])
    table = pq.read_table(path / "cables.parquet")
    at = table.schema.get_field_index("geometry")
    good = table["geometry"][0].as_py()
    table = table.set_column(at, table.schema.field(at), pa.array([good, b"\x01\x02", good[:-3]]))
    pq.write_table(table, path / "cables.parquet")
    got = read(path)
    assert got.rules() == [("error", "unreadable_geometry", "cables", ("C2", "C3"))]


@pytest.mark.parametrize(
    ("geometry", "rule"),
    [
        (None, "null_geometry"),
        (Point(), "empty_geometry"),
        (MultiPoint([(0, 0), (1, 1)]), "wrong_geometry"),
        (line((0, 0), (1, 1)), "wrong_geometry"),
        (Point(np.inf, 0), "not_finite"),
    ],
)
def test_points_that_cannot_be_used(export, read, geometry, rule):
    got = read(
        export(
            "parquet",
            transformers=[site("T1"), site("T2", geometry)],
            switches=[switch("S1"), switch("S2", geometry)],
        )
    )
    assert got.rules() == [("error", rule, "switches", ("S2",)), ("error", rule, "transformers", ("T2",))]
    # A site is never lost; a switch without a place controls nothing.
    assert got.tables.transformers["site_id"].tolist() == ["T1", "T2"]
    assert np.isnan(got.tables.transformers.loc[1, ["x", "y", "lon", "lat"]].astype(float)).all()
    assert got.tables.switches["switch_id"].tolist() == ["S1"]
    assert got.tables.counts["switches"] == {"in": 2, "used": 1, "unusable": 1}


def test_points_that_can_be_used(export, read):
    shapes = [MultiPoint([(500_001, 4_000_002)]), Point(500_001, 4_000_002, 3), Point(500_001, 4_000_002)]
    got = read(export("parquet", switches=[switch(f"S{i}", shape) for i, shape in enumerate(shapes)]))
    assert got.rules() == []
    assert got.tables.switches[["x", "y"]].to_numpy().tolist() == [[500_001, 4_000_002]] * 3


def test_a_bad_point_with_a_node_id_is_placed_by_it(export, read):
    shapes = [None, line((0, 0), (1, 1))]
    got = read(export("parquet", switches=[switch(f"S{i}", shape, node="n") for i, shape in enumerate(shapes)]))
    assert got.rules() == [("warning", "wrong_geometry", "switches", ("S1",))]
    assert len(got.tables.switches) == 2


def wkb_line(kind, *points):
    """Well-known binary of a line (2) or an arc (8) through points from the corner of the test ground."""
    return struct.pack("<BII", 1, kind, len(points)) + b"".join(
        struct.pack("<dd", 500_000 + x, 4_000_000 + y) for x, y in points
    )


def write_wkb(path, shapes):
    """A cable layer with geometries given as bytes."""
    table = pa.table(
        {**{k: [v] * len(shapes) for k, v in FILLED_CABLES.items() if k != "length_m"}, "geometry": pa.array(shapes)}
    )
    table = table.append_column("cable_id", pa.array([f"C{i}" for i in range(len(shapes))]))
    pyogrio.write_arrow(
        table,
        path,
        layer="cables",
        driver="GPKG",
        geometry_name="geometry",
        geometry_type="Unknown",
        crs=UTM,
        append=True,
    )


def test_arcs_are_drawn_as_short_steps(export, read):
    path = export(cables=None)
    arc = wkb_line(8, (0, 0), (50, 50), (100, 0))
    compound = struct.pack("<BII", 1, 9, 2) + arc + wkb_line(2, (100, 0), (200, 0))
    write_wkb(path, [arc, compound, wkb_line(2, (0, 0), (100, 0))])
    got = read(path)
    assert got.rules() == []
    half_circle = 50 * np.pi
    assert got.tables.cables["drawn_m"].tolist() == pytest.approx([half_circle, half_circle + 100, 100], rel=1e-3)


def test_an_arc_that_no_library_reads_is_named(read, export):
    path = export("parquet", cables=[cable("C0"), cable("C1")])
    table = pq.read_table(path / "cables.parquet")
    at = table.schema.get_field_index("geometry")
    shapes = [wkb_line(8, (0, 0), (50, 50), (100, 0)), wkb_line(2, (0, 0), (100, 0))]
    pq.write_table(table.set_column(at, table.schema.field(at), pa.array(shapes)), path / "cables.parquet")
    got = read(path)
    assert got.rules() == [("error", "unreadable_geometry", "cables", ("C0",))]


def test_geometries_in_arrow_coordinates(read, export):
    import geopandas as gpd

    path = export("parquet")
    drawn_before = read(path).tables
    frame = gpd.read_parquet(path / "cables.parquet")
    frame.to_parquet(path / "cables.parquet", geometry_encoding="geoarrow", schema_version="1.1.0")
    got = read(path)
    assert got.rules() == []
    np.testing.assert_array_equal(got.tables.lines.xy, drawn_before.lines.xy)


def test_lines_some_at_a_time_are_as_all_at_once(read, export, monkeypatch):
    shapes = [
        line((0, 0), (100, 0), (50, 50), (50, -50)),  # crosses itself
        line((0, 100), (100, 100)),
        line((0, 200), (100, 200), (50, 250), (0, 200)),  # closed
        line((0, 300), (30, 340), (60, 300)),
        line((0, 400), (0, 400)),
    ]
    path = export("parquet", cables=[cable(f"C{k}", shape) for k, shape in enumerate(shapes)])
    whole = read(path)
    monkeypatch.setattr("survey.read.tables.LINES_AT_ONCE", 2)
    some = read(path)
    assert some.rules() == whole.rules()
    assert {rule for _, rule, *_ in whole.rules()} >= {"self_crossing", "closed_line", "zero_length"}
    np.testing.assert_array_equal(some.tables.lines.ground_m, whole.tables.lines.ground_m)
