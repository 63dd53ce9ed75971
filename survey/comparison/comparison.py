"""Compare two output folders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from survey.comparison.differences import CHANGES, compare_sites
from survey.comparison.snapshot import Snapshot, take_snapshot
from survey.comparison.tags import tag_changes
from survey.fingerprint import survey_fingerprint
from survey.report.reread import SavedSurvey, read_results

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Comparison:
    """What changed from one survey to another.

    Parameters
    ----------
    sites
        One line for every site that changed, see :func:`survey.comparison.differences.compare_sites`.
    tags
        Tags to add and remove, see :func:`survey.comparison.tags.tag_changes`.
    old, new
        The two surveys.
    """

    sites: pd.DataFrame
    tags: pd.DataFrame
    old: SavedSurvey
    new: SavedSurvey

    def counts(self) -> dict[str, int]:
        """Number of sites by kind of change."""
        found = self.sites["change"].value_counts()
        return {name: int(found.get(name, 0)) for name in CHANGES}

    def causes(self) -> dict[str, int]:
        """Number of sites by cause, the commonest first."""
        found = self.sites["causes"].str.split().explode().dropna().value_counts()
        return {str(name): int(n) for name, n in sorted(found.items(), key=lambda item: (-item[1], str(item[0])))}

    @property
    def fingerprints(self) -> tuple[str, str]:
        """Of the old and the new survey."""
        return survey_fingerprint(self.old.record), survey_fingerprint(self.new.record)


def compare_surveys(old: Path, new: Path) -> Comparison:
    """Compare two output folders of ``survey run``.

    Raises
    ------
    survey.errors.OutputError
        One of them is missing, is not a survey, or is damaged.
    """
    saved = read_results(old, drawn=False), read_results(new)
    before, after = (_snapshot(s) for s in saved)
    lines = compare_sites(before, after)
    return Comparison(lines, tag_changes(*saved, why=lines), *saved)


def _snapshot(saved: SavedSurvey) -> Snapshot:
    return take_snapshot(saved.sites, saved.switching_points, record=saved.record)
