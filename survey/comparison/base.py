"""A what-if beside the network as it is: columns of the sites table, one line a site."""

from dataclasses import replace

import survey
from survey.comparison.differences import compare_sites
from survey.comparison.snapshot import Snapshot, take_snapshot
from survey.result import SurveyResult

BASE_COLUMNS = {
    "base_band": "band_old",
    "base_score": "score_old",
    "base_prio": "priority_old",
    "base_worst": "worst_old",
    "change": "change",
    "why": "why",
}
"""Columns a what-if adds to the sites, and where they come from."""


def with_base(result: SurveyResult, base: SurveyResult) -> SurveyResult:
    """The result with what the network as it is says of every site, and why the two differ."""
    lines = compare_sites(snapshot_of(base), snapshot_of(result), every=True).set_index("site_id")
    sites = result.sites.copy(deep=False)
    mine = lines.reindex(sites["site_id"])
    for name, column in BASE_COLUMNS.items():
        sites[name] = mine[column].to_numpy()
    return replace(result, sites=sites)


def snapshot_of(result: SurveyResult) -> Snapshot:
    """A result as it is compared."""
    return take_snapshot(
        result.sites,
        result.switching_points,
        record={
            "settings": result.settings.model_dump(mode="json"),
            "survey": survey.__version__,
            "open_devices": result.record["open_devices"],
        },
    )
