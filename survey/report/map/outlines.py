"""District outlines, derived from where the sites of a district stand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from survey.network.nearness import make_strips, nearest_point

CELLS = 48
"""Sites are thinned to one for each cell of a grid this fine before the outline is drawn."""
TIGHTNESS = 0.35
MARGIN = 0.02
FAR_OUT, MANY = 5.0, 10
"""A site so many times as far from its nearest neighbour as the middle one is left outside, where there are so many."""


def district_outlines(districts: pd.Series[Any], xy: NDArray[np.float64]) -> tuple[list[str], NDArray[np.object_]]:
    """Names and outline polygons of the districts that have a name and a placed site, by name.

    ``districts``: district of each site. Shape (n_sites,). ``xy``: places of the sites in survey coordinates, NaN where
    there is none. Shape (n_sites, 2).
    """
    placed = np.isfinite(xy).all(axis=1) & districts.notna().to_numpy() & (districts != "").to_numpy(dtype=bool)
    codes, names = pd.factorize(districts[placed].astype(str), sort=True)
    order = np.argsort(codes, kind="stable")
    groups = np.split(xy[placed][order], np.flatnonzero(np.diff(codes[order])) + 1) if len(names) else []
    outlines = np.empty(len(groups), dtype=object)
    outlines[:] = [_outline(group) for group in groups]
    return [str(name) for name in names], outlines


def _outline(xy: NDArray[np.float64]) -> BaseGeometry:
    xy = _without_outliers(xy)
    low, span = xy.min(axis=0), np.ptp(xy, axis=0)
    cells = np.floor((xy - low) / np.maximum(span, 1e-9) * (CELLS - 1e-6)).astype(np.int64)
    chosen = np.unique(cells[:, 0] * CELLS + cells[:, 1], return_index=True)[1]
    margin = MARGIN * max(float(np.hypot(*span)), 1e-6)
    hull = shapely.concave_hull(shapely.MultiPoint(xy[np.sort(chosen)]), ratio=TIGHTNESS)
    return hull.buffer(margin, quad_segs=4).simplify(margin / 8)


def _without_outliers(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(xy) < MANY:
        return xy
    half = np.subtract(*np.percentile(xy, (75, 25), axis=0))  # what is far out stretches the whole
    reach = max(FAR_OUT * float(np.sqrt(half.prod() / len(xy))), float(half.max()) / len(xy), 1e-6)
    middle = np.inf
    while reach < FAR_OUT * middle:  # neighbours further away are not looked for
        reach *= 2.0
        away = nearest_point(xy, make_strips(xy, tolerance_m=reach), tolerance_m=reach, own=np.arange(len(xy)))[1]
        middle = max(float(np.median(away)), 1e-9)
    return xy[away <= FAR_OUT * middle]
