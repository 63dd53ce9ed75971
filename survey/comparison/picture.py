"""The map of the change: every kind has its own shape, so that a grey print reads the same."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from survey.report.gpkg import places
from survey.report.pictures import GREY, INK, draw_network, legend_below, map_size, picture
from survey.result import CAUTION

if TYPE_CHECKING:
    from pathlib import Path

    from survey.comparison.comparison import Comparison

MARKS = {
    "worse": ("^", "#b2182b"),
    "new": ("P", "#e08214"),
    "unknown": ("s", "#542788"),
    "same": (".", "#666666"),
    "gone": ("x", "#444444"),
    "better": ("v", "#2166ac"),
}


def draw_change_picture(comparison: Comparison, path: Path) -> None:
    """Sites that changed, on the network of the new survey."""
    table = comparison.sites
    points = places(table["lon"].to_numpy(float), table["lat"].to_numpy(float), crs=comparison.new.crs)
    with picture([path], size=map_size(comparison.new.network.geometry)) as (figure, axes):
        draw_network(axes, comparison.new.network.geometry)
        for kind in ("same", "better", "gone", "unknown", "new", "worse"):
            shape, colour = MARKS[kind]
            rows = [k for k in np.flatnonzero((table["change"] == kind).to_numpy(bool)) if points[k] is not None]
            if rows:
                xy = np.array([(points[k].x, points[k].y) for k in rows])
                axes.plot(xy[:, 0], xy[:, 1], shape, color=colour, markersize=7, label=f"{kind} ({len(rows)})")
        legend_below(axes)
        axes.set_title("What changed between the two surveys", loc="left", color=INK)
        figure.supxlabel(CAUTION, fontsize=7, color=GREY)
