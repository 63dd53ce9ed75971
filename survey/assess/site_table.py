"""The tables of sites, ranked, and of switching points: one row each, in the units of the column names."""

from itertools import chain

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


def site_table(network: Network, assessment: Assessment, *, settings: Settings) -> tuple[pd.DataFrame, Ints]:
    """Sites in order of rank.

    Returns the table (columns of ``data/columns.csv``, with ``hazard`` beside ``score``) and the site row of each table
    row.
    """
    table = pd.concat(
        [
            _identity(network),
            _status(network, assessment),
            _ranking(network, assessment),
            _walked(network, assessment),
            _section(network, assessment, settings),
            _studied(network, assessment, settings),
            _either_end(network, assessment),
        ],
        axis=1,
    )
    actions = _actions(table, assessment, settings)
    table["action"] = either_end_sentences(
        actions, status=table["status"].to_numpy(object), ends=_ends(table, assessment, settings)
    )
    table["notes"] = _notes(network, assessment)
    order = _rank_order(table)
    ranked = table.iloc[order].reset_index(drop=True)
    ranked.insert(0, "rank", np.arange(1, len(ranked) + 1))
    return ranked, order


def _identity(network: Network) -> pd.DataFrame:
    sites, cables = network.tables.transformers, network.tables.cables
    return pd.DataFrame(
        {
            "site_id": sites["site_id"].to_numpy(object),
            "feeder": _feeders(sites["feeder"].to_numpy(object), network, cables["feeder"].to_numpy(object)),
            "district": sites["district"].to_numpy(object),
            "kva": sites["rating_va"].to_numpy(np.float64) / KILO,
            "kv": sites["voltage_v"].to_numpy(np.float64) / KILO,
            "minload_kw": sites["min_load_w"].to_numpy(np.float64) / KILO,
            "customers": _whole(sites["customers"].to_numpy(np.float64)),
            "critical": sites["critical"].to_numpy(bool).astype(np.int64),
            "lon": sites["lon"].to_numpy(np.float64),
            "lat": sites["lat"].to_numpy(np.float64),
        }
    )


def _whole(value: Floats) -> pd.arrays.IntegerArray:
    """Whole numbers with gaps where the value is not a number."""
    known = np.isfinite(value)
    return pd.arrays.IntegerArray(np.where(known, value, 0).astype(np.int64), ~known)


def _feeders(own: Objects, network: Network, cable_feeder: Objects) -> Objects:
    """The site's own feeder name, else that of a cable at its node (of the lowest id)."""
    missing = np.flatnonzero((own == "") & (network.site_node >= 0))
    if not len(missing):
        return own
    at_node = np.full(network.graph.n_nodes, -1, np.int64)
    for ends in (network.pieces.v, network.pieces.u):
        at_node[ends[::-1]] = network.pieces.cable[::-1]
    cable = at_node[network.site_node[missing]]
    out = own.copy()
    out[missing] = np.where(cable >= 0, cable_feeder[cable], "")
    return out


def _status(network: Network, assessment: Assessment) -> pd.DataFrame:
    walks, windings = network.walks, assessment.windings
    status = np.select(
        [
            windings.family < 0,
            ~windings.usable | (at_rows(assessment.figures.outside, assessment.choice.nearest, none=False) > 0),
            ~walks.supplied,
            walks.looped,
            walks.section < 0,
        ],
        ["not_susceptible", "not_assessable", "unreached", "looped", "no_single_pole"],
        "assessed",
    )
    return pd.DataFrame({"status": status.astype(object), "connection": windings.connection, "core": windings.core})


def _ranking(network: Network, assessment: Assessment) -> pd.DataFrame:
    """Hazard, score, risk, priority, band: absent where nothing can be said, 0 where nothing can ring."""
    choice, interval = assessment.choice, assessment.interval
    status = _status(network, assessment)["status"].to_numpy(object)
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
    return pd.DataFrame(
        {
            "band": band_names(hazard),
            "score": np.where(ring, ties.score, known(choice.score)),
            "priority": priority(risk),
            "risk": risk,
            "tie_risk": np.where(np.isnan(risk), np.nan, assessment.loops.site - assessment.loops.ring),
            "hazard": hazard,
            "score_low": known(interval.score_low),
            "score_high": known(interval.score_high),
        }
    )


