"""Tags to add and to remove, in the shape of the utility's records.

Each row says: in the record of ``site_id`` set the column named in ``tag`` from ``from`` to ``to``. Rows name the value
that must be there before, so applying the list twice does no more than applying it once, and a record that says
something else meanwhile is noticed. ``survey`` names the survey that asks for it.

What is not known takes no tag away: where a tagged site could not be judged this time, or is gone from the export, a
row says ``keep, now unknown`` and why, and changes nothing. The survey in which a site was unknown does not know which
tag its record kept; when the site is judged again, there is a row for each tag that it could be.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Bools
from survey.assess.score import BANDS
from survey.fingerprint import survey_name
from survey.report.reread import SavedSurvey

JUDGED = ("assessed", "not_susceptible", "no_single_pole")
"""What a site is when the survey could say something of it; only such a site gives its tag back."""
KEPT, GIVEN_BACK = "keep, now unknown", "a tag kept while the site was unknown"

COLUMNS: dict[str, int | None] = {
    "site_id": None, "tag": None, "from": None, "to": None, "reason": None, "survey": None,
}  # fmt: skip


def tag_changes(old: SavedSurvey, new: SavedSurvey, *, why: pd.DataFrame) -> pd.DataFrame:
    """Rows for every site whose tag is another now, by id.

    ``why``: lines of :func:`survey.comparison.differences.compare_sites`.
    """
    settings = new.record["settings"]["tags"]
    none = str(settings["none"])
    before, after = _tags(old), _tags(new)
    ids = before.index.union(after.index, sort=True)
    was, now = before.reindex(ids).fillna(none), after.reindex(ids).fillna(none)
    sites = new.sites.set_index("site_id").reindex(ids)
    unknown = ~_judged(sites)
    kept = unknown & ((was != none) & (now != was) & ~_more(was, now, settings["codes"])).to_numpy(bool)
    rows = ids[kept | (was != now).to_numpy(bool)]
    table = pd.DataFrame({"site_id": rows.to_numpy(object)})
    table["tag"] = str(settings["field"])
    table["from"], table["to"] = was[rows].to_numpy(object), now.where(~kept, was)[rows].to_numpy(object)
    table["reason"] = _reasons(rows, new, why)
    held = np.isin(rows, ids[kept])
    table.loc[held, "reason"] = [f"{KEPT}: {_unknown(sites.loc[site])}" for site in rows[held]]
    back = ~unknown & ~_judged(old.sites.set_index("site_id").reindex(ids)) & ids.isin(before.index)
    given = _given_back(now[back], was=was[back], settings=settings)
    table = pd.concat([table, given]).sort_values(["site_id", "from"], kind="stable", ignore_index=True)
    table["survey"] = survey_name(new.record)
    return table[list(COLUMNS)]


def _judged(sites: pd.DataFrame) -> Bools:
    """Sites of which a survey could say something, or somebody answers."""
    return (sites["status"].isin(JUDGED) | (sites["signed_off"].fillna("") != "")).to_numpy(bool)


def _given_back(now: pd.Series, *, was: pd.Series, settings: Mapping[str, Any]) -> pd.DataFrame:
    """Rows for sites that were unknown: from each tag that their records may have kept to the one of now."""
    tags = sorted({str(code) for code in settings["codes"].values()} - {str(settings["none"])})
    rows = [
        {"site_id": site, "tag": str(settings["field"]), "from": tag, "to": to, "reason": GIVEN_BACK}
        for site, to, had in zip(now.index, now, was, strict=True)
        for tag in tags
        if tag not in (to, had)
    ]
    return pd.DataFrame(rows, columns=[name for name in COLUMNS if name != "survey"])


def _more(was: pd.Series, now: pd.Series, codes: Mapping[str, str]) -> pd.Series:
    """The tag now says a higher band than the one before."""
    rank = {code: k for k, band in enumerate(BANDS) if (code := codes.get(band, "")) != ""}
    return now.map(rank).fillna(-1) > was.map(rank).fillna(len(BANDS))


def _unknown(site: pd.Series) -> str:
    """Why a site is not judged."""
    if not isinstance(site["status"], str):
        return "not in the new survey"
    notes = str(site["notes"] or "")
    return site["status"].replace("_", " ") + (f" ({notes})" if notes else "")


def _tags(saved: SavedSurvey) -> pd.Series:
    """Tag of every site by id; a survey that wrote none has none."""
    tags = saved.record["settings"].get("tags", {})
    field = tags.get("field", "tag")
    if field not in saved.sites.columns:
        return pd.Series([""] * len(saved.sites), index=saved.sites["site_id"], dtype=object)
    return pd.Series(saved.sites[field].astype(object).to_numpy(), index=saved.sites["site_id"]).fillna("")


def _reasons(rows: pd.Index, new: SavedSurvey, why: pd.DataFrame) -> list[str]:
    lines = why.set_index("site_id")
    signed = new.sites.set_index("site_id").get("signed_off", pd.Series(dtype=object))
    out = []
    for site in rows:
        by = str(signed.get(site, "") or "")
        if by:
            out.append(f"signed off by {by}")
        elif site in lines.index:
            line = lines.loc[site]
            out.append(f"{line['band_old'] or 'none'} -> {line['band_new'] or 'none'}: {line['why']}")
        else:
            out.append(
                "the same figures are tagged another way by the settings or a sign-off that does not hold any more"
            )
    return out
