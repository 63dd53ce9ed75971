"""The switching points table: one row per single-pole device that exposes a site, in its worst state if open."""

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints, Objects, Ragged
from survey.assess.assess import Assessment
from survey.assess.score import BANDS, band_of
from survey.assess.site_table import electrical_columns, finite
from survey.assess.ties.points import PointRows
from survey.network.model import Network
from survey.settings import Settings


def switching_point_table(
    network: Network,
    assessment: Assessment,
    *,
    points: PointRows,
    sites: pd.DataFrame,
    exposed_by: Ragged,
    settings: Settings,
) -> pd.DataFrame:
    """Switching points, those of the normal state in order of id, then the normally open ones.

    ``sites``: the ranked sites table. ``exposed_by``: rows of ``sites`` on each section.
    """
    values, tie, n = points.totals, points.opened >= 0, len(points.device)
    switches, names = network.tables.switches.iloc[points.device], network.tables.switches["switch_id"].to_numpy(object)
    frequency, every = settings.electrical.frequency_hz, np.arange(n)
    owner, member, ids = exposed_by.owner, exposed_by.flat, names[points.device]
    risk, ops = _risks(network, assessment, settings=settings)
    table = pd.DataFrame(
        {
            "switch_id": ids,
            "state": np.where(tie, "open", "closed").astype(object),
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
            "ops_year": ops[points.device],
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
    """Top band of the sites exposed; of a normally open point that of its own hazard."""
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
