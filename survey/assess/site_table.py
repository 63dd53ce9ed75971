"""The tables of sites, ranked, and of switching points: one row each, in the units of the column names."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints, Objects, Ragged, at_rows, ratio
from survey.assess.action import ActionFacts, EitherEnd, action_sentences, either_end_sentences, rule_alone
from survey.assess.assess import Assessment
from survey.assess.circuits import ShownValues
from survey.assess.score import BANDS, UNKNOWN, YES, band_names, band_of, priority
from survey.assess.ties.points import PointRows
from survey.network.model import Network
from survey.settings import Settings

KILO, NANO = 1e3, 1e-9
Columns = dict[str, Any]
"""Arrays of numpy or pandas by the name of the column."""


def site_table(network: Network, assessment: Assessment, *, settings: Settings) -> tuple[pd.DataFrame, Ints]:
    """Sites in order of rank.

    Returns the table (columns of ``data/columns.csv``, with ``hazard`` beside ``score``) and the site row of each table
    row.
    """
    status = _status(network, assessment)
    columns = {
        **_identity(network),
        "status": status,
        "connection": assessment.windings.connection,
        "core": assessment.windings.core,
        **_ranking(assessment, status),
        **_walked(network, assessment),
        **_section(network, assessment, settings),
        **_studied(assessment, status, settings),
        **_either_end(network, assessment),
    }
    actions = _actions(columns, assessment, settings)
    columns["action"] = either_end_sentences(actions, status=status, ends=_ends(columns, assessment, settings))
    columns["notes"] = _notes(network, assessment)
    order = _rank_order(columns["risk"], columns["score"])
    rank = {"rank": np.arange(1, len(order) + 1)}
    return pd.DataFrame(rank | {name: values[order] for name, values in columns.items()}), order


def _identity(network: Network) -> Columns:
    sites = network.tables.transformers
    return {
        "site_id": sites["site_id"].array,
        "feeder": _feeders(network),
        "district": sites["district"].array,
        "kva": sites["rating_va"].to_numpy(np.float64) / KILO,
        "kv": sites["voltage_v"].to_numpy(np.float64) / KILO,
        "minload_kw": sites["min_load_w"].to_numpy(np.float64) / KILO,
        "customers": _whole(sites["customers"].to_numpy(np.float64)),
        "critical": sites["critical"].to_numpy(bool).astype(np.int64),
        "lon": sites["lon"].to_numpy(np.float64),
        "lat": sites["lat"].to_numpy(np.float64),
    }


def _whole(value: Floats) -> pd.arrays.IntegerArray:
    """Whole numbers with gaps where the value is not a number."""
    known = np.isfinite(value)
    return pd.arrays.IntegerArray(np.where(known, value, 0).astype(np.int64), ~known)


def _feeders(network: Network) -> Objects:
    """The site's own feeder name, else that of a cable at its node (of the lowest id)."""
    out = network.tables.transformers["feeder"].to_numpy(object, copy=True)
    missing = np.flatnonzero((out == "") & (network.site_node >= 0))
    if not len(missing):
        return out
    at_node = np.full(network.graph.n_nodes, -1, np.int64)
    for ends in (network.pieces.v, network.pieces.u):
        at_node[ends[::-1]] = network.pieces.cable[::-1]
    cable = at_node[network.site_node[missing]]
    out[missing] = _names(network.tables.cables["feeder"], cable)
    return out


def _names(column: pd.Series[str], row: Ints) -> Objects:
    """Text at rows, ``""`` at those that are not there: -1, and the switch of a dead stretch's own supply."""
    out, known = np.full(len(row), "", object), (row >= 0) & (row < len(column))
    out[known] = column.take(row[known]).to_numpy(object)
    return out


def _status(network: Network, assessment: Assessment) -> Objects:
    walks, windings = network.walks, assessment.windings
    return np.select(
        [
            windings.family < 0,
            ~windings.usable | (at_rows(assessment.figures.outside, assessment.choice.nearest, none=False) > 0),
            ~walks.supplied,
            walks.looped,
            walks.section < 0,
        ],
        ["not_susceptible", "not_assessable", "unreached", "looped", "no_single_pole"],
        "assessed",
    ).astype(object)


