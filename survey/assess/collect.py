"""Put an assessment into the result that every report is made from, with the sites that each finding touches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Bools, Ints, Objects, Ragged, distinct, heads, ranges
from survey.aside import laid_aside
from survey.assess.assess import Assessment
from survey.assess.drawn import Drawing
from survey.assess.score import BANDS
from survey.assess.site_table import site_table, switching_point_table
from survey.assess.strips import section_strips
from survey.assess.ties.points import PointRows
from survey.findings import SEVERITIES, Finding, FindingList, ManyIds
from survey.linesets import DrawnLater, LineSet
from survey.memory import give_back
from survey.network.model import Network
from survey.network.walk.walks import Walks, kept_paths
from survey.result import SurveyResult
from survey.settings import Settings

LEAST_ROOM, TIMES_DRAWN = 1_000_000, 10
"""Pieces of cable are drawn so many times at most, taken together, in sections that lie in one another."""


def collect_result(
    network: Network, assessment: Assessment, *, settings: Settings, members: Members, record: dict[str, Any]
) -> SurveyResult:
    """Tables and shapes of a finished survey; the findings table is made last, see :func:`findings_table`.

    ``members``: what stands on the sections. ``record``: what ``run.json`` says so far; handed through.
    """
    shown = members.shown
    drawing = Drawing(network)
    give_back()
    sites, order = laid_aside(site_table(network, assessment, settings=settings))
    give_back()
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    rows = PointRows.joined([_normal_points(network, assessment, members), *assessment.tie_points])
    owner, member = rows.sites
    exposed_by = Ragged.from_pairs(owner, place[member], n=len(rows.device))
    drawn, cable_lines = drawing.cables()
    points = network.tables.switches.iloc[rows.device]
    switching_points = switching_point_table(
        network, assessment, points=rows, sites=sites, exposed_by=exposed_by, settings=settings
    )
    give_back()
    rings = np.flatnonzero(np.isin(switching_points["band"], BANDS[1:]) & (rows.opened < 0))
    own = Ragged.from_pairs(owner, member, n=len(rows.device)).taken(rings)
    switching_points["strip"] = _strips(network, shown[rings], own=own, rows=rings, n=len(rows.device))
    give_back()
    above = points_to_worst(network.walks, assessment.choice.worst_section)
    needed = np.flatnonzero(above[shown] >= 0)
    ways = drawing.ways(shown[needed])
    row = np.full(len(above) + 1, -1, np.int64)
    row[shown] = np.arange(len(shown))
    return SurveyResult(
        sites=sites,
        switching_points=switching_points,
        findings=pd.DataFrame(),
        site_points=drawing.points(network.tables.transformers[["x", "y"]].to_numpy(np.float64)[order]),
        site_paths=drawing.paths().taken(order),
        switch_points=drawing.points(points[["x", "y"]].to_numpy(np.float64)),
        section_lines=DrawnLater(Ragged.from_pairs(*rows.pieces, n=len(rows.device)), drawing.pieces),
        cables=_drawn_cables(network, drawn),
        cable_lines=cable_lines,
        section_cables=_section_cables(network, *rows.pieces, drawn=drawn, n=len(rows.device)),
        exposed_by=exposed_by,
        crs=network.tables.output_crs,
        settings=settings,
        record=record,
        point_ways=_spread(ways, needed, n=len(rows.device)),
        point_above=np.pad(row[above[shown]], (0, len(rows.device) - len(shown)), constant_values=-1),
    )


def _strips(network: Network, section: Ints, *, own: Ragged, rows: Ints, n: int) -> Objects:
    """The strip of every row of the points; of those that do not ring, none."""
    strips = np.full(n, "", object)
    strips[rows] = section_strips(network, section=section, sites=own)
    return strips


def _normal_points(network: Network, assessment: Assessment, members: Members) -> PointRows:
    shown, none = members.shown, np.full(len(members.shown), -1, np.int64)
    return PointRows.of(
        assessment.frame.normal,
        at=shown,
        device=network.sections.device[shown],
        closed=none,
        opened=none,
        most_va=assessment.frame.settings.limits.worst_kva * 1e3,
        sites=members.sites,
        pieces=members.pieces,
    )


def points_to_worst(walks: Walks, worst: Ints) -> Ints:
    """Section above each one that lies between a site's nearest and its worst, -1 for others, shape (n_sections,)."""
    above = np.full(len(walks.upstream), -1, np.int64)
    site = np.flatnonzero((worst >= 0) & (walks.section >= 0))
    at = walks.section[site]
    while len(site):
        on = (at >= 0) & (at != worst[site])
        site, at = site[on], at[on]
        above[at] = walks.upstream[at]
        at = above[at]
    return above


