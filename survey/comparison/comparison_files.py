"""Write a comparison into its folder: tables, a map of the change, and a record."""

import json
from pathlib import Path

from survey.comparison.comparison import Comparison
from survey.comparison.differences import COLUMNS
from survey.comparison.tags import COLUMNS as TAG_COLUMNS
from survey.own_files import COMPARE_FILES
from survey.report.folder import commit, refusal, reserve_folder
from survey.report.reread import SavedSurvey
from survey.report.rows import write_rows
from survey.result import CAUTION


def write_comparison(comparison: Comparison, folder: Path) -> None:
    """Write all files of a comparison, or none.

    Raises
    ------
    survey.errors.OutputError
        The folder cannot be written to.
    """
    from survey.comparison.page import change_page

    with reserve_folder(folder) as held:
        staging = held.staging
        try:
            write_rows(staging / "changes.csv", comparison.sites, columns=COLUMNS)
            write_rows(staging / "tags.csv", comparison.tags, columns=TAG_COLUMNS)
            (staging / "changes.html").write_text(change_page(comparison), encoding="utf-8", newline="\n")
            text = json.dumps(compare_record(comparison), indent=2, ensure_ascii=False)
            (staging / "compare.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        except OSError as error:
            raise refusal(folder, error) from error
        commit(held, names=COMPARE_FILES)


def compare_record(comparison: Comparison) -> dict[str, object]:
    """Which surveys were compared, and the counts."""
    return {
        "caution": CAUTION,
        "what_if": comparison.what_if,
        "old": _side(comparison.old, comparison.names[0], comparison.fingerprints[0]),
        "new": _side(comparison.new, comparison.names[1], comparison.fingerprints[1]),
        "changes": comparison.counts(),
        "causes": comparison.causes(),
        "tags": comparison.tag_counts(),
    }


def _side(saved: SavedSurvey, name: str, fingerprint: str) -> dict[str, object]:
    version = saved.record["survey"]
    return {"survey": name, "fingerprint": fingerprint, "version": version, "sites": len(saved.sites)}
