"""Compare two output folders."""

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from survey.comparison.causes import changed_settings
from survey.comparison.differences import CHANGES, compare_sites
from survey.comparison.snapshot import Snapshot, take_snapshot
from survey.comparison.tags import GIVEN_BACK, tag_changes
from survey.fingerprint import survey_fingerprint, survey_name, what_if_words
from survey.report.reread import SavedSurvey, read_results
from survey.what_if.sign_offs import circuit_fingerprints

PLACE_DECIMALS = 5
"""Degrees: about a metre."""


@dataclass(frozen=True)
class Comparison:
    """What changed from one survey to another.

    ``sites``: one line for every site that changed, see :func:`survey.comparison.differences.compare_sites`. ``tags``:
    tags to add and remove, see :func:`survey.comparison.tags.tag_changes`. ``old``, ``new``: the two surveys.
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

    def tag_counts(self) -> dict[str, int]:
        """Number of tags to add, remove, change, to keep as the site is unknown now, and of sites judged again."""
        before, after = self.tags["from"], self.tags["to"]
        back = self.tags["reason"] == GIVEN_BACK
        kept = before == after
        sure = ~kept & ~back
        return {
            "add": int(((before == "") & sure).sum()),
            "remove": int(((after == "") & sure).sum()),
            "change": int(((before != "") & (after != "") & sure).sum()),
            "keep_unknown": int(kept.sum()),
            "give_back": int(self.tags["site_id"][back].nunique()),
        }

    @property
    def names(self) -> tuple[str, str]:
        """Of the old and the new survey, for people."""
        return survey_name(self.old.record), survey_name(self.new.record)

    @property
    def what_if(self) -> str:
        """Which side is hypothetical, ``""`` where none is; tags are not changed for a network that nobody built."""
        sides = (("OLD", self.old.record), ("NEW", self.new.record))
        return ", ".join(f"{side} is a {words}" for side, record in sides if (words := what_if_words(record)))

    @property
    def settings_changed(self) -> list[str]:
        """Settings that figures rest on and that differ between the surveys, in words."""
        old, new = (record.get("settings", {}) for record in (self.old.record, self.new.record))
        return [f"{name} {words}" for name, words in changed_settings(old, new)]

    @property
    def fingerprints(self) -> tuple[str, str]:
        """Of the old and the new survey."""
        return survey_fingerprint(self.old.record), survey_fingerprint(self.new.record)


def compare_surveys(old: Path, new: Path) -> Comparison:
    """Compare two output folders of ``survey run``.

    Raises ``OutputError``: one of them is missing, is not a survey, or is damaged.
    """
    before, after = read_results(old, drawn=False), read_results(new)
    before = with_new_names(before, after)
    lines = compare_sites(_snapshot(before), _snapshot(after))
    hypothetical = before.record.get("changes") or after.record.get("changes")
    tags = tag_changes(before, after, why=lines)
    return Comparison(lines, tags.iloc[:0] if hypothetical else tags, before, after)


def with_new_names(old: SavedSurvey, new: SavedSurvey) -> SavedSurvey:
    """The old survey with its renamed sites under their new ids; column ``own_id`` keeps the old ones.

    A site was renamed that is gone, where another is new at the same place on the same circuit, each the only one;
    the devices of the circuit may have new names, too.
    """
    left = _alone(old.sites[~old.sites["site_id"].isin(new.sites["site_id"])])
    right = _alone(new.sites[~new.sites["site_id"].isin(old.sites["site_id"])])
    renamed = {left[key]: right[key] for key in left.keys() & right.keys()}
    ids = old.sites["site_id"].map(lambda site: renamed.get(site, site))
    return replace(old, sites=old.sites.assign(own_id=old.sites["site_id"], site_id=ids))


def _alone(sites: pd.DataFrame) -> dict[tuple[float, float, str], str]:
    """Ids of sites by place (within about a metre) and circuit, where a place and circuit has only one."""
    place = sites[["lon", "lat"]].round(PLACE_DECIMALS)
    table = place.assign(circuit=circuit_fingerprints(sites, ids=False), site=sites["site_id"]).dropna()
    single = table[~table.duplicated(["lon", "lat", "circuit"], keep=False)]
    keys = zip(single["lon"].astype(float), single["lat"].astype(float), single["circuit"].astype(str), strict=True)
    return dict(zip(keys, single["site"].astype(str), strict=True))


def _snapshot(saved: SavedSurvey) -> Snapshot:
    return take_snapshot(saved.sites, saved.switching_points, record=saved.record)
