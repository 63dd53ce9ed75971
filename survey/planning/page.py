"""The plan as one page that works with no network: installs, matrix of bands, the map before and after, the sites."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from survey.fingerprint import survey_name
from survey.report.before_after import drawing, fill_page, matrix
from survey.result import CAUTION

if TYPE_CHECKING:
    from survey.planning.planning import Plan
    from survey.report.reread import SavedSurvey

MOST_ROWS = 2000
"""More sites than this are left to ``plan_sites.csv``; the page says so."""


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
