"""Coordinate systems: lengths on the ground, one working system, layers brought together."""

import numpy as np
import pytest
from conftest import UTM, cable, frame, line, point, site, switch
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from survey.read.coordinates import choose_places, layer_crs

OKLAHOMA_FEET = "EPSG:2267"  # NAD83 / Oklahoma North (ftUS): the test ground lies in its zone
GEOD = Geod(ellps="WGS84")


def cables_in(crs):
    """A cable of some length and bend, drawn in another system."""
    bent = line((0, 0), (300, 40), (500, 700))
    return frame([cable("C1", bent, length_m=None)]).to_crs(crs), bent


def geodesic_m():
    """Length of that cable on the ellipsoid."""
    shape = frame([cable("C1", line((0, 0), (300, 40), (500, 700)))]).to_crs("EPSG:4326").geometry[0]
    return GEOD.geometry_length(shape)


@pytest.mark.parametrize("crs", [UTM, OKLAHOMA_FEET, "EPSG:4326", "EPSG:3857", "EPSG:4269", "EPSG:5070"])
@pytest.mark.parametrize("kind", ["gpkg", "parquet"])
def test_lengths_are_on_the_ground_in_every_system(export, read, crs, kind):
    cables, _ = cables_in(crs)
    points = {"transformers": frame([site("T1")]).to_crs(crs), "switches": frame([switch("S1")]).to_crs(crs)}
    got = read(export(kind, cables=cables, **points))
    assert got.rules() == []
    tables = got.tables
    # 0.1 % is what a projected system is trusted for; the geodesic ones are exact.
    exact = crs in ("EPSG:4326", "EPSG:3857", "EPSG:4269", "EPSG:5070")
    assert tables.cables["drawn_m"][0] == pytest.approx(geodesic_m(), rel=1e-6 if exact else 1e-3)
    assert tables.output_crs == CRS(crs)
    assert tables.working_crs.axis_info[0].unit_name == "metre"
    assert tables.working_crs.is_projected
    # Planar lengths in the working system are lengths on the ground as well.
    step = np.hypot(*np.diff(tables.lines.xy, axis=0).T).sum()
    assert step == pytest.approx(geodesic_m(), rel=1e-3)


@pytest.mark.parametrize("crs", [UTM, OKLAHOMA_FEET, "EPSG:4326", "EPSG:3857"])
def test_points_have_longitude_and_latitude(export, read, crs):
    lon, lat = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(500_100, 4_000_000)
    cables, _ = cables_in(crs)
    got = read(export(cables=cables, transformers=frame([site("T1")]).to_crs(crs)))
    row = got.tables.transformers.iloc[0]
    assert (row["lon"], row["lat"]) == pytest.approx((lon, lat), abs=2e-6)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", OKLAHOMA_FEET])
def test_layers_in_other_systems_are_brought_to_that_of_the_cables(export, read, crs):
    got = read(export("parquet", transformers=frame([site("T1")]).to_crs(crs)))
    row = got.tables.transformers.iloc[0]
    assert (row["x"], row["y"]) == pytest.approx((500_100, 4_000_000), abs=0.1)


def test_system_in_feet_gives_metres(export, read):
    cables, bent = cables_in(OKLAHOMA_FEET)
    got = read(export(cables=cables))
    feet = cables.geometry[0].coords[0]
    np.testing.assert_allclose(got.tables.lines.xy[0], np.array(feet) * 1200 / 3937)
    # The working system is the same projection: it leads back to the same place.
    back = Transformer.from_crs(got.tables.working_crs, UTM, always_xy=True).transform(*got.tables.lines.xy[0])
    assert back == pytest.approx(bent.coords[0], abs=0.01)


def test_projected_system_out_of_its_zone_is_not_trusted(export, read):
    # 12 degrees from its central meridian, UTM is more than 1 % too long.
    cables, _ = cables_in("EPSG:32616")
    raw = cables.geometry[0].length
    got = read(export(cables=cables))
    assert abs(raw / geodesic_m() - 1) > 0.005
    assert got.tables.cables["drawn_m"][0] == pytest.approx(geodesic_m(), rel=1e-6)
    assert got.tables.working_crs != got.tables.output_crs


def test_a_far_off_point_does_not_choose_the_system(export, read):
    rows = [cable(f"C{i:03}", line((i, 0), (i + 1, 0)), length_m=None) for i in range(300)]
    rows.append(cable("Z", line((-9e6, -4e6), (-9e6, -4e6 + 5)), length_m=None))
    got = read(export(cables=rows))
    assert got.tables.working_crs == got.tables.output_crs


