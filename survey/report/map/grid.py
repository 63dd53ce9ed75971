"""Survey coordinates to whole numbers on the map's own fine grid.

The page draws in web Mercator, so that an online background fits when one is set. A survey spans little of the earth:
there a polynomial of two variables stands in for the exact projection, several times faster. It is used only when it
was checked against the exact one, else the exact one is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from pyproj import CRS

from survey.arrays import Floats
from survey.projections import projection

STEP_M = 0.2
"""Grid step, Mercator metres (at 45 degrees 0.14 m on the ground)."""
FIT_ERROR_M = 0.05
FIT_DEGREES = (3, 5)
CHUNK = 1 << 15


@dataclass(frozen=True)
class Fit:
    """A polynomial in place of the exact projection, over one extent.

    ``centre``, ``half`` middle and half size of the extent in survey coordinates, which scale it to -1 ... 1. Shape
    (2,); ``east``, ``north`` coefficients, metres from the grid's origin. Shape (degree + 1, degree + 1).
    """

    centre: Floats
    half: Floats
    east: Floats
    north: Floats

    def __call__(self, xy: Floats) -> Floats:
        """Mercator metres from the origin. Shape (n, 2)."""
        x, y = np.ascontiguousarray(((xy - self.centre) / self.half).T)
        return np.column_stack([polynomial.polyval2d(x, y, self.east), polynomial.polyval2d(x, y, self.north)])


class MapGrid:
    """Turns survey coordinates into grid steps east and north of an origin.

    ``crs`` coordinate system of the survey; ``bounds`` west, south, east, north in survey coordinates.
    """

    def __init__(self, crs: CRS, bounds: tuple[float, float, float, float]) -> None:
        self._exact = projection(crs, "EPSG:3857")
        self._lonlat = projection("EPSG:4326", "EPSG:3857")
        low, high = np.array(bounds[:2]), np.array(bounds[2:])
        middle = self._exact.transform(*((low + high) / 2))
        self.origin = np.rint(np.asarray(middle)) if np.isfinite(middle).all() else np.zeros(2)
        self._fit = self._checked_fit((low + high) / 2, np.maximum((high - low) / 2, 1e-9))

    def steps(self, xy: Floats) -> NDArray[np.int32]:
        """Grid steps of survey coordinates. Shapes (n, 2) in and out."""
        out, place = np.empty((len(xy), 2), np.int32), self._fit or self._project
        for first in range(0, len(xy), CHUNK):
            out[first : first + CHUNK] = _rounded(place(xy[first : first + CHUNK]))
        return out

    def lonlat_steps(self, lonlat: Floats) -> NDArray[np.int32]:
        """Grid steps of degrees (WGS 84). Shapes (n, 2) in and out."""
        return _rounded(np.column_stack(self._lonlat.transform(lonlat[:, 0], lonlat[:, 1])) - self.origin)

    def _project(self, xy: Floats) -> Floats:
        return np.column_stack(self._exact.transform(xy[:, 0], xy[:, 1])) - self.origin

    def _checked_fit(self, centre: Floats, half: Floats) -> Fit | None:
        nodes = np.cos(np.pi * (np.arange(12) + 0.5) / 12)
        checks = np.linspace(-1, 1, 17)
        known, wanted = (np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2) for side in (nodes, checks))
        exact, expected = self._project(centre + known * half), self._project(centre + wanted * half)
        if not (np.isfinite(exact).all() and np.isfinite(expected).all()):
            return None
        for degree in FIT_DEGREES:
            fit = Fit(centre, half, *_coefficients(known, exact, degree))
            if np.abs(fit(centre + wanted * half) - expected).max() <= FIT_ERROR_M:
                return fit
        return None


def _coefficients(at: Floats, values: Floats, degree: int) -> tuple[Floats, Floats]:
    matrix = polynomial.polyvander2d(at[:, 0], at[:, 1], [degree, degree])
    solved = np.asarray(np.linalg.lstsq(matrix, values, rcond=None)[0], dtype=np.float64)
    shape = (degree + 1, degree + 1)
    return solved[:, 0].reshape(shape), solved[:, 1].reshape(shape)


def _rounded(metres: Floats) -> NDArray[np.int32]:
    """Whole steps; what lies farther off than steps can count (a wrong place) stays at the farthest."""
    farthest = float(np.iinfo(np.int32).max)
    return np.clip(np.rint(np.nan_to_num(metres / STEP_M)), -farthest, farthest).astype(np.int32)
