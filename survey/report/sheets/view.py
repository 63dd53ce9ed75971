"""From places on the ground to places on a page, at scales people use."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from pyproj import CRS

from survey.arrays import Bools, Floats, Objects
from survey.projections import projection
from survey.report.sheets.paper import Rect

Units = Literal["metric", "us"]

POINTS_PER_M = 72 / 0.0254
FEET_PER_M = 1 / 0.3048
ROOM = 0.90
"""Share of the frame that the sites may fill, so that their labels have room."""
SMALLEST_SCALE_M = 500
"""No scale larger than 1:500: what is drawn is not surveyed to better than a metre."""

_METRIC_STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_US_STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_INCHES_PER_FOOT = 12


@dataclass(frozen=True)
class View:
    """A piece of ground in a frame.

    ``frame``: frame on the page, points. ``centre_m``: ground place in its middle, metres east and north. ``scale``:
    ground length over length on paper (2000 means 1:2000).
    """

    frame: Rect
    centre_m: tuple[float, float]
    scale: float

    @property
    def points_per_m(self) -> float:
        """Points on the page for a metre on the ground."""
        return POINTS_PER_M / self.scale

    @property
    def ground(self) -> Rect:
        """What the frame shows, metres."""
        half_x, half_y = self.frame.width / 2 / self.points_per_m, self.frame.height / 2 / self.points_per_m
        x, y = self.centre_m
        return Rect(x - half_x, y - half_y, x + half_x, y + half_y)

    def to_page(self, xy_m: Floats) -> Floats:
        """Places on the page, shape (n, 2), of places on the ground."""
        middle = np.array(self.frame.centre)
        return np.asarray((xy_m - self.centre_m) * self.points_per_m + middle)

    def shows(self, xy_m: Floats) -> Bools:
        """Which places lie in the frame; shape (n,)."""
        ground = self.ground
        low, high = xy_m >= (ground.x0, ground.y0), xy_m <= (ground.x1, ground.y1)
        return np.asarray((low & high).all(axis=1))


def fit(xy_m: Floats, *, frame: Rect, units: Units, least: float = SMALLEST_SCALE_M) -> View:
    """The view at the largest customary scale, down to ``least``, that shows all places, shape (n, 2), with room."""
    low, high = xy_m.min(axis=0), xy_m.max(axis=0)
    width, height = (high - low) * POINTS_PER_M
    needed = max(width / (frame.width * ROOM), height / (frame.height * ROOM), least)
    middle = (low + high) / 2
    return View(frame, (float(middle[0]), float(middle[1])), customary_scale(needed, units=units))


def customary_scale(needed: float, *, units: Units) -> float:
    """The next scale at or beyond ``needed``: 1:1000, 1:1250 ... or so many feet to the inch."""
    steps, base = (_METRIC_STEPS, 1.0) if units == "metric" else (_US_STEPS, float(_INCHES_PER_FOOT))
    power = 10.0 ** np.floor(np.log10(needed / base))
    choices = [base * power * step for step in (*steps, 10.0)]
    return float(next(choice for choice in choices if choice >= needed * (1 - 1e-9)))


def scale_text(scale: float, *, units: Units) -> str:
    """``1:2 000``, or ``1 in = 100 ft``."""
    if units == "us":
        return f"1 in = {scale / _INCHES_PER_FOOT:,.0f} ft".replace(",", " ")
    return f"1:{scale:,.0f}".replace(",", " ")


def length_text(length_m: float, *, units: Units) -> str:
    """A round length with its unit, for the scale bar."""
    if units == "us":
        feet = length_m * FEET_PER_M
        return f"{feet / 5280:g} mi" if feet >= 5280 else f"{feet:g} ft"
    return f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"


def whole_length(length_m: float, *, units: Units) -> str:
    """A length to the nearest metre or foot, halves up as on the map."""
    length, unit = (length_m * FEET_PER_M, "ft") if units == "us" else (length_m, "m")
    return f"{np.floor(length + 0.5):,.0f} {unit}"


def bar_length_m(view: View, *, longest: float, units: Units) -> float:
    """The greatest round length that is at most ``longest`` points in a view."""
    unit_m = 1.0 if units == "metric" else 1 / FEET_PER_M
    most = longest / view.points_per_m / unit_m
    if units == "us" and most >= 5280:
        unit_m, most = unit_m * 5280, most / 5280
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(step * power for step in (1, 2, 5) if step * power <= most) * unit_m)


def local_crs(lon: Floats, lat: Floats) -> CRS:
    """A metre grid, true to north and scale, around the middle of some places in degrees."""
    middle_lon, middle_lat = (float(np.median(values[np.isfinite(values)])) for values in (lon, lat))
    return CRS.from_dict(
        {"proj": "tmerc", "lat_0": round(middle_lat, 4), "lon_0": round(middle_lon, 4), "datum": "WGS84", "units": "m"}
    )


def moved(geometries: Objects, *, source: CRS, target: CRS) -> Objects:
    """Geometries in another coordinate system."""
    transformer = projection(source, target)

    def transform(xy: Floats) -> Floats:
        return np.stack(transformer.transform(xy[:, 0], xy[:, 1]), axis=1)

    return np.asarray(shapely.transform(geometries, transform))
