"""The plan: read the surveyed network again, choose exactly, and prove the promise by surveying the changed network."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Bools, Objects
from survey.assess.action import NO_ACTION
from survey.assess.assess import Assessment, assess_network
from survey.assess.site_table import site_table
from survey.errors import ModelError, OutputError
from survey.findings import FindingList
from survey.network import build_network
from survey.network.model import Network
from survey.planning.candidates import Candidates, find_candidates
from survey.planning.greedy import Curve, Steps, choose_greedily, draw_curve, order_by_value
from survey.planning.milp import Optimum, Programme, Share, Terms
from survey.planning.terms import PlanRequest, check_names, check_request
from survey.read import read_network
from survey.read.tables import NetworkTables
from survey.report.first_points import URGENT
from survey.report.reread import SavedSurvey, read_results
from survey.settings import Settings, build_settings
from survey.what_if.edits import Change, apply_changes, changes_from_record

REPRODUCED = 0.051
"""Priority is written with one decimal."""
TOLD_APART = 1e-6
"""Risks closer than this, relative to the larger, are the same: HiGHS's own tolerance."""


@dataclass(frozen=True)
class Resurvey:
    """A network and what the survey says of it; ``sites`` in the order of the transformers."""

    network: Network
    assessment: Assessment
    sites: pd.DataFrame


@dataclass(frozen=True)
class Plan:
    """What to install, in what order, and what it leaves.

    Parameters
    ----------
    installs
        Chosen candidates in order of marginal value: columns of the candidates' table and ``cum_cost, sites_helped,
        risk_before, risk_after, risk_removed``.
    changes
        The same as a what-if, in the same order.
    sites
        One row per site: ``site_id, counted, status_after, advice``, and ``risk, tie_risk, priority, score, band,
        tie_band, worst``, each ``_before`` and ``_after``.
    risk_before, risk_after
        Severity-weighted ringing operations a year of the counted sites, by the survey of the network as it is and as
        changed.
    optimum, greedy
        The exact choice and the greedy one for the same terms.
    curve
        Risk against budget.
    """

    request: PlanRequest
    installs: pd.DataFrame
    changes: tuple[Change, ...]
    sites: pd.DataFrame
    risk_before: float
    risk_after: float
    optimum: Optimum
    greedy: Steps
    curve: Curve
    candidates: Candidates
    settings: Settings
    base_changes: tuple[Change, ...]

    def backfed(self, when: str) -> float:
        """Part of the risk ``before`` or ``after`` that lies in states with a normally open point closed."""
        return float(self.sites.loc[self.sites["counted"] == 1, f"tie_risk_{when}"].sum())

    @property
    def urgent_back_fed(self) -> int:
        """Counted sites that the plan leaves in a low or moderate band, but for a state in which they are back-fed."""
        after = self.sites[self.sites["counted"] == 1]
        return int((after["tie_band_after"].isin(URGENT) & ~after["band_after"].isin(URGENT)).sum())

    @property
    def undecided(self) -> int:
        """Counted sites that the plan leaves on a ring of which no state can be judged."""
        return int(((self.sites["counted"] == 1) & self.sites["risk_after"].isna()).sum())

    @property
    def model_error(self) -> float:
        """Distance between what the programme promised and what the survey of the changed network says."""
        return abs(self.optimum.risk - self.risk_after)


def resurvey(tables: NetworkTables, *, settings: Settings) -> Resurvey:
    """Network, assessment and sites of clean tables; the findings are those of the survey and are not kept."""
    findings = FindingList()
    network = build_network(tables, settings=settings.network, findings=findings)
    assessment = assess_network(network, settings=settings, findings=findings)
    ranked, order = site_table(network, assessment, settings=settings)
    back = np.empty(len(order), np.int64)
    back[order] = np.arange(len(order))
    return Resurvey(network, assessment, ranked.iloc[back].reset_index(drop=True))