def _walked(network: Network, assessment: Assessment) -> pd.DataFrame:
    walks, switches = network.walks, network.tables.switches
    device = np.append(network.sections.device, -1)
    nearest, worst = device[walks.section], device[assessment.choice.worst_section]
    ids = np.append(switches["switch_id"].to_numpy(object), "")
    kinds = np.append(switches["device"].to_numpy(object), "")
    has_point = walks.section >= 0
    return pd.DataFrame(
        {
            "switch_id": ids[nearest],
            "switch_device": kinds[nearest],
            "path_length_m": walks.length_m,
            "path_cable_m": walks.cable_m,
            "gang_switch_id": np.where(has_point, ids[walks.gang], ""),
            "worst_switch_id": ids[worst],
            "worst_device": kinds[worst],
        }
    )


def _section(network: Network, assessment: Assessment, settings: Settings) -> pd.DataFrame:
    """Electrical values of the nearest section, referred to the site's own voltage."""
    values, section, worst = assessment.totals, network.walks.section, assessment.choice.worst_section
    volts = np.where(assessment.windings.usable, network.tables.transformers["voltage_v"].to_numpy(np.float64), np.nan)
    return pd.DataFrame(
        {
            "exposed_sites": pd.arrays.IntegerArray(at_rows(values.sites, section, none=0), section < 0),
            **electrical_columns(values, section, voltage_v=volts, hertz=settings.electrical.frequency_hz),
            "limit_length_m": at_rows(assessment.limit_length_m, assessment.choice.nearest),
            "worst_cable_m": at_rows(values.cable_m, worst),
            "one_phase_kva": at_rows(values.one_phase_va, worst) / KILO,
        }
    )


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


