"""Tags to add and to remove, in the shape of the utility's records.

Each row says: in the record of ``site_id`` set the column named in ``tag`` from ``from`` to ``to``. Rows name the value
that must be there before, so applying the list twice does no more than applying it once, and a record that says
something else meanwhile is noticed. ``survey`` is the fingerprint of the survey that asks for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from survey.fingerprint import survey_fingerprint

if TYPE_CHECKING:
    from survey.report.reread import SavedSurvey

COLUMNS: dict[str, int | None] = {
    "site_id": None, "tag": None, "from": None, "to": None, "reason": None, "survey": None,
}  # fmt: skip


def tag_changes(old: SavedSurvey, new: SavedSurvey, *, why: pd.DataFrame) -> pd.DataFrame:
    """Rows for every site whose tag is another now, by id.

    Parameters
    ----------
    why
        Lines of :func:`survey.comparison.differences.compare_sites`.
    """
    field = str(new.record["settings"]["tags"]["field"])
    none = str(new.record["settings"]["tags"]["none"])
    before, after = _tags(old), _tags(new)
    ids = before.index.union(after.index, sort=True)
    was, now = before.reindex(ids).fillna(none), after.reindex(ids).fillna(none)
    rows = ids[(was != now).to_numpy(bool)]
    table = pd.DataFrame({"site_id": rows.to_numpy(object)})
    table["tag"] = field
    table["from"], table["to"] = was[rows].to_numpy(object), now[rows].to_numpy(object)
    table["reason"] = _reasons(rows, new, why)
    table["survey"] = survey_fingerprint(new.record)
    return table[list(COLUMNS)]


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


def apply_tags(records: pd.Series, changes: pd.DataFrame) -> tuple[pd.Series, list[str]]:
    """Records by site id with the changes made, and the sites whose record says neither ``from`` nor ``to``.

    Applied again it changes nothing: a record that says ``to`` already is done.
    """
    out = records.copy()
    odd = []
    for row in changes.to_dict("records"):
        site, held = row["site_id"], out.get(row["site_id"])
        if held is None or (isinstance(held, float) and np.isnan(held)) or held == row["from"]:
            out[site] = row["to"]
        elif held != row["to"]:
            odd.append(str(site))
    return out, odd
