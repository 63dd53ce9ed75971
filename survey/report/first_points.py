"""The switching points to look at first: those that most of the risk hangs on; the same on terminal and map."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

URGENT = ("severe", "high")


def first_points(sites: pd.DataFrame, *, most: int = 3) -> list[tuple[str, pd.DataFrame]]:
    """Points by the summed risk of the urgent sites whose score each sets (of all sites where none is urgent).

    ``sites``: the ranked sites table. Returns id of each point, and its sites by rank.
    """
    point = sites["worst_switch_id"].where(sites["worst_switch_id"] != "", sites["switch_id"])
    weight = sites["risk"] if sites["risk"].notna().any() else sites["priority"]
    counts = (point != "") & (weight > 0)
    urgent = sites["band"].isin(URGENT)
    if urgent.any():
        counts &= urgent
    sums = weight[counts].groupby(point[counts], sort=False).sum()
    order = np.lexsort((np.arange(len(sums)), -sums.to_numpy(dtype=np.float64)))[:most]
    return [(str(name), sites[counts & (point == name)]) for name in sums.index[order]]


def band_counts(sites: pd.DataFrame) -> str:
    """``2 severe and 1 high sites``: how many sites of each band, the worst first."""
    number = sites["band"].value_counts()
    parts = [f"{number[band]} {band}" for band in ("severe", "high", "moderate", "low") if band in number.index]
    listed = f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else "".join(parts)
    return f"{listed} site{'s' if len(sites) > 1 else ''}"
