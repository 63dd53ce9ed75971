"""Names of the files that the commands write into a folder; whatever else lies there is somebody else's."""

import re
from collections.abc import Iterable

CSV_FILES = ("sites.csv", "switching_points.csv", "findings.csv")
GPKG_FILE, NETWORK_FILE, MAP_FILE, RECORD_FILE = "survey.gpkg", "network.parquet", "map.html", "run.json"
OUTPUT_FILES = (*CSV_FILES, GPKG_FILE, NETWORK_FILE, MAP_FILE, RECORD_FILE)
PLAN_FILES = (
    "plan.csv", "plan_changes.csv", "plan_sites.csv", "plan_curve.csv", "plan_curve.png", "plan_curve.svg",
    "plan_map.png", "plan.html", "plan.geojson", "plan.json",
)  # fmt: skip
COMPARE_FILES = ("changes.csv", "tags.csv", "changes.html", "compare.json")
EARLIER = "earlier_survey"
"""Folder in OUT for what was made from the survey that was there before."""

_NAMED = frozenset((*OUTPUT_FILES, *PLAN_FILES, *COMPARE_FILES))
_SHEETS = re.compile(r"sheets_[\w-]+\.pdf")


def is_own(name: str) -> bool:
    """Whether a file of this name is one that a command writes into a folder."""
    return name in _NAMED or _SHEETS.fullmatch(name) is not None


def made_from_survey(names: Iterable[str]) -> list[str]:
    """Those of the names in a folder that are made from a survey, after it: a plan, a comparison, sheets. Sorted."""
    there = set(names)
    made = {name for name in there if _SHEETS.fullmatch(name)}
    for files, record in ((PLAN_FILES, "plan.json"), (COMPARE_FILES, "compare.json")):
        if record in there:
            made |= there.intersection(files)
    return sorted(made)
