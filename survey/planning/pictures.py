"""Pictures of a plan: risk against budget, and where the installs are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from survey.report.pictures import GREY, INK, draw_network, legend_below, map_size, picture
from survey.result import CAUTION

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from survey.planning.planning import Plan

BLUE, ORANGE = "#0b5394", "#b45f06"
MOST_NUMBERS = 40
"""More installs than this are drawn without their numbers."""


def draw_curve_picture(plan: Plan, paths: Sequence[Path]) -> None:
    """Risk left against budget: exact and greedy, with the plan marked."""
    curve = plan.curve
    with picture(paths, size=(8.0, 5.0)) as (figure, axes):
        share = 100.0 / plan.risk_before if plan.risk_before > 0 else 0.0
        axes.plot(curve.budget, curve.optimum * share, color=BLUE, marker="o", markersize=4, label="exact optimum")
        axes.plot(curve.budget, curve.greedy * share, color=ORANGE, linestyle="--", linewidth=1.6,
                  label="greedy choice: always the best next one")  # fmt: skip
        label = f"this plan leaves {plan.risk_after:,.0f} of {plan.risk_before:,.0f}"
        axes.plot([plan.request.budget], [plan.risk_after * share], "D", color=INK, markersize=8, label=label)
        unit = "number of installs" if (plan.candidates.table["cost"] == 1.0).all() else "unit of the costs"
        axes.set_xlabel(f"Budget ({unit})")
        axes.set_ylabel("Risk left, % (severity-weighted ringing operations a year)")
        axes.set_ylim(0, 105)
        axes.set_xlim(left=0)
        axes.grid(visible=True, color="#dddddd", linewidth=0.6)
        axes.legend(loc="best", frameon=False)
        axes.set_title("Risk left for each budget", loc="left", color=INK)
        figure.supxlabel(CAUTION, fontsize=7, color=GREY)


def draw_map_picture(plan: Plan, folder: Path, path: Path) -> None:
    """The installs in their order on the drawn network, sites as dots by what they gain."""
    from survey.report.reread import read_results

    saved = read_results(folder)
    with picture([path], size=map_size(saved.network.geometry)) as (figure, axes):
        draw_network(axes, saved.network.geometry)
        draw_installs(axes, plan, crs=saved.crs)
        axes.set_title(f"{len(plan.installs)} installs in order of what they bring", loc="left", color=INK)
        figure.supxlabel(CAUTION, fontsize=7, color=GREY)


def draw_installs(axes: Axes, plan: Plan, *, crs: Any) -> None:  # noqa: ANN401 - a pyproj CRS
    """Numbered marks: squares replace a point, triangles are added."""
    from survey.report.gpkg import places

    table = plan.installs
    points = places(table["lon"].to_numpy(float), table["lat"].to_numpy(float), crs=crs)
    for kind, mark, label in (
        ("three_pole", "s", "made three-pole"),
        ("add_three_pole", "^", "three-pole device added"),
    ):
        rows = [k for k in np.flatnonzero((table["kind"] == kind).to_numpy(bool)) if points[k] is not None]
        if rows:
            xy = np.array([(points[k].x, points[k].y) for k in rows])
            axes.plot(xy[:, 0], xy[:, 1], mark, color=BLUE if mark == "s" else ORANGE, markersize=7, label=label)
        for k in rows if len(table) <= MOST_NUMBERS else ():
            axes.annotate(str(k + 1), (points[k].x, points[k].y), xytext=(5, 4), textcoords="offset points", color=INK)
    legend_below(axes)
