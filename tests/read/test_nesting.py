"""Geometries in one another: refused before a parser without end to its recursion sees them."""

import struct
import subprocess
import sys

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from survey.read.geometry import too_deep

LINE = shapely.LineString([(0, 0), (3, 4)])
SIMPLE = st.sampled_from(
    [LINE, shapely.Point(1, 2), shapely.box(0, 0, 1, 1), shapely.LineString([(0, 0, 1), (1, 1, 2)])]
)


def nested(levels, *, kind=7, before=b"", order="<"):
    mark = b"\x01" if order == "<" else b"\x00"
    head = mark + struct.pack(f"{order}II", kind, 1 + bool(before)) + before
    return head * levels + shapely.to_wkb(LINE)


def depth(shape):
    parts = getattr(shape, "geoms", None)
    return 1 if parts is None else 1 + max(map(depth, parts), default=0)


@given(st.recursive(SIMPLE, lambda inner: st.lists(inner, max_size=3).map(shapely.GeometryCollection), max_leaves=9),
       st.sampled_from(["iso", "extended"]), st.sampled_from([0, 1]))  # fmt: skip
def test_as_deep_as_shapely_says(shape, flavor, order):
    wkb = shapely.to_wkb(shape, flavor=flavor, byte_order=order)
    assert too_deep(wkb) == (depth(shape) > 3)


@pytest.mark.parametrize("kind", [4, 5, 6, 7, 1007, 0x80000007, 12])
@pytest.mark.parametrize("order", ["<", ">"])
def test_deeper_than_any_line(kind, order):
    assert too_deep(nested(4, kind=kind, order=order))
    assert too_deep(nested(100_000, kind=kind, order=order))


def test_deep_in_the_second_of_two():
    point = shapely.to_wkb(shapely.Point(1, 2))
    assert too_deep(nested(50, before=point))
    assert too_deep(nested(50, before=shapely.to_wkb(shapely.box(0, 0, 1, 1))))
    assert not too_deep(nested(2))


@given(st.binary(max_size=60))
def test_any_bytes(data):
    assert too_deep(data) in {True, False}
    assert not too_deep(b"\x01" + data[:4])


READ = """
import sys
sys.path[:0] = sys.argv[2:]
from pathlib import Path
from survey.findings import FindingList
from survey.read import read_network
from survey.settings import Settings
findings = FindingList()
read_network(Path(sys.argv[1]), settings=Settings(), findings=findings)
print([(f.rule, f.ids) for f in findings if f.layer == "cables"])
"""


def test_a_layer_of_collections_nested_without_end(export):
    """In a process of its own: it ended without a word before."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = export("parquet")
    file = path / "cables.parquet"
    table = pq.read_table(file)
    place = table.schema.get_field_index("geometry")
    shapes = [nested(300_000, kind=kind) for kind in (5, 7)][: table.num_rows]
    shapes += table["geometry"].to_pylist()[len(shapes) :]
    table = table.set_column(place, table.schema.field(place), pa.array(shapes, table.schema.field(place).type))
    pq.write_table(table, file)
    done = subprocess.run([sys.executable, "-c", READ, path], check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "unreadable_geometry" in done.stdout