def _ranking(assessment: Assessment, status: Objects) -> Columns:
    """Hazard, score, risk, priority, band: absent where nothing can be said, 0 where nothing can ring."""
    choice, interval = assessment.choice, assessment.interval
    ring = (status == "looped") & np.isfinite(assessment.ties.hazard)
    unknown = np.isin(status, ("not_assessable", "unreached", "looped"))
    safe = np.isin(status, ("not_susceptible", "no_single_pole"))

    def known(value: Floats) -> Floats:
        return np.where(unknown, np.nan, np.where(safe, 0.0, value))

    # a ring has to be opened first: what its worst state says is what it says
    ties = assessment.ties
    hazard = np.where(ring, ties.hazard, known(choice.hazard))
    risk = np.where(ring, 0.0, known(assessment.risks.of_sites(len(status))))
    # what nothing can make ring in its normal state, a state of its loop can
    risk = np.where(status == "not_susceptible", risk, risk + assessment.loops.site)
    return {
        "band": band_names(hazard),
        "score": np.where(ring, ties.score, known(choice.score)),
        "priority": priority(risk),
        "risk": risk,
        "tie_risk": np.where(np.isnan(risk), np.nan, assessment.loops.site - assessment.loops.ring),
        "hazard": hazard,
        "score_low": known(interval.score_low),
        "score_high": known(interval.score_high),
    }


def _walked(network: Network, assessment: Assessment) -> Columns:
    walks, switches = network.walks, network.tables.switches
    device = np.append(network.sections.device, -1)
    nearest, worst = device[walks.section], device[assessment.choice.worst_section]
    ids, kinds = switches["switch_id"], switches["device"]
    return {
        "switch_id": _names(ids, nearest),
        "switch_device": _names(kinds, nearest),
        "path_length_m": walks.length_m,
        "path_cable_m": walks.cable_m,
        "gang_switch_id": _names(ids, np.where(walks.section >= 0, walks.gang, -1)),
        "worst_switch_id": _names(ids, worst),
        "worst_device": _names(kinds, worst),
    }


def _section(network: Network, assessment: Assessment, settings: Settings) -> Columns:
    """Electrical values of the nearest section, referred to the site's own voltage."""
    values, section, worst = assessment.totals, network.walks.section, assessment.choice.worst_section
    volts = np.where(assessment.windings.usable, network.tables.transformers["voltage_v"].to_numpy(np.float64), np.nan)
    return {
        "exposed_sites": pd.arrays.IntegerArray(at_rows(values.sites, section, none=0), section < 0),
        **electrical_columns(values, section, voltage_v=volts, hertz=settings.electrical.frequency_hz),
        "limit_length_m": at_rows(assessment.limit_length_m, assessment.choice.nearest),
        "worst_cable_m": at_rows(values.cable_m, worst),
        "one_phase_kva": at_rows(values.one_phase_va, worst) / KILO,
    }


def electrical_columns(values: ShownValues, section: Ints, *, voltage_v: Floats, hertz: float) -> dict[str, Floats]:
    """What sections are electrically, at the voltages given, NaN at -1."""
    cap, magnetizing, loss = (at_rows(total, section) for total in (values.cap_f, values.magnetizing_va, values.loss_w))
    omega = 2 * np.pi * hertz
    charging = omega * cap * voltage_v**2
    return {
        "exposed_cable_m": at_rows(values.cable_m, section),
        "exposed_kva": at_rows(values.rating_va, section) / KILO,
        "cap_nf": cap / NANO,
        "charging_kvar": charging / KILO,
        "xc_ohm": ratio(1.0, omega * cap),
        "xm_ohm": ratio(voltage_v**2, magnetizing),
        "xc_xm": ratio(magnetizing, charging),
        "charge_loss": ratio(charging, loss),
    }


def _studied(assessment: Assessment, status: Objects, settings: Settings) -> Columns:
    """The study's figures of the nearest point, and the peak at the worst; absent for sites that are not assessed."""
    figures, choice, circuits = assessment.figures, assessment.choice, assessment.circuits
    assessed = status == "assessed"
    nearest, worst = np.where(assessed, choice.nearest, -1), np.where(assessed, choice.worst, -1)
    worst_section = np.where(assessed, choice.worst_section, -1)
    needed_w = figures.load_needed_pu * circuits.base_va
    screen = at_rows(np.where(circuits.clears, "clears", "does not clear"), nearest, none="")
    return {
        "peak_pu": at_rows(figures.peak_pu, nearest),
        "peak_loaded_pu": at_rows(figures.peak_loaded_pu, nearest),
        "typical_pu": at_rows(figures.typical_pu, nearest),
        "cycles_above": at_rows(figures.cycles_above, nearest),
        "likelihood": at_rows(figures.likelihood, nearest),
        "load_needed_kw": finite(at_rows(needed_w, nearest)) / KILO,
        "worst_peak_pu": at_rows(figures.peak_pu, worst),
        "arrester_w": at_rows(figures.arrester_w, worst),
        "arrester_s": finite(at_rows(figures.arrester_s, worst)),
        "ops_year": at_rows(assessment.risks.ops_year, worst_section),
        "worst_load_kw": finite(at_rows(needed_w, worst)) / KILO,
        "hold_kw": finite(at_rows(assessment.frame.normal.hold_kw, worst_section)),
        "load_rule_kw": np.where(
            assessment.windings.usable, settings.limits.load_rule * assessment.windings.rating_va / KILO, np.nan
        ),
        "screen": screen.astype(object),
    }


