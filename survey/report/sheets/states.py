"""Worse states of sites on sheets: fed from the other end of a loop, or with a closed ring opened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats
from survey.report.ramp import BANDS
from survey.report.sheets.lettering import clean

Site = Mapping[str, Any]
"""A row of the sites."""
_TOLD = ["tie_switch_id", "tie_open_id", "tie_worst_id", "tie_cable_m", "tie_peak_pu", "tie_band"]
NAME_LIMIT, STATE_LIMIT = 80, 180
THREE_POLE_ONLY = "THREE-POLE ONLY"


def rings_at_point(sites: pd.DataFrame) -> Bools:
    """Which sites ring at a point in the normal state, with more than the low band."""
    named = (sites["worst_switch_id"] != "") | (sites["switch_id"] != "")
    return np.asarray((sites["status"] == "assessed") & sites["band"].isin(BANDS[1:]) & named)


def rings_in_state(sites: pd.DataFrame) -> Bools:
    """Which sites ring in their worst state, with more than the low band."""
    return np.asarray((sites["tie_worst_id"] != "") & sites["tie_band"].isin(BANDS[1:]))


def worse_in_state(sites: pd.DataFrame) -> Bools:
    """Which sites ask for more in their worst state than in the normal one.

    They are of a higher band, have more load to hold, or no point in the normal state.
    """
    order = pd.Index(["", *BANDS])
    higher = order.get_indexer(pd.Index(sites["tie_band"])) > order.get_indexer(pd.Index(sites["band"]))
    more = needed_kw(sites, "tie_hold_kw") > needed_kw(sites, "hold_kw")
    return np.asarray(rings_in_state(sites) & (~rings_at_point(sites) | higher | more))


def needed_kw(sites: pd.DataFrame, column: str) -> Floats:
    """Loads to hold, infinite where no load cures."""
    return sites[column].fillna(np.inf).to_numpy(dtype=np.float64)


def state_words(site: Site) -> str:
    """``With A closed and B open``, as the survey's action says it."""
    states = ((site["tie_switch_id"], "closed"), (site["tie_open_id"], "open"))
    return "With " + " and ".join(f"{name} {state}" for name, state in states if name)


def load_words(kw: float) -> str:
    """``HOLD 825 kW``, or that no load cures."""
    return f"HOLD {np.ceil(kw):,.0f} kW" if np.isfinite(kw) else THREE_POLE_ONLY


def point_of(sites: pd.DataFrame) -> pd.Series[str]:
    """The point of each site in the normal state: its worst, else the nearest."""
    return sites["worst_switch_id"].where(sites["worst_switch_id"] != "", sites["switch_id"]).astype(str)


def told_sites(sites: pd.DataFrame) -> list[Site]:
    """What blocks tell of each site: ``point``, loads to hold, worst state, and whether it rings in which state."""
    told = sites[_TOLD].assign(
        point=point_of(sites),
        at_point=rings_at_point(sites),
        in_state=rings_in_state(sites),
        worse=worse_in_state(sites),
        hold_kw=needed_kw(sites, "hold_kw"),
        tie_hold_kw=needed_kw(sites, "tie_hold_kw"),
    )
    return told.to_dict("records")  # type: ignore[return-value]


def rows_by_point(sites: Sequence[Site], *, state: str) -> dict[str, list[int]]:
    """Rows of the sites that ring at each point, rising; the point of the first row first.

    In the normal state, and in their worst one where ``state`` of the site, ``in_state`` or ``worse``, is true.
    """
    found: dict[str, dict[int, None]] = {}
    for row, site in enumerate(sites):
        for counts, name in ((site["at_point"], site["point"]), (site[state], site["tie_worst_id"])):
            if counts:
                found.setdefault(str(name), {})[row] = None
    return {name: list(rows) for name, rows in found.items()}


def normal_load_kw(point: Mapping[str, Any], sites: Sequence[Site]) -> float | None:
    """The load to hold at a point in the normal state, infinite where none cures; ``None`` where nothing rings then.

    ``sites``: those that ring there; where there are none the point's own figures tell.
    """
    if sites:
        return float(max(site["hold_kw"] for site in sites))
    elsewhere = point.get("tie_switch_id") or point.get("tie_open_id") or point.get("state") == "open"
    if elsewhere or not point.get("hazard", 0) > 0:
        return None
    return float(np.nan_to_num(point["hold_kw"], nan=np.inf))


def states_at(sites: Sequence[Site], name: str, *, normal_kw: float | None) -> list[Site]:
    """Sites whose worst state is at a point, where it asks for more than the site's or the point's normal state."""
    return [
        site
        for site in sites
        if site["in_state"]
        and site["tie_worst_id"] == name
        and (site["worse"] or normal_kw is None or site["tie_hold_kw"] > normal_kw)
    ]


def state_facts(states: Sequence[Site]) -> dict[str, Any]:
    """What stands on the block of a point for the worst of its states."""
    worst = _worst(states)
    return {"exposed_cable_m": worst["tie_cable_m"], "peak_pu": worst["tie_peak_pu"], "hold_kw": worst["tie_hold_kw"]}


def told_state(states: Sequence[Site]) -> str:
    """The worst of some states in words, and that there are others."""
    return f"{state_words(_worst(states))}{_of_several(states)}"


def warnings(states: Sequence[Site], sites: Sequence[Site], *, name: str) -> list[str]:
    """What the block of a point says of states that ask for more: here, and of its sites at other points."""
    away = [site for site in sites if site["worse"] and site["tie_worst_id"] != name]
    return [_warning(some, name=name) for some in (states, away) if some]


def _warning(states: Sequence[Site], *, name: str) -> str:
    worst = _worst(states)
    place = f", at {clean(worst['tie_worst_id'], limit=NAME_LIMIT)}" if worst["tie_worst_id"] != name else ""
    state = clean(state_words(worst), limit=STATE_LIMIT)
    return f"{state}{place}: {load_words(worst['tie_hold_kw'])}{_of_several(states)}"


def _worst(states: Sequence[Site]) -> Site:
    """The state that asks for most: no load cures, else the greatest; the first of these."""
    return max(states, key=lambda site: site["tie_hold_kw"])


def _of_several(states: Sequence[Site]) -> str:
    count = len({state_words(one) for one in states})
    return f" (the worst of {count} states)" if count > 1 else ""


def first_point(site: Site) -> str:
    """The point a site is looked for at: its worst, else the nearest, else the worst of its worst state."""
    return str(site["worst_switch_id"] or site["switch_id"] or site["tie_worst_id"])