def _studied(network: Network, assessment: Assessment, settings: Settings) -> pd.DataFrame:
    """The study's figures of the nearest point, and the peak at the worst; absent for sites that are not assessed."""
    figures, choice, circuits = assessment.figures, assessment.choice, assessment.circuits
    assessed = _status(network, assessment)["status"].to_numpy(object) == "assessed"
    nearest, worst = np.where(assessed, choice.nearest, -1), np.where(assessed, choice.worst, -1)
    worst_section = np.where(assessed, choice.worst_section, -1)
    needed_w = figures.load_needed_pu * circuits.base_va
    screen = at_rows(np.where(circuits.clears, "clears", "does not clear"), nearest, none="")
    return pd.DataFrame(
        {
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
    )


def _either_end(network: Network, assessment: Assessment) -> pd.DataFrame:
    """The worst state with a normally open device closed, or a closed ring opened."""
    ties, ids = assessment.ties, np.append(network.tables.switches["switch_id"].to_numpy(object), "")
    return pd.DataFrame(
        {
            "tie_switch_id": ids[ties.tie],
            "tie_open_id": ids[ties.opened],
            "tie_worst_id": ids[ties.worst],
            "tie_cable_m": ties.cable_m,
            "tie_peak_pu": ties.peak_pu,
            "tie_band": band_names(np.where(ties.judged, np.nan_to_num(ties.hazard), np.nan)),
            "tie_hold_kw": finite(ties.hold_kw),
        }
    )


def _ends(table: pd.DataFrame, assessment: Assessment, settings: Settings) -> EitherEnd:
    ties, order = assessment.ties, pd.Index(["", *BANDS])
    worse = order.get_indexer(pd.Index(table["tie_band"])) > order.get_indexer(pd.Index(table["band"]))
    closed, opened, worst, status = (
        table[name].to_numpy(object) for name in ("tie_switch_id", "tie_open_id", "tie_worst_id", "status")
    )
    rule = "" if settings.study.run else rule_alone(settings.limits.load_rule)
    return EitherEnd(closed, opened, worst, ties.hazard, worse | (status == "looped"), ties.hold_kw, rule)


def finite(value: Floats) -> Floats:
    """Values, absent where infinite: no load cures."""
    return np.where(np.isfinite(value), value, np.nan)


def _actions(table: pd.DataFrame, assessment: Assessment, settings: Settings) -> Objects:
    choice, figures, circuits = assessment.choice, assessment.figures, assessment.circuits
    worst_peak = at_rows(np.fmax(figures.peak_pu, figures.peak_loaded_pu), choice.worst)
    clears, studied = at_rows(circuits.clears, choice.worst, none=False) > 0, np.isfinite(worst_peak)
    return action_sentences(
        ActionFacts(
            status=table["status"].to_numpy(object),
            reason=assessment.windings.reason,
            hazardous=np.where(studied, worst_peak > settings.limits.voltage_pu, ~clears),
            studied=studied,
            switch_id=table["worst_switch_id"].to_numpy(object),
            device=table["worst_device"].to_numpy(object),
            nearest_id=table["switch_id"].to_numpy(object),
            hold_kw=at_rows(assessment.frame.normal.hold_kw, choice.worst_section),
            limit_length_m=at_rows(assessment.limit_length_m, choice.worst),
            cable_m=table["worst_cable_m"].to_numpy(np.float64),
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
    told = ((i, text) for where, text in extra for i in np.flatnonzero(where))
    by_record = ((i, assessment.record_notes[i]) for i in np.flatnonzero(assessment.record_notes != ""))
    for i, text in chain(told, by_record):
        notes[i] = f"{notes[i]}; {text}" if notes[i] else text
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


def _rank_order(table: pd.DataFrame) -> Ints:
    """Greatest risk first, then score, then id; what cannot be assessed comes after all that can."""
    keys = [-np.nan_to_num(table[name].to_numpy(np.float64), nan=-1.0) for name in ("risk", "score")]
    return np.lexsort((np.arange(len(table)), np.round(keys[1], 6), np.round(keys[0], 9)))


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
    switches, names = network.tables.switches.iloc[points.device], network.tables.switches["switch_id"].to_numpy(object)
    frequency, every = settings.electrical.frequency_hz, np.arange(n)
    owner, member, ids = exposed_by.owner, exposed_by.flat, names[points.device]
    risk, ops = _risks(network, assessment, settings=settings)
    table = pd.DataFrame(
        {
            "switch_id": ids,
            "state": np.where(switches["open"], "open", "closed").astype(object),
            "tie_switch_id": np.append(names, "")[points.closed],
            "tie_open_id": np.append(names, "")[points.opened],
            "feeder": _of_first(sites["feeder"].to_numpy(object), owner, member=member, n=n),
            "switch_device": switches["device"].to_numpy(object),
            "address": switches["address"].fillna("").to_numpy(object),
            "exposed_sites": values.sites,
            **electrical_columns(values, every, voltage_v=values.voltage_v, hertz=frequency),
            "peak_pu": points.peak_pu,
            "likelihood": points.likelihood,
            "hazard": points.hazard,
            "hold_kw": finite(points.hold_kw),
            "ops_year": np.where(points.closed >= 0, settings.score.backfed_ops_year, ops[points.device]),
            "risk": risk[points.device],
            "nearest_for": sites["switch_id"].value_counts().reindex(ids).fillna(0).to_numpy(np.int64),
            "worst_site_id": _of_first(sites["site_id"].to_numpy(object), owner, member=member, n=n),
            "top_priority": _largest(sites["priority"].to_numpy(np.float64), owner, member=member, n=n),
            "band": _bands(points, sites, owner=owner, member=member),
            "lon": switches["lon"].to_numpy(np.float64),
            "lat": switches["lat"].to_numpy(np.float64),
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


def _bands(points: PointRows, sites: pd.DataFrame, *, owner: Ints, member: Ints) -> Objects:
    """Top band of the sites exposed; of a point that exposes them in a state only, that of its own hazard."""
    band = pd.Index(BANDS).get_indexer(pd.Index(sites["band"])).astype(np.float64)
    top = _largest(band, owner, member=member, n=len(points.device)).astype(np.int64)
    own = np.where(np.isfinite(points.hazard), band_of(np.nan_to_num(points.hazard)), len(BANDS))
    return np.array([*BANDS, ""], object)[np.where(points.opened >= 0, own, top)]


def _largest(value: Floats, owner: Ints, *, member: Ints, n: int) -> Floats:
    """Largest value among the members of each owner, -1 without one."""
    out = np.full(n, -1.0)
    np.maximum.at(out, owner, np.nan_to_num(value[member], nan=-1.0))
    return out


def _of_first(value: Objects, owner: Ints, *, member: Ints, n: int) -> Objects:
    """Value of the first member of each owner."""
    out = np.full(n, "", object)
    out[owner[::-1]] = value[member[::-1]]
    return out
