"""The switching points table: one row per single-pole switching point that exposes a site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.assess.score import BANDS
from survey.assess.site_table import KILO, NANO, ratio

if TYPE_CHECKING:
    from survey.arrays import Ragged
    from survey.assess.assess import Assessment
    from survey.network.model import Network
    from survey.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    omega = 2 * np.pi * settings.electrical.frequency_hz
    switches = network.tables.switches.iloc[network.sections.device[shown]]
    charging = omega * values.cap_f[shown] * values.voltage_v[shown] ** 2
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
            "exposed_cable_m": values.cable_m[shown],
            "exposed_sites": values.sites[shown],
            "exposed_kva": values.rating_va[shown] / KILO,
            "cap_nf": values.cap_f[shown] / NANO,
            "charging_kvar": charging / KILO,
            "xc_ohm": ratio(1.0, omega * values.cap_f[shown]),
            "xm_ohm": ratio(values.voltage_v[shown] ** 2, values.magnetizing_va[shown]),
            "xc_xm": ratio(values.magnetizing_va[shown], charging),
            "charge_loss": ratio(charging, values.loss_w[shown]),
            "peak_pu": np.append(figures.peak_pu, np.nan)[worst],
            "likelihood": np.append(figures.likelihood, np.nan)[worst],
            "hazard": np.append(hazard, np.nan)[worst],
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


def _of_first(value: NDArray[np.object_], owner: Ints, *, member: Ints, n: int) -> NDArray[np.object_]:
    """Value of the first member of each owner."""
    out = np.full(n, "", object)
    out[owner[::-1]] = value[member[::-1]]
    return out