def _either_end(network: Network, assessment: Assessment) -> Columns:
    """The worst state with a normally open device closed, or a closed ring opened."""
    ties, ids = assessment.ties, network.tables.switches["switch_id"]
    return {
        "tie_switch_id": _names(ids, ties.tie),
        "tie_open_id": _names(ids, ties.opened),
        "tie_worst_id": _names(ids, ties.worst),
        "tie_cable_m": ties.cable_m,
        "tie_peak_pu": ties.peak_pu,
        "tie_band": band_names(np.where(ties.judged, np.nan_to_num(ties.hazard), np.nan)),
        "tie_hold_kw": finite(ties.hold_kw),
    }


def _ends(columns: Columns, assessment: Assessment, settings: Settings) -> EitherEnd:
    ties, place = assessment.ties, {name: k for k, name in enumerate(("", *BANDS))}
    tie_band, band = (np.array([place[name] for name in columns[key]], np.int64) for key in ("tie_band", "band"))
    worse = tie_band > band
    closed, opened, worst, status = (
        columns[name] for name in ("tie_switch_id", "tie_open_id", "tie_worst_id", "status")
    )
    rule = "" if settings.study.run else rule_alone(settings.limits.load_rule)
    return EitherEnd(closed, opened, worst, ties.hazard, worse | (status == "looped"), ties.hold_kw, rule)


def finite(value: Floats) -> Floats:
    """Values, absent where infinite: no load cures."""
    return np.where(np.isfinite(value), value, np.nan)


def _actions(columns: Columns, assessment: Assessment, settings: Settings) -> Objects:
    choice, figures, circuits = assessment.choice, assessment.figures, assessment.circuits
    worst_peak = at_rows(np.fmax(figures.peak_pu, figures.peak_loaded_pu), choice.worst)
    clears, studied = at_rows(circuits.clears, choice.worst, none=False) > 0, np.isfinite(worst_peak)
    return action_sentences(
        ActionFacts(
            status=columns["status"],
            reason=assessment.windings.reason,
            hazardous=np.where(studied, worst_peak > settings.limits.voltage_pu, ~clears),
            studied=studied,
            switch_id=columns["worst_switch_id"],
            device=columns["worst_device"],
            nearest_id=columns["switch_id"],
            hold_kw=at_rows(assessment.frame.normal.hold_kw, choice.worst_section),
            limit_length_m=at_rows(assessment.limit_length_m, choice.worst),
            cable_m=columns["worst_cable_m"],
            load_rule=settings.limits.load_rule,
        )
    )


def _notes(network: Network, assessment: Assessment) -> Objects:
    """What was assumed, and what the walk met, in words."""
    walks, totals, windings = network.walks, assessment.totals, assessment.windings
    section, switches = assessment.choice.worst_section, network.tables.switches
    adrift = walks.supplied & ~walks.sourced & (len(network.tables.sources) > 0)
    rings = np.nan_to_num(assessment.choice.hazard) > 0
    unguarded = rings & (at_rows(totals.arrester, section, none=YES) == UNKNOWN)
    presumed = at_rows(np.asarray(switches.get("presumed", np.zeros(len(switches)))), walks.gang, none=0) > 0
    undeclared = (windings.min_load_w > 0) & ~windings.balanced_load
    extra = [
        (~walks.full, "fewer than three phases reach it"),
        (adrift, "no source feeds its part of the network: the nearest single-pole point was taken, either way"),
        (walks.ring_piece >= 0, "on a closed ring: the shorter way was walked"),
        (unguarded, "whether arresters stand there is not known: the worse of the two counts"),
        (
            at_rows(totals.between_units, section, none=0.0) > 0,
            "a single-phase unit between two phases stands on the section and is not modelled",
        ),
        (presumed, "a device on its way is three-pole by its kind alone (presumed)"),
        (undeclared, "its least load is not declared three-phase and protects nothing"),
        *_band_span(network, assessment),
    ]
    notes = windings.assumed.copy()
    for where, text in extra:
        notes[where] = [f"{old}; {text}" if old else text for old in notes[where]]
    by_record = assessment.record_notes != ""
    both = zip(notes[by_record], assessment.record_notes[by_record], strict=True)
    notes[by_record] = [f"{old}; {text}" if old else text for old, text in both]
    return notes


