"""How the ranking moves with what the model takes for every winding alike: resistance, saturation, arresters.

Each is moved by itself and the whole survey judged again; the order of its sites is then compared with the one it has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from survey.assess.behaviour import study_figures
from survey.assess.risk import point_risks

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.arrays import Floats, Ints
    from survey.assess.assess import Assessment
    from survey.network import Network
    from survey.settings import Settings

MOVED: dict[str, dict[str, float]] = {
    "series_r_pu": {"series_r_pu": 0.05},
    "knee_pu": {"knee_pu": 1.3},
    "saturated_x_pu": {"saturated_x_pu": 0.4},
    "arrester_pu_low": {"arrester_pu": 1.6},
    "arrester_pu_high": {"arrester_pu": 2.1},
}
"""Upper ends of what is usual for small windings, and both ends of the clamps of arresters of one system voltage
(station and distribution class; readings of published discharge voltages)."""
FIRST = 20


def ranking_robustness(
    network: Network, assessment: Assessment, *, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Judge the survey again with each value moved by itself.

    Returns
    -------
    One entry a value: ``moved`` (setting and value), ``rank_correlation`` (Spearman, of the sites with a risk in one of
    the two), ``first`` (sites compared) and ``stay`` (how many of them stay among the first).
    """
    out = []
    for changed in MOVED.values():
        electrical = settings.electrical.model_copy(update=changed)
        moved = settings.model_copy(update={"electrical": electrical})
        figures = study_figures(assessment.circuits, settings=moved, progress=progress)
        risks = point_risks(
            network,
            assessment.windings,
            values=assessment.totals,
            circuits=assessment.circuits,
            figures=figures,
            settings=moved,
        )
        count = len(network.site_node)
        out.append({"moved": changed, **compare_risks(assessment.risks.of_sites(count), risks.of_sites(count))})
    return out


def compare_risks(one: Floats, other: Floats, *, first: int = FIRST) -> dict[str, Any]:
    """Compare two rankings of the same sites.

    Parameters
    ----------
    one, other
        Risk of every site, shape (n_sites,).

    Returns
    -------
    ``sites`` with a risk in one of the two, their ``rank_correlation`` (absent for fewer than two), ``first`` and
    ``stay``.
    """
    either = (one > 0) | (other > 0)
    pair = pd.DataFrame({"one": one[either], "other": other[either]}).rank()
    found = float(pair["one"].corr(pair["other"])) if either.sum() > 1 else np.nan
    leading = np.intersect1d(_first(one, first), _first(other, first))
    return {
        "sites": int(either.sum()),
        "rank_correlation": None if np.isnan(found) else round(found, 4),
        "first": len(_first(one, first)),
        "stay": len(leading),
    }


def _first(risk: Floats, count: int) -> Ints:
    """The sites with most risk, none without any."""
    order = np.argsort(-risk, kind="stable")[:count]
    return order[risk[order] > 0]
