"""The switching points table: one row per single-pole switching point that exposes a site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from survey.arrays import Floats, Ints, Objects, at_rows
from survey.assess.score import BANDS
from survey.assess.site_table import electrical_columns

if TYPE_CHECKING:
    from survey.arrays import Ragged
    from survey.assess.assess import Assessment
    from survey.network.model import Network
    from survey.settings import Settings


def switching_point_table(
    network: Network,
    assessment: Assessment,
    *,
    shown: Ints,
    sites: pd.DataFrame,
    exposed_by: Ragged,
    settings: Settings,
) -> pd.DataFrame:
    """Switching points in order of id; peak, likelihood and hazard are those of the worst winding family there.

    Parameters
    ----------
    shown
        Sections in the table.
    sites
        The ranked sites table.
    exposed_by
        Rows of ``sites`` on each section.
    """
    values, figures = assessment.totals, assessment.figures
    switches = network.tables.switches.iloc[network.sections.device[shown]]
    hazard = np.fmax(figures.hazard, figures.loaded)
    worst = _worst_circuit(assessment.circuits.section, hazard, n=len(values.cap_f))[shown]
    owner, member = exposed_by.owner, exposed_by.flat
    band = pd.Index(BANDS).get_indexer(pd.Index(sites["band"])).astype(np.float64)
    top_band = _largest(band, owner, member=member, n=len(shown)).astype(np.int64)
    ids = switches["switch_id"].to_numpy(object)
    table = pd.DataFrame(
        {
            "switch_id": ids,
            "feeder": _of_first(sites["feeder"].to_numpy(object), owner, member=member, n=len(shown)),
            "switch_device": switches["device"].to_numpy(object),
            "exposed_sites": values.sites[shown],
            **electrical_columns(
                values, shown, voltage_v=values.voltage_v[shown], hertz=settings.electrical.frequency_hz
            ),
            "peak_pu": at_rows(figures.peak_pu, worst),
            "likelihood": at_rows(figures.likelihood, worst),
            "hazard": at_rows(hazard, worst),
            "ops_year": assessment.risks.ops_year[shown],
            "risk": (assessment.risks.of_sections() + assessment.loops.switch[network.sections.device])[shown],
            "nearest_for": sites["switch_id"].value_counts().reindex(ids).fillna(0).to_numpy(np.int64),
            "top_priority": _largest(sites["priority"].to_numpy(np.float64), owner, member=member, n=len(shown)),
            "band": np.array([*BANDS, ""], object)[top_band],
            "lon": switches["lon"].to_numpy(np.float64),
            "lat": switches["lat"].to_numpy(np.float64),
        }
    )
    table["top_priority"] = table["top_priority"].where(table["top_priority"] >= 0)
    return table


def _worst_circuit(section: Ints, hazard: Floats, *, n: int) -> Ints:
    """Row of the circuit with the greatest hazard of each section, -1 without one."""
    order = np.lexsort((-np.arange(len(section)), np.nan_to_num(hazard)))
    worst = np.full(n, -1, np.int64)
    worst[section[order]] = order
    return worst


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