def _band_span(network: Network, assessment: Assessment) -> list[tuple[Bools, str]]:
    """Between which bands what was assumed could move a site."""
    interval, totals, section = assessment.interval, assessment.totals, assessment.choice.worst_section
    low, high = (band_of(np.nan_to_num(end)) for end in (interval.hazard_low, interval.hazard_high))
    doubtful = (assessment.windings.assumed != "") | (np.append(totals.stand_in_f, 0.0)[section] > 0)
    doubtful &= network.walks.section >= 0
    return [
        (doubtful & (low == a) & (high == b), f"what was assumed could move it between {BANDS[a]} and {BANDS[b]}")
        for a in range(len(BANDS))
        for b in range(a + 1, len(BANDS))
    ]


def _rank_order(risk: Floats, score: Floats) -> Ints:
    """Greatest risk first, then score, then id; what cannot be assessed comes after all that can."""
    first, then = (-np.nan_to_num(value, nan=-1.0) for value in (risk, score))
    return np.lexsort((np.arange(len(risk)), np.round(then, 6), np.round(first, 9)))


def switching_point_table(
    network: Network,
    assessment: Assessment,
    *,
    points: PointRows,
    sites: pd.DataFrame,
    exposed_by: Ragged,
    settings: Settings,
) -> pd.DataFrame:
    """Switching points, those of the normal state in order of id, then those that expose sites in states only.

    ``sites``: the ranked sites table. ``exposed_by``: rows of ``sites`` on each section.
    """
    values, n = points.totals, len(points.device)
    switches = network.tables.switches
    text = switches[["switch_id", "device", "address"]].take(points.device)
    frequency, every = settings.electrical.frequency_hz, np.arange(n)
    first = np.append(exposed_by.flat, -1)[np.where(exposed_by.counts > 0, exposed_by.start[:-1], -1)]
    risk, ops = _risks(network, assessment, settings=settings)
    table = pd.DataFrame(
        {
            "switch_id": text["switch_id"].array,
            "state": np.where(switches["open"].to_numpy(bool)[points.device], "open", "closed").astype(object),
            "tie_switch_id": _names(switches["switch_id"], points.closed),
            "tie_open_id": _names(switches["switch_id"], points.opened),
            "feeder": _names(sites["feeder"], first),
            "switch_device": text["device"].array,
            "address": text["address"].fillna("").array,
            "exposed_sites": values.sites,
            **electrical_columns(values, every, voltage_v=values.voltage_v, hertz=frequency),
            "peak_pu": points.peak_pu,
            "likelihood": points.likelihood,
            "hazard": points.hazard,
            "hold_kw": finite(points.hold_kw),
            "ops_year": np.where(points.closed >= 0, settings.score.backfed_ops_year, ops[points.device]),
            "risk": risk[points.device],
            "nearest_for": _nearest_for(network)[points.device],
            "worst_site_id": _names(sites["site_id"], first),
            "top_priority": _largest(sites["priority"].to_numpy(np.float64), exposed_by),
            "band": _bands(points, sites, exposed_by),
            "lon": switches["lon"].to_numpy(np.float64)[points.device],
            "lat": switches["lat"].to_numpy(np.float64)[points.device],
        }
    )
    table["top_priority"] = table["top_priority"].where(table["top_priority"] >= 0)
    return table


def _risks(network: Network, assessment: Assessment, *, settings: Settings) -> tuple[Floats, Floats]:
    """Risk by every switch, and times a year that its poles are worked; a normally open one in back-fed states only."""
    of_device, n = network.sections.device, len(network.tables.switches)
    risk, ops = np.zeros(n), np.full(n, settings.score.backfed_ops_year)
    risk[of_device] = assessment.risks.of_sections()
    ops[of_device] = assessment.risks.ops_year
    return risk + assessment.loops.switch, ops


def _nearest_for(network: Network) -> Ints:
    """Number of sites whose nearest single-pole point each switch is."""
    nearest = network.walks.section[network.walks.section >= 0]
    return np.bincount(network.sections.device[nearest], minlength=len(network.tables.switches))


def _bands(points: PointRows, sites: pd.DataFrame, exposed_by: Ragged) -> Objects:
    """Top band of the sites exposed; of a point that exposes them in a state only, that of its own hazard."""
    band = pd.Index(BANDS).get_indexer(pd.Index(sites["band"])).astype(np.float64)
    top = _largest(band, exposed_by).astype(np.int64)
    own = np.where(np.isfinite(points.hazard), band_of(np.nan_to_num(points.hazard)), len(BANDS))
    return np.array([*BANDS, ""], object)[np.where(points.opened >= 0, own, top)]


def _largest(value: Floats, members: Ragged) -> Floats:
    """Largest value among the members of each owner, -1 without one."""
    out, some = np.full(len(members), -1.0), np.flatnonzero(members.counts)
    if len(some):
        out[some] = np.maximum.reduceat(np.nan_to_num(value, nan=-1.0)[members.flat], members.start[some])
    return out
