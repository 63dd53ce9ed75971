"""What each finding means for the result: which sites depend on it, and how far their score would move.

A site depends on a finding when one of its assets is the site itself, stands on its worst or nearest exposed section,
or is a device of its walk. The span is the sum over these sites of the width of their score intervals.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from survey.assess.assess import Assessment
    from survey.findings import Finding
    from survey.network.model import Network

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Effects:
    """Looks up the sites that depend on assets of a layer.

    Parameters
    ----------
    network, assessment
        The finished survey.
    findings
        All that will be asked for.
    shown, members, pieces
        Sections that expose a site, and pairs (position in ``shown``, site) and (position, piece), each sorted.
    """

    def __init__(
        self,
        network: Network,
        assessment: Assessment,
        *,
        findings: Sequence[Finding],
        shown: Ints,
        members: tuple[Ints, Ints],
        pieces: tuple[Ints, Ints],
    ) -> None:
        tables, sections = network.tables, network.sections
        interval = assessment.interval
        self._width = np.nan_to_num(interval.score_high - interval.score_low)
        self._of_site = _Lookup(tables.transformers["site_id"], _named(findings, "transformers"))
        self._of_unit = _Lookup(tables.one_phase["site_id"], _named(findings, "transformers"))
        self._of_cable = _Lookup(tables.cables["cable_id"], _named(findings, "cables"))
        self._of_switch = _Lookup(tables.switches["switch_id"], _named(findings, "switches"))
        used = np.stack([network.walks.section, assessment.choice.worst_section])
        position = np.full(len(sections.device) + 1, -1, np.int64)
        position[shown] = np.arange(len(shown))
        self._used = position[used]
        self._sites_using = _Groups(*_pairs(self._used))
        self._section_of_site = _Groups(members[1], members[0])
        unit_sections, unit = sections.members(shown, network.unit_node)
        self._section_of_unit = _Groups(*self._of_unit.only(unit, unit_sections))
        self._section_of_cable = _Groups(*self._of_cable.only(network.pieces.cable[pieces[1]], pieces[0]))
        device = np.append(sections.device, -1)[used]
        self._sites_at_device = _Groups(*_pairs(np.vstack([device, network.walks.gang])))

    def sites(self, finding: Finding) -> Ints:
        """Rows of the sites that depend on a finding, rising."""
        if finding.layer == "switches":
            return self._sites_at_device.of(self._of_switch.rows(finding.ids))
        if finding.layer == "cables":
            return self._sites_using.of(self._section_of_cable.of(self._of_cable.rows(finding.ids)))
        if finding.layer == "transformers":
            own = self._of_site.rows(finding.ids)
            units = self._section_of_unit.of(self._of_unit.rows(finding.ids))
            return np.union1d(own, self._sites_using.of(np.union1d(self._section_of_site.of(own), units)))
        return np.empty(0, np.int64)

    def span(self, sites: Ints) -> float:
        """Sum of the widths of the sites' score intervals."""
        return float(self._width[sites].sum())


def _named(findings: Sequence[Finding], layer: str) -> set[str]:
    """Ids that findings of a layer name."""
    return {name for finding in findings if finding.layer == layer for name in finding.ids}


class _Lookup:
    """Rows of the ids wanted; an index of all, a million perhaps, would take more memory than the network."""

    def __init__(self, ids: pd.Series[str], wanted: set[str]) -> None:
        named = np.fromiter(map(wanted.__contains__, ids), bool, len(ids)) if wanted else np.zeros(len(ids), bool)
        self._rows = np.flatnonzero(named)
        self._count = len(ids)
        self._index = pd.Index(ids.iloc[self._rows].to_numpy(object))

    def only(self, row: Ints, value: Ints) -> tuple[Ints, Ints]:
        """Pairs of row and value, those of the ids wanted."""
        wanted = np.zeros(self._count, bool)
        wanted[self._rows] = True
        kept = wanted[row]
        return row[kept], value[kept]

    def rows(self, ids: tuple[str, ...]) -> Ints:
        found = self._index.get_indexer(pd.Index(ids, dtype=object)) if ids else np.empty(0, np.int64)
        return np.unique(self._rows[found[found >= 0]]).astype(np.int64)


class _Groups:
    """Values by key."""

    def __init__(self, key: Ints, value: Ints) -> None:
        order = np.argsort(key, kind="stable")
        self._key, self._value = key[order], value[order]

    def of(self, keys: Ints) -> Ints:
        low, high = np.searchsorted(self._key, keys), np.searchsorted(self._key, keys, side="right")
        count = high - low
        at = np.repeat(low - np.cumsum(count) + count, count) + np.arange(count.sum())
        return np.unique(self._value[at])


def _pairs(used: Ints) -> tuple[Ints, Ints]:
    """Key and site of every use, from rows of keys per site (-1: none)."""
    site = np.tile(np.arange(used.shape[1]), used.shape[0])
    key = used.ravel()
    return key[key >= 0], site[key >= 0]
