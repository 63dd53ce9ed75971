"""What a survey results in: the tables every report is made from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from survey import CAUTION
from survey.arrays import Bools, Ints, Objects

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

    from survey.linesets import DrawnLater, LineSet, PointSet, SharedLines
    from survey.settings import Settings


__all__ = ["CAUTION", "SurveyResult", "in_normal_state"]


def in_normal_state(switching_points: pd.DataFrame) -> Bools:
    """Switching points that expose sites in the normal state, not only with a loop fed the other way or a ring open."""
    of_state = [switching_points[name].astype(str) != "" for name in ("tie_switch_id", "tie_open_id")]
    return ((switching_points["state"] == "closed") & ~of_state[0] & ~of_state[1]).to_numpy(bool)


@dataclass(frozen=True)
class SurveyResult:
    """Tables in the units of their column names (see ``data/columns.csv``), geometries in ``crs``.

    Parameters
    ----------
    sites
        One row per three-phase site, ranked; columns as in ``data/columns.csv``.
    switching_points
        One row per single-pole switching point that exposes a site, sorted by ``switch_id``.
    findings
        Columns as in ``data/columns.csv``, in table order.
    site_points, site_paths
        Geometries aligned with ``sites``; ``None`` where there is none. Shape (n_sites,). Paths run up from the site.
    switch_points, section_lines
        Geometries aligned with ``switching_points``. Shape (n_switching_points,).
    cables
        Every drawn cable: ``cable_id, feeder, shielded`` (bool), ``length_m``, aligned with ``cable_lines``.
    section_cables
        For each switching point the rows of ``cables`` in its exposed section.
    exposed_by
        For each switching point the rows of ``sites`` it exposes.
    record
        The content of ``run.json``.
    point_ways, point_above
        For each switching point that lies between a site's nearest and its worst one: the way to the next one above,
        and the row of that one, -1 where there is none or nobody needs it. ``None``: not known.
    waveforms
        Worst sequences of the leading sites, see :func:`survey.assess.waveform.leading_waveforms`.
    background
        What is drawn beneath the network: columns ``look`` and ``label``, geometry in ``crs``.
    """

    sites: pd.DataFrame
    switching_points: pd.DataFrame
    findings: pd.DataFrame
    site_points: Objects | PointSet
    site_paths: Objects | LineSet | SharedLines
    switch_points: Objects | PointSet
    section_lines: Objects | LineSet | DrawnLater
    cables: pd.DataFrame
    cable_lines: Objects | LineSet
    section_cables: Sequence[Ints]
    exposed_by: Sequence[Ints]
    crs: CRS
    settings: Settings
    record: dict[str, Any] = field(default_factory=dict)
    point_ways: Objects | LineSet | None = None
    point_above: Ints | None = None
    waveforms: Sequence[dict[str, Any]] = ()
    background: gpd.GeoDataFrame | None = None