def test_a_vertex_beyond_the_system_is_named(export, read):
    geometry = frame([cable("C1")]).to_crs("EPSG:4326").geometry[0]
    from shapely import LineString

    off = LineString([(-99.0, 36.0), (20.0, 36.0)])
    records = [cable(f"C{i}", geometry, length_m=None) for i in range(9)] + [cable("D", off, length_m=None)]
    got = read(export("parquet", cables=frame(records, crs="EPSG:4326")))
    assert len(got.tables.cables) in (9, 10)
    if len(got.tables.cables) == 9:
        assert got.one("not_finite").ids == ("D",)


def test_compound_system_is_taken_flat(export, read):
    from conftest import line as drawn

    cables = frame([cable("C1", drawn((0, 0, 1), (100, 0, 2)))], crs="EPSG:32614+5703")
    got = read(export("parquet", cables=cables))
    assert got.rules() == []
    assert got.tables.output_crs.to_epsg() == 32614


def test_only_points_are_drawn(export, read):
    cables = [cable("C1", None, from_node="a", to_node="b")]
    lonlat = frame([site("T1", node="b")]).to_crs("EPSG:4326")
    got = read(export("parquet", cables=frame(cables, crs="EPSG:4326"), transformers=lonlat))
    assert np.isfinite(got.tables.transformers[["x", "y"]].to_numpy()).all()
    assert got.tables.working_crs.is_projected


def test_no_layer_has_a_geometry(export, read):
    cables = frame([{k: v for k, v in cable("C1", from_node="a", to_node="b").items() if k != "geometry"}])
    sites = frame([{k: v for k, v in site("T1", node="b").items() if k != "geometry"}])
    switches = frame([{k: v for k, v in switch("S1", node="a").items() if k != "geometry"}])
    got = read(export("parquet", cables=cables, transformers=sites, switches=switches, sources=None))
    assert got.rules() == []
    assert np.isnan(got.tables.transformers[["x", "y", "lon", "lat"]].to_numpy(dtype=float)).all()
    assert len(got.tables.cables) == 1


def test_layer_without_geometry_needs_no_system():
    from pathlib import Path

    from survey.read.formats import LayerInfo

    assert layer_crs(LayerInfo("cables", (), has_geometry=False, crs=None, file=Path("x")), fallback=None) is None


@settings(max_examples=30, deadline=None)
@given(lon=st.floats(-179, 179), lat=st.floats(-80, 80), bearing=st.floats(0, 360), length_m=st.floats(1, 20_000))
def test_geographic_lines_have_their_geodesic_length_anywhere(lon, lat, bearing, length_m):
    lon1, lat1, _ = GEOD.fwd(lon, lat, bearing, length_m)
    xy = np.array([[lon, lat], [lon1, lat1]])
    wgs = CRS("EPSG:4326")
    places = choose_places({"cables": wgs}, xy, of="cables")
    got = places.line_lengths(places.to_working(xy, crs=wgs), np.array([0, 2]))
    assert got[0] == pytest.approx(length_m, rel=1e-6, abs=1e-6)


def test_points_default_place(export, read):
    got = read(export(switches=[switch("S1", point(10, 20))]))
    assert got.tables.switches[["x", "y"]].iloc[0].tolist() == [500_010, 4_000_020]


def test_system_without_a_way_to_the_others(export, read, monkeypatch):
    from pyproj.exceptions import ProjError

    from survey.errors import CrsError
    from survey.read import coordinates

    def no_way(*_args, **_kw):
        raise ProjError("no operation found")

    monkeypatch.setattr(coordinates, "projection", no_way)
    with pytest.raises(CrsError, match="coordinate system 'WGS 84 / UTM zone 14N': no way from it to 'WGS 84'; export"):
        read(export())


def test_system_that_cannot_tell_its_scale_is_not_trusted(export, read, monkeypatch):
    from pyproj.exceptions import ProjError

    from survey.read import coordinates

    class NoFactors:
        def __init__(self, _crs):
            pass

        def get_factors(self, *_args):
            raise ProjError("no factors")

    monkeypatch.setattr(coordinates, "Proj", NoFactors)
    got = read(export())
    assert got.tables.working_crs != got.tables.output_crs
    assert got.tables.cables["drawn_m"][0] == pytest.approx(100 / 0.9996, rel=1e-4)