def make_plan(
    folder: Path,
    *,
    request: PlanRequest,
    network_path: Path | None = None,
    settings: Settings | None = None,
    progress: Callable[[str], None] | None = None,
) -> Plan:
    """Plan three-pole installs for a finished survey.

    Parameters
    ----------
    folder
        Output folder of ``survey run``.
    network_path
        Where the export is now, when it was moved.
    settings
        In place of the survey's ``plan`` section; its other sections are not used.

    Raises
    ------
    survey.errors.SurveyError
        The survey or its export cannot be read or are not the same any more, or the terms cannot be kept or name what
        is not there.
    """
    check_request(request)
    tell = progress or (lambda _: None)
    tell("read")
    saved = read_results(folder, drawn=False)
    if saved.sites.empty:
        msg = f"{folder}: plan: no site of this survey; nothing to plan"
        raise ModelError(msg)
    used = build_settings(saved.record["settings"], origin=f"survey {folder}: run.json")
    if settings is not None:
        used = used.model_copy(update={"plan": settings.plan})
    tables = read_again(saved, network_path=network_path, settings=used)
    base_changes = changes_from_record(saved.record.get("changes", ()))
    tables = apply_changes(tables, base_changes)
    check_names(request, tables)
    tell("network")
    base = resurvey(tables, settings=used)
    _refuse_other(saved, base)
    return _choose(base, tables, saved=saved, request=request, settings=used, tell=tell)


def read_again(saved: SavedSurvey, *, network_path: Path | None, settings: Settings) -> NetworkTables:
    """The export that a survey was made from; refuses one that was changed since."""
    path = network_path or saved.export
    if not path.exists():
        msg = f"plan: network {path} is not there any more; say where it is with --network"
        raise OutputError(msg)
    tables = read_network(path, settings=settings, findings=FindingList())
    if tables.fingerprints != saved.record["fingerprints"]:
        names = {**tables.fingerprints, **saved.record["fingerprints"]}
        odd = next(n for n in names if tables.fingerprints.get(n) != saved.record["fingerprints"].get(n))
        msg = f"plan: network {path}: {odd} is not what survey {saved.folder} was made from; run the survey again"
        raise OutputError(msg)
    return tables


def _refuse_other(saved: SavedSurvey, base: Resurvey) -> None:
    """The survey must say the same now as it said then; another version may not."""
    then = saved.sites.set_index("site_id")["priority"].reindex(base.sites["site_id"]).to_numpy(float)
    now = base.sites["priority"].to_numpy(float)
    same = (np.isnan(then) & np.isnan(now)) | (np.abs(then - now) < REPRODUCED)
    if not same.all():
        site = base.sites["site_id"].iloc[int(np.flatnonzero(~same)[0])]
        msg = (
            f"plan: survey {saved.folder} (version {saved.record.get('survey')}) says other figures than this version, "
            f"first at site {site!r}; run the survey again"
        )
        raise OutputError(msg)


def _choose(
    base: Resurvey,
    tables: NetworkTables,
    *,
    saved: SavedSurvey,
    request: PlanRequest,
    settings: Settings,
    tell: Callable[[str], None],
) -> Plan:
    tell("plan")
    counted = ~_signed_off(saved, base.sites["site_id"]) & np.isfinite(base.sites["risk"].to_numpy(float))
    candidates = find_candidates(base.network, base.assessment, settings=settings, request=request, counted=counted)
    terms = make_terms(candidates.table, request)
    programme = Programme(candidates.problem)
    optimum = programme.solve(terms, seconds=settings.plan.seconds)
    greedy = choose_greedily(candidates.problem, terms)
    steps = order_by_value(candidates.problem, optimum.chosen, cost=terms.cost)
    curve = draw_curve(programme, terms, at=optimum, settings=settings.plan)
    changes = install_changes(candidates.table.iloc[steps.candidate])
    tell("promise")
    after = resurvey(apply_changes(tables, changes), settings=settings)
    return Plan(
        request=request,
        installs=_installs(candidates, steps),
        changes=changes,
        sites=_sites(base, after, counted=counted, installs=candidates.table[optimum.chosen]),
        risk_before=_risk(base, counted),
        risk_after=_risk(after, counted),
        optimum=optimum,
        greedy=greedy,
        curve=curve,
        candidates=candidates,
        settings=settings,
        base_changes=changes_from_record(saved.record.get("changes", ())),
    )


