"""Write a plan into the survey's folder: tables, pictures, a layer to lay over a map, and a record."""

from __future__ import annotations

import csv
import json
import math
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from survey.report.folder import commit, refusal, reserve_folder
from survey.report.own_files import PLAN_FILES
from survey.report.tables import guard, guarded
from survey.result import CAUTION
from survey.what_if.edits import COLUMNS as CHANGE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import pandas as pd

    from survey.planning.planning import Plan

INSTALL_COLUMNS: dict[str, int | None] = {
    "order": 0, "kind": None, "id": None, "at": None, "device": None, "feeder": None, "district": None, "cost": 2,
    "cum_cost": 2, "sites_helped": 0, "risk_before": 6, "risk_after": 6, "risk_removed": 6, "must": 0, "lon": 7,
    "lat": 7,
}  # fmt: skip
SITE_COLUMNS: dict[str, int | None] = {
    "site_id": None, "feeder": None, "district": None, "counted": 0, "risk_before": 6, "risk_after": 6,
    "priority_before": 1, "priority_after": 1, "score_before": 1, "score_after": 1, "band_before": None,
    "band_after": None, "worst_before": None, "worst_after": None, "status_after": None, "advice": None,
}  # fmt: skip
CURVE_COLUMNS: dict[str, int | None] = {
    "budget": 2,
    "spent": 2,
    "installs": 0,
    "risk_optimum": 6,
    "risk_greedy": 6,
    "gap": 9,
}


def write_plan(plan: Plan, folder: Path) -> None:
    """Write all files of a plan into the survey's folder, or none.

    Raises
    ------
    survey.errors.OutputError
        The folder cannot be written to.
    """
    from survey.planning.pictures import draw_curve_picture, draw_map_picture

    with reserve_folder(folder) as held:
        staging = held.staging
        try:
            write_rows(staging / "plan.csv", plan.installs, columns=INSTALL_COLUMNS)
            write_changes(staging / "plan_changes.csv", plan)
            write_rows(staging / "plan_sites.csv", plan.sites, columns=SITE_COLUMNS)
            write_rows(staging / "plan_curve.csv", curve_table(plan), columns=CURVE_COLUMNS)
            draw_curve_picture(plan, [staging / "plan_curve.png", staging / "plan_curve.svg"])
            draw_map_picture(plan, folder, staging / "plan_map.png")
            (staging / "plan.geojson").write_text(_geojson(plan.installs), encoding="utf-8", newline="\n")
            text = json.dumps(plan_record(plan), indent=2, ensure_ascii=False, allow_nan=False)
            (staging / "plan.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        except OSError as error:
            raise refusal(folder, error) from error
        commit(held, names=PLAN_FILES)


def write_rows(path: Path, frame: pd.DataFrame, *, columns: dict[str, int | None]) -> None:
    """Write a table as CSV with so many decimals per column (``None``: text); missing numbers are empty."""
    cells = [_cells(frame[name].tolist(), decimals) for name, decimals in columns.items()]
    write_csv(path, header=list(columns), columns=cells)


def write_csv(path: Path, *, header: Sequence[str], columns: Sequence[Sequence[str]]) -> None:
    """Write columns of text as CSV."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(map(guarded, header))
        writer.writerows(zip(*columns, strict=True))


def _cells(values: Sequence[object], decimals: int | None) -> list[str]:
    """A column as text; what a spreadsheet would run as a formula gets a leading apostrophe."""
    if decimals is not None:
        return [_number(value, decimals) for value in values]
    plain = ["" if value is None or value != value else str(value) for value in values]  # noqa: PLR0124 - not a number
    return list(guard(pa.array(plain, pa.string())).to_pylist())


def _number(value: object, decimals: int) -> str:
    number = float(value)  # type: ignore[arg-type]
    if not math.isfinite(number):
        return ""
    text = f"{number:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def write_changes(path: Path, plan: Plan) -> None:
    """The plan as a what-if, the changes of the survey it was made for before it."""
    rows = [change.row() for change in (*plan.base_changes, *plan.changes)]
    columns = [_cells([row[name] for row in rows], None) for name in CHANGE_COLUMNS]
    write_csv(path, header=CHANGE_COLUMNS, columns=columns)


def curve_table(plan: Plan) -> pd.DataFrame:
    """The curve as a table."""
    import pandas as pd

    curve = plan.curve
    return pd.DataFrame(
        {
            "budget": curve.budget,
            "spent": curve.spent,
            "installs": curve.installs,
            "risk_optimum": curve.optimum,
            "risk_greedy": curve.greedy,
            "gap": curve.gap,
        }
    )


def plan_record(plan: Plan) -> dict[str, Any]:
    """What was asked, what was found, and the checks."""
    request = plan.request
    greedy = float(plan.greedy.risk[-1])
    return {
        "caution": CAUTION,
        "risk_is": "severity-weighted ringing operations a year of the counted sites",
        "request": {
            "budget": request.budget,
            "costs": {**plan.settings.plan.costs, **request.costs},
            "must": sorted(request.must),
            "never": sorted(request.never),
            "least": dict(request.least),
            "most": dict(request.most),
        },
        "candidates": len(plan.candidates.table),
        "candidates_left_out": plan.candidates.left_out,
        "sites_counted": int(plan.sites["counted"].sum()),
        "installs": len(plan.installs),
        "spent": float(plan.installs["cost"].sum()),
        "risk_before": plan.risk_before,
        "risk_after": plan.risk_after,
        "checks": {
            "programme_says": plan.optimum.risk,
            "survey_of_the_changed_network_says": plan.risk_after,
            "largest_distance_to_the_best_of_the_installs_considered": plan.optimum.gap,
            "greedy_leaves": greedy,
            "greedy_misses_least_share_of": list(plan.greedy.short),
            "optimum_better_by": greedy - plan.optimum.risk,
        },
    }


def _geojson(installs: pd.DataFrame) -> str:
    """Installs as points in degrees (RFC 7946)."""
    features = []
    for row in installs.to_dict("records"):
        place = (float(row["lon"]), float(row["lat"]))
        known = all(math.isfinite(x) for x in place)
        geometry = {"type": "Point", "coordinates": [round(x, 7) for x in place]} if known else None
        values = {name: row[name] if d is None else json.loads(_number(row[name], d) or "null")
                  for name, d in INSTALL_COLUMNS.items()}  # fmt: skip
        features.append({"type": "Feature", "geometry": geometry, "properties": values})
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1) + "\n"
