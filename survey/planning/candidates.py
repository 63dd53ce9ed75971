"""What could be installed: a table of candidates, and the problem they make of the chains."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from survey.arrays import Bools, Ints, Objects, Ragged
from survey.assess.assess import Assessment
from survey.assess.ties.verdict import all_chains
from survey.errors import SettingsError
from survey.network.model import Network
from survey.planning.exposure import Chains, find_chains
from survey.planning.milp import SAME
from survey.planning.residual import Problem
from survey.planning.spots import Added, Wishes, find_idle, find_places, passed, try_places
from survey.planning.terms import PlanRequest
from survey.settings import Settings


@dataclass(frozen=True)
class Candidates:
    """What could be installed.

    ``table`` one row per candidate: ``kind, id`` (of the switch, or the new one), ``at`` (place of a new one),
    ``device`` (what is there now), ``district, feeder, cost, lon, lat, must, never``; ``problem`` the chains with the
    candidates on them; candidate numbers are rows of the table; ``left_out`` candidates beyond the setting
    ``plan.candidates``: those that help least by themselves for their money.
    """

    table: pd.DataFrame
    problem: Problem
    left_out: int


def find_candidates(
    network: Network, assessment: Assessment, *, settings: Settings, request: PlanRequest, counted: Bools
) -> Candidates:
    """List the candidates that can change a counted site.

    ``counted``: sites the plan counts, shape (n_sites,).
    """
    loops = all_chains(assessment.frame)
    chains = find_chains(network, assessment, settings=settings, counted=counted, loops=loops)
    convert = conversions(network, chains, request=request, settings=settings)
    names: list[str] = []
    beyond = 0
    if settings.plan.add_switches:
        wishes = _wishes(network, chains, convert=convert, request=request, settings=settings)
        names, beyond = find_places(network, wishes, most=settings.plan.candidates)
    found = weigh(network, assessment, names, convert=convert, settings=settings, request=request, counted=counted)
    found = _limited(found.table, found.problem, most=settings.plan.candidates)
    return replace(found, left_out=found.left_out + beyond)


def weigh(
    network: Network,
    assessment: Assessment,
    names: Sequence[str] = (),
    *,
    convert: pd.DataFrame,
    settings: Settings,
    request: PlanRequest,
    counted: Bools,
) -> Candidates:
    """Candidates that replace points and those that add a device at the places named."""
    added = try_places(network, names, frame=assessment.frame)
    number: dict[bytes, int] = {b"": 0}
    apart = np.array([number.setdefault(np.sort(items).tobytes(), len(number)) for items in added.of_site], np.int64)
    loops = replace(added.loops, device=added.loops.device - len(names))
    chains = find_chains(network, assessment, settings=settings, counted=counted, loops=loops, apart=apart)
    table = pd.concat([convert.drop(columns="row"), _added_rows(added, request, settings)])
    table = _with_must(table.reset_index(drop=True), request)
    problem = _problem(network, chains, added, convert=convert, n=len(table))
    table["district"], table["feeder"] = _belongs(network, problem)
    return Candidates(table, problem, 0)


def conversions(network: Network, chains: Chains, *, request: PlanRequest, settings: Settings) -> pd.DataFrame:
    """Every single-pole point on a chain that adds to some site's risk, normally open ones among them.

    Those that take nothing off supply by themselves are there too: made three-pole they stand between.
    """
    counts = np.bincount(chains.owner, weights=chains.value + chains.extra, minlength=len(chains.weight)) > SAME
    adds = (counts & (chains.weight > 0))[chains.owner]
    idle = find_idle(network)
    below = [passed(network, idle, node=node).flat for node in (network.site_node, network.sections.up)]
    row = np.unique(np.concatenate([chains.device[adds], *below]))
    switches = network.tables.switches.iloc[row]
    ids = switches["switch_id"].to_numpy(object)
    device = switches["device"].to_numpy(object)
    barred = {name.casefold() for name in settings.plan.never_devices}
    return pd.DataFrame(
        {
            "row": row,
            "kind": "three_pole",
            "id": ids,
            "at": "",
            "device": device,
            "cost": np.array([request.cost("three_pole", i, settings=settings.plan) for i in ids], float),
            "lon": switches["lon"].to_numpy(float),
            "lat": switches["lat"].to_numpy(float),
            "never": np.array([str(d).casefold() in barred for d in device], bool)
            | np.isin(ids.astype(str), sorted(request.never)),
        }
    )


def _wishes(
    network: Network, chains: Chains, *, convert: pd.DataFrame, request: PlanRequest, settings: Settings
) -> Wishes:
    """Who could gain by an added device, and what the planner says of places.

    Under a point that may be replaced for no more money, an added device never pays: replacing the point does all
    that the device would do and takes the point off as well. Both must be weighed where districts have shares, or
    where replacing lets a section over ``worst_kva`` come to count.
    """
    cost = np.full(len(network.tables.switches), np.inf)
    cost[convert["row"]] = np.where(convert["never"], np.inf, convert["cost"])
    cost = cost[network.sections.device]
    section = section_of(network, chains.device)
    cheapest = min(
        [request.costs.get("add_three_pole", settings.plan.costs["add_three_pole"]), *request.costs.values()]
    )
    linked = np.zeros(len(cost), bool)
    linked[section[section >= 0]] = True
    worth = chains.site_weight[chains.site] * chains.rate[chains.group]
    return Wishes(
        worth=np.bincount(chains.site, weights=worth, minlength=len(chains.site_weight)).astype(np.float64),
        pays=(cost > cheapest) | _lets_large_count(chains, section, n=len(cost)) | bool(request.least or request.most),
        ties=settings.score.backfed_ops_year > 0,
        linked=linked,
        named=_named_places(network, chains, {*request.must, *request.costs}),
        barred=frozenset({*request.never, *(f"site:{i}" for i in request.never)}),
    )


def _named_places(network: Network, chains: Chains, assets: set[str]) -> frozenset[str]:
    """Places among what the planner names: sites that a point exposes, and ends of cables."""
    sites = network.tables.transformers["site_id"].to_numpy(object)[np.unique(chains.site)]
    return frozenset(f"site:{i}" for i in assets & set(sites)) | {a for a in assets if a.startswith("cable:")}


def section_of(network: Network, device: Ints) -> Ints:
    """Section of devices, -1 for normally open ones."""
    section = np.full(len(network.tables.switches), -1, np.int64)
    section[network.sections.device] = np.arange(len(network.sections.device))
    return section[device]


def _lets_large_count(chains: Chains, section: Ints, *, n: int) -> Bools:
    """Sections whose point hides more than it adds: replaced, a section over ``worst_kva`` above could come to count.

    It counts once all below it are three-pole. Where on every chain it adds no more than the point does, replacing is
    no worse than a device under the point.
    """
    above = pd.Series(chains.extra[::-1]).groupby(chains.owner[::-1]).cummax().to_numpy(np.float64)[::-1]
    out = np.zeros(n + 1, bool)
    out[section[above > chains.value]] = True
    return out[:-1]


def _added_rows(added: Added, request: PlanRequest, settings: Settings) -> pd.DataFrame:
    places = [change.at for change in added.changes]
    assets = [place.removeprefix("site:") for place in places]
    return pd.DataFrame(
        {
            "kind": "add_three_pole",
            "id": [change.id for change in added.changes],
            "at": places,
            "device": "",
            "cost": np.array([request.cost("add_three_pole", a, settings=settings.plan) for a in assets], float),
            "lon": added.lonlat[:, 0],
            "lat": added.lonlat[:, 1],
            "never": np.isin(np.array(assets, object).astype(str), sorted(request.never)),
        }
    )


def _with_must(table: pd.DataFrame, request: PlanRequest) -> pd.DataFrame:
    """Mark what must be done; refuse ids that no candidate has."""
    asset = np.where(table["kind"] == "three_pole", table["id"], table["at"].str.removeprefix("site:"))
    known = set(asset)
    lost = sorted(request.must - known)
    if lost:
        msg = f"plan: {lost[0]!r} must be done, but is no candidate: no site's risk depends on it; take it off the list"
        raise SettingsError(msg)
    table["must"] = np.isin(asset.astype(str), sorted(request.must))
    return table


def _problem(network: Network, chains: Chains, added: Added, *, convert: pd.DataFrame, n: int) -> Problem:
    of_device = np.full(len(network.tables.switches), -1, np.int64)
    of_device[convert["row"]] = np.arange(len(convert))
    position, normal = chains.position, chains.owner < chains.n_normal
    site_of_group = np.full(len(chains.weight), -1, np.int64)
    site_of_group[chains.group] = chains.site
    # what stands below the first point of a chain is told by one of the group's sites, the rest by the point below
    below = np.append(-1, section_of(network, chains.device)[:-1])[: len(position)]
    first, later = np.flatnonzero(normal & (position == 0)), np.flatnonzero(normal & (position > 0))
    new = len(added.changes)
    owner, item = [added.loops.entry + np.count_nonzero(normal)], [added.loops.new]
    for lists, rows, key in (
        (added.of_site, first, site_of_group[chains.owner[first]]),
        (added.of_section, later, below[later]),
    ):
        some = lists.taken(key)
        owner.append(rows[some.owner])
        item.append(some.flat)
    row = np.concatenate(item)
    candidate = np.concatenate([len(convert) + np.arange(new), of_device])[row]
    known = candidate >= 0
    between = Ragged.grouped(np.concatenate(owner)[known], candidate[known], n=len(position))
    return Problem(chains, of_device[chains.device], between, n)


def _belongs(network: Network, problem: Problem) -> tuple[Objects, Objects]:
    """District and feeder of every candidate: where most of the weight is that it can help."""
    touched = problem.touched()
    site, group = problem.chains.site, problem.chains.group
    weight = problem.chains.site_weight[site]
    columns = []
    for name in ("district", "feeder"):
        code, names = pd.factorize(network.tables.transformers[name].to_numpy(object)[site], sort=True)
        share = pd.DataFrame({"group": group, "code": code, "weight": weight})
        by_group = share.groupby(["group", "code"], as_index=False)["weight"].sum()
        pairs = pd.DataFrame({"candidate": touched.owner, "group": touched.flat}).merge(by_group, on="group")
        total = pairs.groupby(["candidate", "code"], as_index=False)["weight"].sum()
        best = pd.DataFrame(total).sort_values(["weight", "code"], ascending=[False, True]).drop_duplicates("candidate")
        out = np.full(problem.n, "", object)
        out[best["candidate"].to_numpy()] = np.asarray(names, object)[best["code"].to_numpy()]
        columns.append(out)
    return columns[0], columns[1]


def _limited(table: pd.DataFrame, problem: Problem, *, most: int) -> Candidates:
    """Leave out what can change nobody, and beyond the limit what helps least by itself for its money."""
    from survey.planning.greedy import Gains

    useful = (np.diff(problem.touched().start) > 0) | table["must"].to_numpy(bool)
    left_out = max(0, int(useful.sum()) - most)
    if left_out:
        gain = Gains(problem, useful).gain / table["cost"].to_numpy(float)
        gain[table["must"].to_numpy(bool)] = np.inf
        useful &= np.isin(np.arange(len(gain)), np.argsort(-gain, kind="stable")[:most])
    if useful.all():
        return Candidates(table, problem, left_out)
    number = np.full(problem.n + 1, -1, np.int64)
    number[np.flatnonzero(useful)] = np.arange(int(useful.sum()))
    item = number[problem.between.flat]
    between = Ragged.from_pairs(problem.between.owner[item >= 0], item[item >= 0], n=len(problem.convert))
    fewer = Problem(problem.chains, number[problem.convert], between, int(useful.sum()))
    return Candidates(table[useful].reset_index(drop=True), fewer, left_out)
