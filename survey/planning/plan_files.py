"""Write a plan into the survey's folder: tables, pictures, a layer to lay over a map, and a record."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from survey.fingerprint import survey_name
from survey.own_files import PLAN_FILES
from survey.report.before_after import drawing, fill_page, matrix
from survey.report.folder import commit, refusal, reserve_folder
from survey.report.reread import read_results
from survey.report.writing import number_text, write_rows
from survey.result import CAUTION
from survey.what_if.replay import write_changes

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from survey.planning.planning import Plan
    from survey.report.reread import SavedSurvey

INSTALL_COLUMNS: dict[str, int | None] = {
    "order": 0, "kind": None, "id": None, "at": None, "device": None, "feeder": None, "district": None, "cost": 2,
    "cum_cost": 2, "sites_helped": 0, "risk_before": 6, "risk_after": 6, "risk_removed": 6, "must": 0, "lon": 7,
    "lat": 7,
}  # fmt: skip
SITE_COLUMNS: dict[str, int | None] = {
    "site_id": None, "feeder": None, "district": None, "counted": 0, "risk_before": 6, "risk_after": 6,
    "tie_risk_before": 6, "tie_risk_after": 6, "priority_before": 1, "priority_after": 1, "score_before": 1,
    "score_after": 1, "band_before": None, "band_after": None,
    "tie_band_before": None, "tie_band_after": None, "worst_before": None, "worst_after": None,
    "status_after": None, "advice": None,
}  # fmt: skip
CURVE_COLUMNS: dict[str, int | None] = {
    "budget": 2, "spent": 2, "installs": 0, "risk_optimum": 6, "risk_greedy": 6, "gap": 9,
}  # fmt: skip
MOST_ROWS = 2000
"""More sites than this are left to ``plan_sites.csv``; the page says so."""


def write_plan(plan: Plan, folder: Path) -> None:
    """Write all files of a plan into the survey's folder, or none.

    Raises ``OutputError``: the folder cannot be written to.
    """
    from survey.planning.pictures import draw_curve_picture, draw_map_picture

    saved = read_results(folder, sections=False)
    with reserve_folder(folder, names=PLAN_FILES) as held:
        staging = held.staging
        try:
            write_rows(staging / "plan.csv", plan.installs, columns=INSTALL_COLUMNS)
            write_changes(staging / "plan_changes.csv", (*plan.base_changes, *plan.changes))
            write_rows(staging / "plan_sites.csv", plan.sites, columns=SITE_COLUMNS)
            write_rows(staging / "plan_curve.csv", curve_table(plan), columns=CURVE_COLUMNS)
            draw_curve_picture(plan, [staging / "plan_curve.png", staging / "plan_curve.svg"])
            draw_map_picture(plan, saved, staging / "plan_map.png")
            (staging / "plan.html").write_text(plan_page(plan, saved), encoding="utf-8", newline="\n")
            (staging / "plan.geojson").write_text(_geojson(plan.installs), encoding="utf-8", newline="\n")
            text = json.dumps(plan_record(plan), indent=2, ensure_ascii=False, allow_nan=False)
            (staging / "plan.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        except OSError as error:
            raise refusal(folder, error) from error
        commit(held, names=PLAN_FILES)


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
        "back_fed_before": plan.backfed("before"),
        "back_fed_after": plan.backfed("after"),
        "sites_left_urgent_back_fed": plan.urgent_back_fed,
        "sites_left_undecided": plan.undecided,
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
        values = {name: row[name] if d is None else json.loads(number_text(row[name], d) or "null")
                  for name, d in INSTALL_COLUMNS.items()}  # fmt: skip
        features.append({"type": "Feature", "geometry": geometry, "properties": values})
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1) + "\n"


def plan_page(plan: Plan, saved: SavedSurvey) -> str:
    """The page as text; everything from a file is escaped.

    ``saved``: the survey that was planned for, with its drawn network.
    """
    gain = plan.sites["risk_before"] - plan.sites["risk_after"]
    rows = plan.sites[(gain > 0) | (plan.sites["risk_before"].notna() & plan.sites["risk_after"].isna())]
    rows = rows.assign(gain=gain).sort_values("gain", ascending=False, kind="stable", na_position="first")
    sites = both_sides(plan)
    installs = plan.installs.assign(words=[install_words(row) for row in plan.installs.itertuples()])
    return fill_page(
        "plan.html.j2",
        caution=CAUTION,
        name=survey_name(saved.record),
        plan=plan,
        spent=float(plan.installs["cost"].sum()),
        installs=installs.to_dict("records"),
        rows=rows.head(MOST_ROWS).to_dict("records"),
        left_out=max(0, len(rows) - MOST_ROWS),
        matrix=matrix(sites),
        drawing=drawing(
            saved.network.geometry,
            sites=sites,
            devices=installs.assign(text=installs["order"].astype(str)),
            units=plan.settings.report.units,
        ),
    )


def install_words(row: object) -> str:
    """One install in words, from a row of the installs."""
    kind, device, asset, place = (str(getattr(row, name)) for name in ("kind", "device", "id", "at"))
    if kind == "three_pole":
        return f"{device} {asset} becomes three-pole".strip()
    return f"three-pole device at {place}"


def both_sides(plan: Plan) -> pd.DataFrame:
    """Every site with what it is and what it becomes."""
    sites = plan.sites.rename(columns=lambda name: name.replace("_before", "_old").replace("_after", "_new"))
    pairs = zip(*(sites[name].to_numpy(object) for name in ("band_old", "band_new", "advice")), strict=True)
    return sites.assign(words=[f"{old or 'no band'} before, {new or 'no band'} after: {do}" for old, new, do in pairs])
