"""What a planner asks for: budget, unit costs, what must and must not be done, and the districts' shares."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from survey.errors import SettingsError
from survey.lists import read_list
from survey.read.tables import NetworkTables
from survey.settings import PlanSettings

KINDS = ("three_pole", "add_three_pole")
SHOWN = 3
DISTRICTS_SHOWN = 12


@dataclass(frozen=True)
class PlanRequest:
    """What to plan for.

    Parameters
    ----------
    budget
        In the unit of the costs; with no costs given every install costs 1 and it is a number of installs.
    costs
        Cost by kind of install, or by id of one switch or site.
    must, never
        Ids of switches (to replace) and sites (to get a device of their own); ``cable:ID:from`` names a branch.
    least, most
        Shares of the budget by district, 0-1.
    origins
        Where ``costs, must, never, least`` and ``most`` were read, for refusals; what is not told goes by its name.
    """

    budget: float
    costs: Mapping[str, float] = field(default_factory=dict)
    must: frozenset[str] = frozenset()
    never: frozenset[str] = frozenset()
    least: Mapping[str, float] = field(default_factory=dict)
    most: Mapping[str, float] = field(default_factory=dict)
    origins: Mapping[str, str] = field(default_factory=dict)

    def origin(self, name: str) -> str:
        """Where a term was read."""
        return self.origins.get(name, name)

    def cost(self, kind: str, asset: str, *, settings: PlanSettings) -> float:
        """Cost of one install: that of the asset, else of the kind, else of the settings."""
        return self.costs.get(asset, self.costs.get(kind, settings.costs[kind]))


def check_request(request: PlanRequest) -> None:
    """Refuse what cannot be.

    Raises ``SettingsError``: a number is not one, a share is not within 0 and 1, or an asset must and must not be done.
    """
    if not np.isfinite(request.budget) or request.budget < 0:
        msg = f"plan: found budget {request.budget}; expected a number of 0 or more"
        raise SettingsError(msg)
    for name, cost in request.costs.items():
        if not np.isfinite(cost) or cost <= 0:
            msg = f"plan: found cost {cost} of {name!r}; expected a number above 0"
            raise SettingsError(msg)
    for shares in (request.least, request.most):
        for name, share in shares.items():
            if not 0 <= share <= 1:
                msg = f"plan: found share {share} of district {name!r}; expected a number from 0 to 1"
                raise SettingsError(msg)
    both = sorted(request.must & request.never)
    if both:
        msg = f"plan: {both[0]!r} is on the must-do and on the never-do list; take it off one"
        raise SettingsError(msg)


def parse_pairs(texts: Iterable[str], *, option: str) -> dict[str, float]:
    """Numbers by name from ``name=number`` texts.

    Raises ``SettingsError``: a text is not of that form.
    """
    out = {}
    for text in texts:
        name, separator, number = text.rpartition("=")
        try:
            out[name.strip()] = float(number)
        except ValueError:
            separator = ""
        if not separator or not name.strip():
            msg = f"{option}: found {text!r}; expected NAME=NUMBER"
            raise SettingsError(msg)
    return out


def read_costs(texts: Iterable[str]) -> dict[str, float]:
    """Unit costs from ``what=cost`` texts and from CSV files with columns ``what, cost``."""
    from pathlib import Path

    out: dict[str, float] = {}
    for text in texts:
        if "=" in text:
            out.update(parse_pairs([text], option="--unit-costs"))
        else:
            rows = read_list(Path(text), "unit costs", needed=("what", "cost"))
            for where, row in rows:
                out.update(parse_pairs([f"{row['what']}={row['cost']}"], option=where))
    return out


def read_ids(path: Path | None) -> frozenset[str]:
    """Ids from a CSV file with a column ``id``.

    Raises ``SettingsError``: the file cannot be read or has no such column.
    """
    return frozenset() if path is None else frozenset(row["id"] for _, row in read_list(path, "list", needed=("id",)))


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
