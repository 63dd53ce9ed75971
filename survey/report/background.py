"""How the user's own layers are drawn beneath the network, paler than anything of the survey."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

KINDS = ("points", "lines", "areas")
"""By what shapes are made of: no, one or two dimensions."""


@dataclass(frozen=True)
class Ground:
    """How a background layer looks.

    ``words`` what a legend calls it; ``line``, ``fill`` colours; ``""`` for none; ``width_px`` of the line; ``dash``
    lengths of dashes and gaps, pixels.
    """

    words: str
    line: str = ""
    fill: str = ""
    width_px: float = 1.0
    dash: tuple[float, ...] = ()


GROUNDS = {
    "land": Ground("Land", fill="#eef0e0"),
    "water": Ground("Water", line="#cfdfe4", fill="#e1ebee"),
    "parcel": Ground("Parcel", line="#e6e0d2", width_px=0.7),
    "street": Ground("Street", line="#e9e3d4", width_px=5.0),
    "border": Ground("Border", line="#c9bda2", width_px=1.2, dash=(9.0, 5.0)),
    "place": Ground("Place", line="#b9ae98", width_px=3.0),
}
"""In the order they are drawn."""
NAME_COLOUR = "#7a705e"
"""Of names: at least 4 to 1 against the paper."""


def no_background(crs: CRS | None = None) -> gpd.GeoDataFrame:
    """A background of nothing."""
    return gpd.GeoDataFrame({"look": [], "label": []}, geometry=[], crs=crs)


def in_order(background: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """What is to be drawn, bottom first."""
    if background is None:
        return no_background()
    place = background["look"].map({look: number for number, look in enumerate(GROUNDS)})
    return background.iloc[np.argsort(place.to_numpy(), kind="stable")]


def by_kind(background: gpd.GeoDataFrame | None) -> dict[str, gpd.GeoDataFrame]:
    """Points, lines and areas apart, those that there are."""
    if background is None:
        return {}
    kind = shapely.get_dimensions(background.geometry.to_numpy())
    return {name: background[kind == number] for number, name in enumerate(KINDS) if (kind == number).any()}