def _signed_off(saved: SavedSurvey, sites: pd.Series[Any]) -> Bools:
    if "signed_off" not in saved.sites.columns:
        return np.zeros(len(sites), bool)
    held = saved.sites.loc[saved.sites["signed_off"] != "", "site_id"]
    return np.asarray(sites.isin(set(held)), bool)


def _risk(surveyed: Resurvey, counted: Bools) -> float:
    return float(np.nansum(surveyed.sites["risk"].to_numpy(float)[counted]))


def make_terms(table: pd.DataFrame, request: PlanRequest) -> Terms:
    """The terms of a request on a table of candidates."""
    district = table["district"].to_numpy(object)
    shares = [
        Share(
            name,
            district == name,
            least=request.least.get(name, 0.0) * request.budget,
            most=request.most.get(name, 1.0) * request.budget,
        )
        for name in sorted({*request.least, *request.most})
    ]
    return Terms(
        cost=table["cost"].to_numpy(float),
        budget=request.budget,
        must=table["must"].to_numpy(bool),
        never=table["never"].to_numpy(bool) & ~table["must"].to_numpy(bool),
        shares=shares,
    )


def install_changes(rows: pd.DataFrame) -> tuple[Change, ...]:
    """Candidates as a what-if."""
    return tuple(Change(str(r.kind), str(r.id), at=str(r.at), origin="plan") for r in rows.itertuples())


def _installs(candidates: Candidates, steps: Steps) -> pd.DataFrame:
    table = candidates.table.iloc[steps.candidate].reset_index(drop=True)
    chosen = np.zeros(candidates.problem.n, bool)
    chains = candidates.problem.chains
    before = candidates.problem.rates(chosen)
    helped = []
    for candidate in steps.candidate:
        chosen[candidate] = True
        after = candidates.problem.rates(chosen)
        helped.append(len(np.unique(chains.site[(after < before * (1.0 - TOLD_APART))[chains.group]])))
        before = after
    table.insert(0, "order", np.arange(1, len(table) + 1))
    table["cum_cost"] = steps.spent[1:]
    table["sites_helped"] = np.array(helped, np.int64)
    table["risk_before"], table["risk_after"] = steps.risk[:-1], steps.risk[1:]
    table["risk_removed"] = steps.risk[:-1] - steps.risk[1:]
    return table


def _sites(base: Resurvey, after: Resurvey, *, counted: Bools, installs: pd.DataFrame) -> pd.DataFrame:
    old, new = base.sites, after.sites
    table = old[["site_id", "feeder", "district", "lon", "lat"]].assign(counted=counted.astype(np.int64))
    for name in ("risk", "tie_risk", "priority", "hazard", "score", "band", "tie_band", "worst_switch_id", "status"):
        told = name.removesuffix("_switch_id")
        table[f"{told}_before"], table[f"{told}_after"] = old[name], new[name]
    return table.assign(advice=_advice(old, new, set(installs["id"])))


def _advice(old: pd.DataFrame, new: pd.DataFrame, installed: set[str]) -> Objects:
    """``install`` where the plan lowers the risk, else what the survey says is left to do: ``load`` or ``nothing``."""
    before, after = (side["risk"].to_numpy(float) for side in (old, new))
    lower, unknown = after < before * (1.0 - TOLD_APART), ~np.isfinite(after)
    nothing = new["action"].str.startswith(NO_ACTION).to_numpy(bool)
    rest = np.where(unknown, "record", np.where(nothing, "nothing", "load"))
    both = np.where(nothing, "install", "install and load")
    return np.where(lower & bool(installed), both, rest).astype(object)