def _spread(lines: LineSet, rows: Ints, *, n: int) -> LineSet:
    """The lines as those of some of ``n`` owners; the others have none."""
    parts = np.zeros(n, np.int64)
    parts[rows] = lines.parts
    return LineSet(parts, lines.points, lines.xy)


class Members(NamedTuple):
    """Sections that expose a site, and pairs (position among them, site) and (position, piece), each sorted.

    ``left_out`` sections, those of most pieces, have none here, because there would be too many (``TIMES_DRAWN``):
    they are not drawn, and what is found on their cables is not counted for their sites.
    """

    shown: Ints
    sites: tuple[Ints, Ints]
    pieces: tuple[Ints, Ints]
    left_out: int


def section_members(network: Network, assessment: Assessment) -> Members:
    """What stands on every section that exposes a site."""
    sections = network.sections
    shown = np.flatnonzero((assessment.totals.sites > 0) & sections.exposes)
    each = np.ceil(sections.total(np.ones(len(network.pieces.cable)))[shown]).astype(np.int64)
    kept, left_out = kept_paths(each, room=max(LEAST_ROOM, TIMES_DRAWN * len(network.pieces.cable)))
    drawn = np.flatnonzero(kept > 0)
    owner, piece = sections.pieces(shown[drawn])
    return Members(shown, sections.members(shown, network.site_node), (drawn[owner], piece), left_out)


def findings_table(
    findings: FindingList, *, network: Network, assessment: Assessment, members: Members
) -> pd.DataFrame:
    """The findings, of each severity those first that matter most to the scores; ids are separated by blanks."""
    rows = findings.ordered()
    effects = Effects(network, assessment, findings=rows, members=members)
    sites = [effects.sites(k) for k in range(len(rows))]
    places = [_place(f, network) for f in rows]
    table = pd.DataFrame(
        {
            "severity": [f.severity for f in rows],
            "rule": [f.rule for f in rows],
            "layer": [f.layer for f in rows],
            "count": [len(f.ids) for f in rows],
            "sites": [len(s) for s in sites],
            "span": np.array([effects.span(s) for s in sites], float),
            "ids": [" ".join(f.ids) for f in rows],
            "message": [f.message for f in rows],
            "lon": np.array([p[0] for p in places], float),
            "lat": np.array([p[1] for p in places], float),
        }
    )
    severity = np.array([SEVERITIES.index(f.severity) for f in rows], np.int64)
    order = np.lexsort((np.arange(len(rows)), -table["sites"], -np.round(table["span"], 1), severity))
    return table.iloc[order].reset_index(drop=True)


