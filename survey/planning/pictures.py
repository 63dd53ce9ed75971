"""Pictures of a plan: risk against budget, and where the installs are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.transforms import Affine2D, Transform

from survey.arrays import Floats
from survey.report.gpkg import places
from survey.report.pictures import GREY, INK, draw_network, legend_below, map_size, picture
from survey.report.sheets.labels import LabelField, Placed
from survey.report.sheets.lettering import clean
from survey.report.sheets.paper import Rect
from survey.report.sheets.view import POINTS_PER_M, Units, View, bar_length_m, length_text, local_crs
from survey.result import CAUTION

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import geopandas as gpd
    from matplotlib.axes import Axes
    from pyproj import CRS

    from survey.planning.planning import Plan
    from survey.report.reread import SavedSurvey

BLUE, ORANGE = "#0b5394", "#b45f06"
MOST_NAMES = 60
"""Installs after this many are drawn without their names."""
TEXT_PT, LETTER_PT, LINE_PT, MARK_PT, LABEL_REACH_PT, BAR_PT = 8.0, 4.7, 9.0, 4.0, 110.0, 120.0
"""Sizes on the picture, points; letters are taken to be of one width."""
PARTS_OF_INK = 500


def draw_curve_picture(plan: Plan, paths: Sequence[Path]) -> None:
    """Risk left against budget: exact and greedy, with the plan marked."""
    from matplotlib.ticker import MaxNLocator

    curve = plan.curve
    with picture(paths, size=(8.0, 5.0)) as (figure, axes):
        share = 100.0 / plan.risk_before if plan.risk_before > 0 else 0.0
        axes.plot(curve.budget, curve.optimum * share, color=BLUE, marker="o", markersize=4, label="exact optimum")
        axes.plot(curve.budget, curve.greedy * share, color=ORANGE, linestyle="--", linewidth=1.6,
                  label="greedy choice: always the best next one")  # fmt: skip
        label = f"this plan leaves {plan.risk_after:.3g} of {plan.risk_before:.3g} a year"
        axes.plot([plan.request.budget], [plan.risk_after * share], "D", color=INK, markersize=8, label=label)
        whole = bool((plan.candidates.table["cost"] == 1.0).all())
        unit = "number of installs" if whole else "unit of the costs"
        axes.xaxis.set_major_locator(MaxNLocator(integer=whole))
        axes.set_xlabel(f"Budget ({unit})")
        axes.set_ylabel("Risk left, % (severity-weighted ringing operations a year)")
        axes.set_ylim(0, 105)
        axes.set_xlim(left=0)
        axes.grid(visible=True, color="#dddddd", linewidth=0.6)
        axes.legend(loc="best", frameon=False)
        axes.set_title("Risk left for each budget", loc="left", color=INK)
        figure.supxlabel(CAUTION, fontsize=7, color=GREY)


def draw_map_picture(plan: Plan, saved: SavedSurvey, path: Path) -> None:
    """The installs in their order on the drawn network, each with its id, and a scale bar."""
    crs = local_crs(plan.sites["lon"].to_numpy(float), plan.sites["lat"].to_numpy(float))
    lines = saved.network.geometry.to_crs(crs)
    rows = enumerate(plan.installs.head(MOST_NAMES).itertuples(), start=1)
    names = [f"{k}  {clean(row.id if row.kind == 'three_pole' else row.at)}" for k, row in rows]
    with picture([path], size=map_size(lines)) as (figure, axes):
        draw_network(axes, lines)
        xy = draw_installs(axes, plan, crs=crs)
        legend_below(axes)
        axes.set_title(f"{len(plan.installs)} installs in order of what they bring", loc="left", color=INK)
        figure.supxlabel(CAUTION, fontsize=7, color=GREY)
        figure.draw_without_rendering()
        # what is placed from here on moves nothing
        axes.autoscale(enable=False)
        figure.set_layout_engine("none")
        page = axes.transData + Affine2D().scale(72.0 / figure.dpi)
        name_marks(axes, xy[: len(names)], names, lines=lines, page=page)
        draw_scale_bar(axes, page=page, units=plan.settings.report.units)


def draw_installs(axes: Axes, plan: Plan, *, crs: CRS) -> Floats:
    """Marks of the installs and their places: squares replace a point, triangles are added; NaN without a place."""
    table = plan.installs
    points = places(table["lon"].to_numpy(float), table["lat"].to_numpy(float), crs=crs)
    xy = np.array([(np.nan, np.nan) if point is None else (point.x, point.y) for point in points]).reshape(-1, 2)
    for kind, mark, colour, label in (
        ("three_pole", "s", BLUE, "made three-pole"),
        ("add_three_pole", "^", ORANGE, "three-pole device added"),
    ):
        here = (table["kind"] == kind).to_numpy(bool) & np.isfinite(xy).all(axis=1)
        if here.any():
            axes.plot(*xy[here].T, mark, color=colour, markersize=7, label=label)
    return xy


def name_marks(axes: Axes, xy: Floats, names: Sequence[str], *, lines: gpd.GeoSeries, page: Transform) -> None:
    """Write each name beside its mark, where it lies on no other and on little of the network; else leave it out.

    ``page``: from the drawing to points.
    """
    frame = page.transform(np.column_stack([axes.get_xlim(), axes.get_ylim()]))
    dense = shapely.segmentize(lines.dropna().to_numpy(), float(np.ptp(axes.get_xlim())) / PARTS_OF_INK)
    known = np.flatnonzero(np.isfinite(xy).all(axis=1))
    at = page.transform(xy[known])
    field = LabelField(
        Rect(*frame.ravel()), np.hstack([at - MARK_PT, at + MARK_PT]), page.transform(shapely.get_coordinates(dense))
    )
    for k, (x, y) in zip(known.tolist(), at.tolist(), strict=True):
        size = (LETTER_PT * len(names[k]), LINE_PT)
        found = field.place((x, y), size, radius=MARK_PT, reach=LABEL_REACH_PT)
        if found is not None:
            _write_name(axes, names[k], found, page=page.inverted())


def _write_name(axes: Axes, name: str, placed: Placed, *, page: Transform) -> None:
    """The name in its box, and the line that leads to it; ``page`` goes from points to the drawing."""
    if placed.leader is not None:
        axes.plot(*page.transform(np.reshape(placed.leader, (2, 2))).T, color=INK, linewidth=0.6)
    x, y = page.transform((placed.box[0], (placed.box[1] + placed.box[3]) / 2))
    axes.text(x, y, name, fontsize=TEXT_PT, color=INK, va="center", ha="left")


def draw_scale_bar(axes: Axes, *, page: Transform, units: Units) -> None:
    """A bar of a round length at the lower right; the drawing is in metres."""
    wide_m = float(np.ptp(axes.get_xlim()))
    wide_pt = float(np.ptp(page.transform(np.column_stack([axes.get_xlim(), axes.get_ylim()]))[:, 0]))
    view = View(Rect(0.0, 0.0, 1.0, 1.0), (0.0, 0.0), POINTS_PER_M * wide_m / wide_pt)
    length_m = bar_length_m(view, longest=BAR_PT, units=units)
    share = length_m / wide_m
    axes.plot([1 - share, 1], [0, 0], color=INK, linewidth=2, transform=axes.transAxes, clip_on=False)
    text = length_text(length_m, units=units)
    axes.text(1 - share / 2, 0.008, text, transform=axes.transAxes, ha="center", va="bottom", fontsize=TEXT_PT)
