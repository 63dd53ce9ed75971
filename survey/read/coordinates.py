"""Coordinate systems: one planar system in metres to work in, longitude and latitude, lengths on the ground."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from pyproj import CRS, Geod, Proj
from pyproj.exceptions import ProjError

from survey.arrays import Floats, Ints
from survey.errors import CrsError
from survey.projections import projection
from survey.read.formats import LayerInfo
from survey.read.geometry import planar_lengths, sum_steps

WGS84 = CRS.from_epsg(4326)
SCALE_TOLERANCE = 1e-3  # how far the scale of a projected system may be off before lengths are taken on the ellipsoid
ALL_ROUND = (360.0, 90.0)  # degrees of longitude and latitude that there are
SAMPLE = 4096
OUTER_PERCENT = 1.0  # share of vertices at each edge left out, so that a far-off point does not choose the system


@dataclass(frozen=True)
class Places:
    """Where everything is.

    ``output_crs`` coordinate system of the export's cables; ``working_crs`` planar, metres; ``true_scale`` planar
    lengths in ``working_crs`` are lengths on the ground, because the export's own system is true to 0.1 %.
    """

    output_crs: CRS
    working_crs: CRS
    true_scale: bool

    def to_working(self, xy: Floats, *, crs: CRS) -> Floats:
        """Coordinates of a layer in the working system, shape (n, 2); NaN for what has no place there."""
        factor = metre_factor(crs)
        if self.true_scale and crs == self.output_crs and factor is not None:
            return xy if factor == 1.0 else xy * factor
        return _transform(xy, source=crs, target=self.working_crs)

    def to_lonlat(self, xy: Floats) -> Floats:
        """Longitude and latitude of working coordinates, degrees, shape (n, 2)."""
        return _transform(xy, source=self.working_crs, target=WGS84)

    def line_lengths(self, xy: Floats, start: Ints) -> Floats:
        """Length on the ground of each line of working coordinates, metres, shape (n_lines,)."""
        if len(start) < 2:
            return np.zeros(0)
        if self.true_scale:
            return planar_lengths(xy, start)
        lon, lat = self.to_lonlat(xy).T
        _, _, step = Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
        return sum_steps(np.asarray(step, np.float64), start)


def _transform(xy: Floats, *, source: CRS, target: CRS) -> Floats:
    try:
        transformer = projection(source, target)
    except ProjError as error:
        msg = (
            f"coordinate system '{source.name}': no way from it to '{target.name}'; export the layer in another system"
        )
        raise CrsError(msg) from error
    moved = np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))
    moved[~np.isfinite(moved).all(axis=1)] = np.nan
    return moved


def metre_factor(crs: CRS) -> float | None:
    """Metres per unit of a projected system's axes; ``None`` for one that is not projected."""
    return float(crs.axis_info[0].unit_conversion_factor) if crs.is_projected else None


def layer_crs(info: LayerInfo, *, fallback: CRS | None) -> CRS | None:
    """Horizontal coordinate system of a layer; the one of the settings where the file names none.

    Raises ``CrsError``: a layer with geometry has none, or one that is tied to no place on Earth.
    """
    if not info.has_geometry:
        return None
    crs = info.crs or fallback
    if crs is None:
        msg = (
            f"{info.file}, layer '{info.name}': no coordinate system; expected one in the file, "
            'or settings key input.crs, for example "EPSG:32614"'
        )
        raise CrsError(msg)
    crs = _horizontal(crs)
    if not (crs.is_projected or (crs.is_geographic and not crs.is_geocentric)):
        msg = (
            f"{info.file}, layer '{info.name}': coordinate system '{crs.name}' is tied to no place on Earth; "
            "expected a projected or a geographic one; export the layer in such a system"
        )
        raise CrsError(msg)
    return crs


def _horizontal(crs: CRS) -> CRS:
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    return crs.to_2d()


def choose_places(crss: Mapping[str, CRS | None], xy: Floats, *, of: str) -> Places:
    """Choose the working system from coordinates of layer ``of``.

    ``crss``: coordinate system of each layer, ``None`` for a plain table. ``xy``: coordinates in that layer's system,
    shape (n, 2), in an order that does not depend on the file's. ``of``: the layer they belong to. Raises ``CrsError``:
    coordinates that should be degrees are none.
    """
    own = crss.get(of)
    output = crss.get("cables") or own or WGS84
    if own is None:
        return Places(output, _local_system(np.zeros((0, 2))), true_scale=False)
    lonlat = _transform(_inner(xy), source=own, target=WGS84)
    lonlat = lonlat[np.isfinite(lonlat).all(axis=1)]
    if len(lonlat) and (np.abs(lonlat[-1]) > ALL_ROUND).any():
        x, y = _inner(xy)[-1]
        msg = (
            f"layer '{of}': coordinates about {x:g}, {y:g} are no degrees, as coordinate system '{own.name}' has them; "
            'name the system that they are of in the file, or in settings key input.crs, for example "EPSG:32614"'
        )
        raise CrsError(msg)
    if output.is_projected and _scale_is_true(output, lonlat):
        return Places(output, _in_metres(output), true_scale=True)
    return Places(output, _local_system(lonlat), true_scale=False)


def _inner(xy: Floats) -> Floats:
    """Return the four corners and the middle of where nearly all coordinates lie, shape (5, 2) or (0, 2)."""
    if len(xy) > 2 * SAMPLE:
        xy = xy[:: len(xy) // SAMPLE]
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(xy):
        return xy
    (x0, y0), (x1, y1) = np.percentile(xy, [OUTER_PERCENT, 100 - OUTER_PERCENT], axis=0)
    x, y = np.median(xy, axis=0)
    return np.array([[x0, y0], [x0, y1], [x1, y0], [x1, y1], [x, y]])


def _scale_is_true(crs: CRS, lonlat: Floats) -> bool:
    """Whether the scale is true to 0.1 % in every direction at all given places; no place: not known, so no."""
    if not len(lonlat):
        return False
    try:
        factors = Proj(crs).get_factors(lonlat[:, 0], lonlat[:, 1])
    except ProjError:  # a system that cannot tell its scale is not trusted with lengths
        return False
    scales = np.concatenate([np.atleast_1d(factors.tissot_semimajor), np.atleast_1d(factors.tissot_semiminor)])
    return bool(np.isfinite(scales).all() and (np.abs(scales - 1) <= SCALE_TOLERANCE).all())


def _in_metres(crs: CRS) -> CRS:
    """Give the same projection with axes in metres."""
    if metre_factor(crs) == 1.0:
        return crs
    text = crs.to_json_dict()
    for part in ("id", "ids", "usages", "scope", "area", "bbox"):
        text.pop(part, None)
    text["name"] = f"{crs.name} (in metres)"
    for axis in text["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    return CRS.from_json_dict(text)


def _local_system(lonlat: Floats) -> CRS:
    """Give a transverse Mercator system centred on the data; rounded, so that a small change does not move it."""
    lon, lat = np.round(lonlat[-1], 1) if len(lonlat) else (0.0, 0.0)
    return CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs")
