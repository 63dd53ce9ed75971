"""Refuse names in a plan's terms that the survey does not know: a slip of the pen would else be no term at all."""

from __future__ import annotations

from collections.abc import Iterable, Set
from difflib import get_close_matches
from typing import Any

import pandas as pd

from survey.errors import SettingsError
from survey.planning.terms import KINDS, PlanRequest
from survey.read.tables import NetworkTables

SHOWN = 3
DISTRICTS_SHOWN = 12


def check_names(request: PlanRequest, tables: NetworkTables) -> None:
    """Refuse ids that are no switch, site or end of a cable, and districts without a site.

    Raises ``SettingsError``: says where the name stands, what it is, what was expected and what to do.
    """
    all_named = {*request.costs, *request.must, *request.never}
    assets = _texts(tables.switches["switch_id"]) | _texts(tables.transformers["site_id"]) if all_named else set()
    cables = _texts(tables.cables["cable_id"]) if any(name.startswith("cable:") for name in all_named) else set()
    for where, named in (("costs", request.costs), ("must", request.must), ("never", request.never)):
        kinds = KINDS if where == "costs" else ()
        lost = sorted(n for n in named if n not in assets and n not in kinds and not _is_branch(n, cables))
        if lost:
            raise SettingsError(_lost_assets(lost, assets, where=request.origin(where), kinds=kinds))
    districts = _texts(tables.transformers["district"]) - {""}
    for where, shares in (("least", request.least), ("most", request.most)):
        for name in shares:
            if name not in districts:
                raise SettingsError(_lost_district(name, districts, where=request.origin(where)))


def _texts(column: pd.Series[Any]) -> set[str]:
    return set(map(str, column.to_numpy(object)))


def _is_branch(name: str, cables: Set[str]) -> bool:
    kind, _, rest = name.partition(":")
    cable, _, end = rest.rpartition(":")
    return kind == "cable" and end in {"from", "to"} and cable in cables


def _lost_assets(lost: list[str], assets: Set[str], *, where: str, kinds: Iterable[str]) -> str:
    shown = ", ".join(repr(name) for name in lost[:SHOWN])
    more = f" and {len(lost) - SHOWN} more" if len(lost) > SHOWN else ""
    expected = ", ".join([*kinds, "a switch_id, a site_id or cable:ID:from"])
    folded = {name.casefold(): name for name in sorted((*assets, *kinds))}
    close = get_close_matches(lost[0].casefold(), folded, n=1, cutoff=0.6)
    step = f"write {folded[close[0]]!r} if that is meant, or take it out" if close else "correct it or take it out"
    return f"plan: {where}: found {shown}{more}, not in this survey; expected {expected}; {step}"


def _lost_district(name: str, districts: Set[str], *, where: str) -> str:
    listed = ", ".join(sorted(districts)[:DISTRICTS_SHOWN]) or "none: no site names its district"
    more = ", ..." if len(districts) > DISTRICTS_SHOWN else ""
    return f"plan: {where}: found district {name!r}, not in this survey; districts: {listed}{more}; write one of them"