def _place(finding: Finding, network: Network) -> tuple[float, float]:
    """Place of a finding: its own, else that of its first asset that has one."""
    if finding.lon is not None and finding.lat is not None:
        return finding.lon, finding.lat
    points = {"transformers": network.tables.transformers, "switches": network.tables.switches}
    if finding.layer in points and finding.ids:
        table = points[finding.layer]
        row = np.flatnonzero((table.iloc[:, 0] == finding.ids[0]).to_numpy())
        if len(row):
            return float(table["lon"].iloc[row[0]]), float(table["lat"].iloc[row[0]])
    if finding.layer == "cables" and finding.ids:
        row = np.flatnonzero((network.tables.cables["cable_id"] == finding.ids[0]).to_numpy())
        line = np.searchsorted(network.tables.lines.owner, row[:1])
        if len(row) and line[0] < len(network.tables.lines.owner) and network.tables.lines.owner[line[0]] == row[0]:
            start = network.tables.lines.start
            place = network.tables.lonlat(network.tables.lines.xy[(start[line[0]] + start[line[0] + 1]) // 2])
            return place or (np.nan, np.nan)
    return np.nan, np.nan


def _section_cables(network: Network, owner: Ints, piece: Ints, *, drawn: Ints, n: int) -> Ragged:
    """Rows of the drawn cables in each section, each once, rising."""
    row = np.full(len(network.tables.cables), -1, np.int64)
    row[drawn] = np.arange(len(drawn))
    cable = row[network.pieces.cable[piece]]
    owner, cable = owner[cable >= 0], cable[cable >= 0]
    new = heads(owner, cable)
    return Ragged.from_pairs(owner[new], cable[new], n=n)


def _drawn_cables(network: Network, drawn: Ints) -> pd.DataFrame:
    cables = network.tables.cables
    length = np.bincount(network.pieces.cable, weights=network.pieces.length_m, minlength=len(cables))
    return pd.DataFrame(
        {
            "cable_id": cables["cable_id"].take(drawn).reset_index(drop=True),
            "feeder": cables["feeder"].take(drawn).reset_index(drop=True),
            "shielded": cables["shielded"].to_numpy(bool)[drawn],
            "length_m": length[drawn],
        }
    )


class Effects:
    """Looks up the sites that depend on assets of a layer.

    ``findings`` all that will be asked for.
    """

    def __init__(
        self, network: Network, assessment: Assessment, *, findings: Sequence[Finding], members: Members
    ) -> None:
        tables, sections = network.tables, network.sections
        interval = assessment.interval
        self._width = np.nan_to_num(interval.score_high - interval.score_low)
        self._of_site = _named_rows(tables.transformers["site_id"], findings, layer="transformers")
        self._of_unit = _named_rows(tables.one_phase["site_id"], findings, layer="transformers")
        self._of_cable = _named_rows(tables.cables["cable_id"], findings, layer="cables")
        self._of_switch = _named_rows(tables.switches["switch_id"], findings, layer="switches")
        self._layer = [finding.layer for finding in findings]
        used = np.stack([network.walks.section, assessment.choice.worst_section])
        position = np.full(len(sections.device) + 1, -1, np.int64)
        position[members.shown] = np.arange(len(members.shown))
        self._sites_using = _Groups(*_pairs(position[used]))
        self._section_of_site = _Groups(*members.sites[::-1])
        node = np.where(_flags(self._of_unit, len(network.unit_node)), network.unit_node, -1)
        self._section_of_unit = _Groups(*sections.members(members.shown, node)[::-1])
        section, piece = members.pieces
        cable = network.pieces.cable[piece]
        named = _flags(self._of_cable, len(tables.cables))[cable]
        self._section_of_cable = _Groups(cable[named], section[named])
        on_ring = np.append(network.pieces.cable, -1)[network.walks.ring_piece]
        self._sites_on_ring = _Groups(*_pairs(on_ring[None]))
        device = np.append(sections.device, -1)[used]
        self._sites_at_device = _Groups(*_pairs(np.vstack([device, network.walks.gang])))

    def sites(self, k: int) -> Ints:
        """Rows of the sites that depend on the k-th finding, rising."""
        if self._layer[k] == "switches":
            return self._sites_at_device.of(self._of_switch[k])
        if self._layer[k] == "cables":
            named = self._of_cable[k]
            return np.union1d(self._sites_using.of(self._section_of_cable.of(named)), self._sites_on_ring.of(named))
        if self._layer[k] == "transformers":
            own = distinct(self._of_site[k])
            units = self._section_of_unit.of(self._of_unit[k])
            return np.union1d(own, self._sites_using.of(np.union1d(self._section_of_site.of(own), units)))
        return np.empty(0, np.int64)

    def span(self, sites: Ints) -> float:
        """Sum of the widths of the sites' score intervals."""
        return float(self._width[sites].sum())


def _named_rows(ids: pd.Series[str], findings: Sequence[Finding], *, layer: str) -> Ragged:
    """For each finding the rows of the assets that it names; an index of all, a million perhaps, is made for many."""
    named = [finding.ids if finding.layer == layer else () for finding in findings]
    each = (ids.names if isinstance(ids, ManyIds) else pa.array(ids, pa.large_string()) for ids in named)
    names = pa.concat_arrays([pa.array([], pa.large_string()), *each])
    all_ids = pa.array(ids[:0] if not len(names) else ids, pa.large_string())
    row = np.arange(len(all_ids))
    if len(names) < len(all_ids) / 2:
        row = np.flatnonzero(pc.is_in(all_ids, value_set=names))
        all_ids = all_ids.take(pa.array(row))
    found = pc.index_in(names, value_set=all_ids).fill_null(-1).to_numpy()
    owner, kept = np.repeat(np.arange(len(named)), [len(ids) for ids in named]), found >= 0
    return Ragged.from_pairs(owner[kept], row[found[kept]], n=len(named))


def _flags(rows: Ragged, n: int) -> Bools:
    """Assets of ``n`` that any finding names."""
    flags = np.zeros(n, bool)
    flags[rows.flat] = True
    return flags


class _Groups:
    """Values by key."""

    def __init__(self, key: Ints, value: Ints) -> None:
        order = np.argsort(key, kind="stable")
        self._key, self._value = key[order], value[order]

    def of(self, keys: Ints) -> Ints:
        low, high = np.searchsorted(self._key, keys), np.searchsorted(self._key, keys, side="right")
        return distinct(self._value[ranges(low, high - low)])


def _pairs(used: Ints) -> tuple[Ints, Ints]:
    """Key and site of every use, from rows of keys per site (-1: none)."""
    site = np.tile(np.arange(used.shape[1]), used.shape[0])
    key = used.ravel()
    return key[key >= 0], site[key >= 0]
