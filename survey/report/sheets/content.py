"""What a set of sheets shows: chosen sites with their numbers, and the network around them in local metres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from survey.arrays import Bools, Floats, Ints, Objects
from survey.errors import OutputError
from survey.fingerprint import what_if_words
from survey.report.background import in_order
from survey.report.ramp import BANDS, Mark, drawn_as, hazard_colours, mark_of
from survey.report.reread import SavedSurvey
from survey.report.sheets.lettering import clean
from survey.report.sheets.states import worse_in_state
from survey.report.sheets.view import local_crs, moved
from survey.wrapped import same_names

NO_DISTRICT = "(no district)"
_LISTED = 12
_AROUND = 0.6
"""Network shown beyond the sites, as a share of their extent."""
_AROUND_LEAST_M = 300.0
FEW_ALONE = 5
"""Of fewer sites than this the overview shows all switching points, however far they are."""


@dataclass(frozen=True)
class SheetContent:
    """Everything the pages of one file are made from.

    ``title``, ``subtitle`` what the sheets are of; ``data_date`` date of the data as the settings state it; ``sites``
    chosen sites by rank; site number ``i + 1`` is row ``i``; ``xy_m`` their places in local metres, NaN where there is
    none. Shape (n_sites, 2); ``marks``, ``colours`` their marks and fill colours; ``cables``, ``shielded`` drawn cables
    around them, and which are shielded. Shape (n_cables,); ``sections``, ``section_colours``, ``section_shielded``
    lines of the exposed sections of their switching points, those of least priority first; colour of each, and whether
    it is shielded cable. Shape (n_lines,); ``switches_m``, ``switch_ids`` their switching points. Shape (n_switches,
    2); ``shown_m`` places that the overview shows. Shape (n, 2); ``points`` rows of the survey's switching points that
    the sites name; ``others`` sites beyond the choice that name one of these points, too, ``whose`` they are;
    ``open_m`` places of the devices that are open in the normal state. Shape (n_open, 2); ``changes_m`` places of what
    a what-if changes. Shape (n_changes, 2); ``background`` the user's own layers, bottom first: ``look``, ``label``,
    shapes in local metres; ``what_if`` that the survey is hypothetical, ``""`` where it is not.
    """

    title: str
    subtitle: str
    data_date: str
    sites: pd.DataFrame
    xy_m: Floats
    marks: tuple[Mark, ...]
    colours: tuple[str, ...]
    cables: Objects
    shielded: Bools
    sections: Objects
    section_colours: tuple[str, ...]
    section_shielded: Bools
    switches_m: Floats
    switch_ids: tuple[str, ...]
    shown_m: Floats
    points: pd.DataFrame
    others: pd.DataFrame
    open_m: Floats
    changes_m: Floats
    background: gpd.GeoDataFrame
    what_if: str = ""

    @property
    def placed(self) -> Bools:
        """Which sites have a place."""
        return np.asarray(np.isfinite(self.xy_m).all(axis=1))


def districts_of(sites: pd.DataFrame) -> list[str]:
    """Names of the districts, sorted; sites without one come under ``NO_DISTRICT``."""
    return sorted(_district_names(sites).unique())


def _district_names(sites: pd.DataFrame) -> pd.Series[str]:
    return sites["district"].astype(str).where(sites["district"].astype(str) != "", NO_DISTRICT)


def choose(sites: pd.DataFrame, *, district: str | None, feeder: str | None) -> pd.DataFrame:
    """Sites of a district, a feeder, or both, by rank; their index says which rows of the survey they are.

    Raises ``OutputError``: there is no such district or feeder, or no site is in both.
    """
    chosen = sites.reset_index(drop=True)
    for kind, name, names in (("district", district, _district_names(sites)), ("feeder", feeder, sites["feeder"])):
        if name is not None:
            meant = _require(kind, name, sorted(set(names.astype(str)) - {""}))
            chosen = chosen[names.isin(meant).to_numpy()[chosen.index]]
    if chosen.empty:
        where = f"feeder '{feeder}' in district '{district}'" if feeder and district else "this survey"
        msg = f"sheets: no site of {where}; nothing to print"
        raise OutputError(msg)
    return chosen.sort_values("rank", kind="stable")


def _require(kind: str, name: str, names: list[str]) -> list[str]:
    if meant := same_names(name, names):
        return meant
    listed = ", ".join(f"'{clean(n, limit=60)}'" for n in names[:_LISTED]) or "none"
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    msg = f"sheets: no {kind} '{clean(name, limit=60)}'; this survey has {listed}{more}"
    raise OutputError(msg)


def sheet_content(saved: SavedSurvey, *, district: str | None, feeder: str | None) -> SheetContent:
    """Gather what the sheets of a choice show.

    Raises ``OutputError``: see :func:`choose`.
    """
    chosen = choose(saved.sites, district=district, feeder=feeder)
    sites = chosen.reset_index(drop=True)
    lon, lat = (sites[name].to_numpy(dtype=np.float64) for name in ("lon", "lat"))
    local = local_crs(lon, lat) if np.isfinite(lon).any() else saved.crs
    xy_m = _xy(saved.site_points[chosen.index.to_numpy()], source=saved.crs, target=local)
    wanted = _points_named(sites)
    switches = saved.switching_points["switch_id"].isin(wanted).to_numpy()
    switch_xy = _xy(saved.switch_points[switches], source=saved.crs, target=local)
    switch_names = saved.switching_points["switch_id"][switches]
    lines, owners = _sections(saved, points=wanted, local=local)
    hazard = saved.switching_points.set_index("switch_id")["hazard"].reindex(owners)
    shown_m = _overview(xy_m, switch_xy, lines, line_at=pd.Index(switch_names).get_indexer(pd.Index(owners)))
    cables, shielded = _network(saved, shown_m, local=local)
    background, report = in_order(saved.background), _report_settings(saved)
    return SheetContent(
        title=clean(district or (f"Feeder {feeder}" if feeder else "All districts"), limit=60),
        subtitle=clean(report.get("title") or "Ferroresonance survey", limit=60),
        data_date=clean(report.get("data_date") or "not stated", limit=30),
        sites=sites,
        xy_m=xy_m,
        marks=tuple(mark_of(str(b), str(s)) for b, s in zip(sites["band"], sites["status"], strict=True)),
        colours=tuple(hazard_colours(_drawn_hazard(sites))),
        cables=cables,
        shielded=shielded,
        sections=lines,
        section_colours=tuple(hazard_colours(hazard.to_numpy(dtype=np.float64))),
        section_shielded=_on_shielded(lines, cables, shielded=shielded),
        switches_m=switch_xy,
        switch_ids=tuple(clean(name, limit=40) for name in switch_names),
        shown_m=shown_m,
        points=saved.switching_points[switches],
        others=_others(saved.sites, chosen, points=wanted, by_district=district is not None),
        open_m=_placed(saved.record.get("open_places", []), local=local),
        changes_m=_placed([(c["lon"], c["lat"]) for c in saved.record.get("changes_shown", [])], local=local),
        background=background.set_geometry(moved(background.geometry.to_numpy(), source=saved.crs, target=local)),
        what_if=what_if_words(saved.record),
    )


def _points_named(sites: pd.DataFrame) -> set[str]:
    """The nearest and the worst points of sites, and the worst of those states that ask for more."""
    in_state = sites["tie_worst_id"][worse_in_state(sites)]
    return {*sites["switch_id"], *sites["worst_switch_id"], *in_state} - {""}


def _others(sites: pd.DataFrame, chosen: pd.DataFrame, *, points: set[str], by_district: bool) -> pd.DataFrame:
    """Sites beyond the choice at its points; ``whose`` in words: of which district, or else feeder, each is."""
    rest = sites.reset_index(drop=True).drop(chosen.index)
    rest = rest[rest[["switch_id", "worst_switch_id", "tie_worst_id"]].isin(points).any(axis=1)]
    elsewhere = by_district & ~rest["district"].isin(chosen["district"])
    district, feeder = rest["district"].replace("", "no district"), "feeder " + rest["feeder"]
    return rest.assign(whose=district.where(elsewhere, feeder))


def _sections(saved: SavedSurvey, *, points: set[str], local: CRS) -> tuple[Objects, Objects]:
    """Lines of the sections of points, those of least priority first, and the point of each."""
    sections = saved.sections[saved.sections["switch_id"].isin(points)].sort_values(
        ["top_priority", "exposed_cable_m"], ascending=[True, False], na_position="first", kind="stable"
    )
    drawn = moved(sections.geometry.to_numpy(), source=saved.crs, target=local)
    lines, owner = shapely.get_parts(drawn, return_index=True)
    return lines, sections["switch_id"].to_numpy(dtype=object)[owner]


def _overview(xy_m: Floats, switches_m: Floats, lines: Objects, *, line_at: Ints) -> Floats:
    """Places that the overview shows: the sites, and their points and sections near them.

    Near is within the network that is shown around the sites: what lies farther out, a point with its section or a
    line of one, is left off the overview rather than shrink all. Of a few sites all points are shown.

    ``line_at``: row of the point of each line, -1 for none. Shape (n_lines,).
    """
    sites = xy_m[np.isfinite(xy_m).all(axis=1)]
    known = np.isfinite(switches_m).all(axis=1)
    if not len(sites):
        return sites
    low, high = _around(sites)
    near = known & ((switches_m >= low) & (switches_m <= high)).all(axis=1)
    extent = shapely.bounds(lines).reshape(-1, 4)
    inside = np.append(near, False)[line_at] & ((extent[:, :2] >= low) & (extent[:, 2:] <= high)).all(axis=1)
    points = switches_m[near if len(sites) >= FEW_ALONE else known]
    return np.concatenate([sites, points, extent[inside, :2], extent[inside, 2:]])


def _around(places: Floats) -> tuple[Floats, Floats]:
    """Lower left and upper right corner of what is shown of the network around places."""
    low, high = places.min(axis=0), places.max(axis=0)
    around = np.maximum((high - low).max() * _AROUND, _AROUND_LEAST_M)
    return low - around, high + around


def _on_shielded(lines: Objects, cables: Objects, *, shielded: Bools) -> Bools:
    """Whether each line of a section is shielded, by the cable that its middle lies on."""
    if not len(lines) or not len(cables):
        return np.ones(len(lines), dtype=bool)
    middles = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    _, cable = shapely.STRtree(cables).query_nearest(middles, all_matches=False)
    return np.asarray(shielded[cable])


def _drawn_hazard(sites: pd.DataFrame) -> Floats:
    """Hazard of the sites with a band to draw, NaN for others: they are drawn as what they are, without a colour."""
    ranked = [drawn_as(str(b), str(s)) in BANDS for b, s in zip(sites["band"], sites["status"], strict=True)]
    return sites["hazard"].where(np.array(ranked, dtype=bool)).to_numpy(dtype=np.float64)


def _report_settings(saved: SavedSurvey) -> dict[str, object]:
    settings = saved.record.get("settings", {})
    report = settings.get("report", {}) if isinstance(settings, dict) else {}
    return report if isinstance(report, dict) else {}


def _xy(points: Objects, *, source: CRS, target: CRS) -> Floats:
    placed = moved(points, source=source, target=target)
    return np.stack([shapely.get_x(placed), shapely.get_y(placed)], axis=1)


def _network(saved: SavedSurvey, shown_m: Floats, *, local: CRS) -> tuple[Objects, Bools]:
    """Cables near what the overview shows, in local metres."""
    lines = saved.network.geometry.to_numpy()
    if len(shown_m) == 0 or len(lines) == 0:
        return np.empty(0, dtype=object), np.empty(0, dtype=bool)
    low, high = _around(shown_m)
    area = shapely.box(*low, *high)
    back = moved(np.array([area], dtype=object), source=local, target=saved.network.crs)[0]
    extent = shapely.bounds(lines)
    with np.errstate(invalid="ignore"):
        apart = (extent[:, :2] > back.bounds[2:]) | (extent[:, 2:] < back.bounds[:2])
    near = np.asarray(np.isfinite(extent).all(axis=1) & ~apart.any(axis=1))
    shielded = saved.network["shielded"].to_numpy(dtype=bool)[near]
    return moved(lines[near], source=saved.network.crs, target=local), shielded


def _placed(places: Any, *, local: CRS) -> Floats:  # noqa: ANN401 - pairs of degrees, as run.json has them
    """Places in local metres; those that are not known are left out."""
    degrees = np.array(places, dtype=np.float64).reshape(-1, 2)
    degrees = degrees[np.isfinite(degrees).all(axis=1)]
    return _xy(np.asarray(shapely.points(degrees), dtype=object), source=CRS.from_epsg(4326), target=local)
