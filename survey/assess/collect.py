"""Put an assessment into the result that every report is made from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.assess.point_table import switching_point_table
from survey.assess.shapes import Drawing
from survey.assess.site_table import site_table
from survey.result import SurveyResult

if TYPE_CHECKING:
    from survey.assess.assess import Assessment
    from survey.findings import FindingList
    from survey.network.model import Network
    from survey.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def collect_result(
    network: Network,
    assessment: Assessment,
    *,
    settings: Settings,
    findings: FindingList,
    record: dict[str, Any],
) -> SurveyResult:
    """Tables and shapes of a finished survey.

    Parameters
    ----------
    record
        What ``run.json`` says so far; handed through.
    """
    sites, order = site_table(network, assessment, settings=settings)
    shown = np.flatnonzero(assessment.totals.sites > 0)
    shown = shown[network.sections.exposes[shown]]
    owner, member = network.sections.members(shown, network.site_node)
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    exposed_by = _grouped(owner, place[member], len(shown))
    piece_owner, piece = network.sections.pieces(shown)
    drawing = Drawing(network)
    drawn, cable_lines = drawing.cables()
    points = network.tables.switches.iloc[network.sections.device[shown]]
    return SurveyResult(
        sites=sites,
        switching_points=switching_point_table(
            network, assessment, shown=shown, sites=sites, exposed_by=exposed_by, settings=settings
        ),
        findings=findings_table(findings),
        site_points=drawing.points(network.tables.transformers[["x", "y"]].to_numpy(np.float64)[order]),
        site_paths=drawing.paths()[order],
        switch_points=drawing.points(points[["x", "y"]].to_numpy(np.float64)),
        section_lines=drawing.sections(piece_owner, piece, n=len(shown)),
        cables=_drawn_cables(network, drawn),
        cable_lines=cable_lines,
        section_cables=_section_cables(network, piece_owner, piece, drawn=drawn, n=len(shown)),
        exposed_by=exposed_by,
        crs=network.tables.output_crs,
        settings=settings,
        record=record,
    )


def findings_table(findings: FindingList) -> pd.DataFrame:
    """The findings in table order; several ids are separated by blanks."""
    rows = findings.ordered()
    return pd.DataFrame(
        {
            "severity": [f.severity for f in rows],
            "rule": [f.rule for f in rows],
            "layer": [f.layer for f in rows],
            "count": [len(f.ids) for f in rows],
            "ids": [" ".join(f.ids) for f in rows],
            "message": [f.message for f in rows],
            "lon": np.array([np.nan if f.lon is None else f.lon for f in rows], float),
            "lat": np.array([np.nan if f.lat is None else f.lat for f in rows], float),
        }
    )


def _grouped(owner: Ints, value: Ints, n: int) -> tuple[Ints, ...]:
    return tuple(np.split(value, np.searchsorted(owner, np.arange(1, n)))) if n else ()


def _section_cables(network: Network, owner: Ints, piece: Ints, *, drawn: Ints, n: int) -> tuple[Ints, ...]:
    """Rows of the drawn cables in each section, each once, rising."""
    row = np.full(len(network.tables.cables), -1, np.int64)
    row[drawn] = np.arange(len(drawn))
    cable = row[network.pieces.cable[piece]]
    pair = np.unique(owner[cable >= 0] * (len(drawn) + 1) + cable[cable >= 0])
    return _grouped(pair // (len(drawn) + 1), pair % (len(drawn) + 1), n)


def _drawn_cables(network: Network, drawn: Ints) -> pd.DataFrame:
    cables = network.tables.cables
    length = np.bincount(network.pieces.cable, weights=network.pieces.length_m, minlength=len(cables))
    return pd.DataFrame(
        {
            "cable_id": cables["cable_id"].to_numpy(object)[drawn],
            "feeder": cables["feeder"].to_numpy(object)[drawn],
            "shielded": cables["shielded"].to_numpy(bool)[drawn],
            "length_m": length[drawn],
        }
    )
