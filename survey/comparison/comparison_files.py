"""Write a comparison into its folder: tables, a map of the change, and a record."""

import json
from pathlib import Path

import pandas as pd

from survey.apart import refuse_overlap
from survey.comparison.comparison import Comparison
from survey.comparison.differences import CHANGES, COLUMNS, MEANINGS
from survey.comparison.tags import COLUMNS as TAG_COLUMNS
from survey.own_files import COMPARE_FILES
from survey.report.before_after import ABSENT, drawing, fill_page, matrix
from survey.report.folder import commit, refusal, reserve_folder
from survey.report.reread import SavedSurvey
from survey.report.writing import write_rows
from survey.result import CAUTION

MOST_ROWS = 5000
"""More sites than this are left to ``changes.csv``; the page says so."""
SHOWN_FIRST = ("better", *(name for name in CHANGES if name != "better"))


def write_comparison(comparison: Comparison, folder: Path) -> None:
    """Write all files of a comparison, or none.

    Raises ``OutputError``: the folder cannot be written to, or it is or lies in one of the exports.
    """
    for side in (comparison.old, comparison.new):
        refuse_overlap(folder, export=side.export)
    with reserve_folder(folder, names=COMPARE_FILES) as held:
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


def change_page(comparison: Comparison) -> str:
    """The page as text; everything from a file is escaped."""
    table = comparison.sites.sort_values("change", key=lambda change: change.map(SHOWN_FIRST.index), kind="stable")
    sites = both_sides(comparison)
    units = comparison.new.record["settings"].get("report", {}).get("units", "metric")
    nothing = pd.DataFrame({"text": [], "words": [], "lon": [], "lat": []})
    return fill_page(
        "changes.html.j2",
        caution=CAUTION,
        counts={name: comparison.counts()[name] for name in SHOWN_FIRST},
        causes=comparison.causes(),
        meanings=MEANINGS,
        names=comparison.names,
        what_if=comparison.what_if,
        rows=table.head(MOST_ROWS).to_dict("records"),
        left_out=max(0, len(table) - MOST_ROWS),
        tags=comparison.tag_counts(),
        matrix=matrix(sites),
        drawing=drawing(comparison.new.network.geometry, sites=sites, devices=nothing, units=units),
    )


def both_sides(comparison: Comparison) -> pd.DataFrame:
    """Every site of either survey with what it was and is."""
    columns = ["lon", "lat", "band", "status", "hazard"]
    old, new = (side.sites.set_index("site_id")[columns] for side in (comparison.old, comparison.new))
    sites = new.add_suffix("_new").join(old.add_suffix("_old"), how="outer")
    for name in ("lon", "lat"):
        sites[name] = sites[f"{name}_new"].fillna(sites[f"{name}_old"])
    for when in ("old", "new"):
        gone = sites[f"status_{when}"].isna()
        sites[f"band_{when}"] = sites[f"band_{when}"].fillna("")
        sites[f"status_{when}"] = sites[f"status_{when}"].mask(gone, ABSENT.key)
    why = comparison.sites.set_index("site_id")["why"]
    sites["words"] = why.reindex(sites.index).fillna("nothing changed")
    return sites.rename_axis("site_id").reset_index()
