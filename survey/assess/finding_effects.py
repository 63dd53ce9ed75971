"""What each finding means for the result: which sites depend on it, and how far their score would move.

A site depends on a finding when one of its assets is the site itself, stands on its worst or nearest exposed section,
or is a device of its walk. The span is the sum over these sites of the width of their score intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Bools, Ints, Ragged, distinct, ranges
from survey.assess.assess import Assessment
from survey.findings import Finding
from survey.network.model import Network


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
        self._of_site = _named_rows(tables.transformers["site_id"], findings, layer="transformers")
        self._of_unit = _named_rows(tables.one_phase["site_id"], findings, layer="transformers")
        self._of_cable = _named_rows(tables.cables["cable_id"], findings, layer="cables")
        self._of_switch = _named_rows(tables.switches["switch_id"], findings, layer="switches")
        self._layer = [finding.layer for finding in findings]
        used = np.stack([network.walks.section, assessment.choice.worst_section])
        position = np.full(len(sections.device) + 1, -1, np.int64)
        position[shown] = np.arange(len(shown))
        self._sites_using = _Groups(*_pairs(position[used]))
        self._section_of_site = _Groups(members[1], members[0])
        node = np.where(_flags(self._of_unit, len(network.unit_node)), network.unit_node, -1)
        self._section_of_unit = _Groups(*sections.members(shown, node)[::-1])
        cable = network.pieces.cable[pieces[1]]
        named = _flags(self._of_cable, len(tables.cables))[cable]
        self._section_of_cable = _Groups(cable[named], pieces[0][named])
        device = np.append(sections.device, -1)[used]
        self._sites_at_device = _Groups(*_pairs(np.vstack([device, network.walks.gang])))

    def sites(self, k: int) -> Ints:
        """Rows of the sites that depend on the k-th finding, rising."""
        if self._layer[k] == "switches":
            return self._sites_at_device.of(self._of_switch[k])
        if self._layer[k] == "cables":
            return self._sites_using.of(self._section_of_cable.of(self._of_cable[k]))
        if self._layer[k] == "transformers":
            own = distinct(self._of_site[k])
            units = self._section_of_unit.of(self._of_unit[k])
            return np.union1d(own, self._sites_using.of(np.union1d(self._section_of_site.of(own), units)))
        return np.empty(0, np.int64)

    def span(self, sites: Ints) -> float:
        """Sum of the widths of the sites' score intervals."""
        return float(self._width[sites].sum())


def _named_rows(ids: pd.Series[str], findings: Sequence[Finding], *, layer: str) -> Ragged:
    """For each finding the rows of the assets that it names; an index of all, a million perhaps, takes too much."""
    named = [finding.ids if finding.layer == layer else () for finding in findings]
    names, all_ids = pa.array(chain.from_iterable(named), pa.large_string()), pa.array(ids, pa.large_string())
    row = np.flatnonzero(pc.is_in(all_ids, value_set=names))
    found = pc.index_in(names, value_set=all_ids.take(pa.array(row))).fill_null(-1).to_numpy()
    owner, kept = np.repeat(np.arange(len(named)), [len(ids) for ids in named]), found >= 0
    return Ragged.from_pairs(owner[kept], row[found[kept]], n=len(named))


def _flags(rows: Ragged, n: int) -> Bools:
    """Assets of ``n`` that any finding names."""
    flags = np.zeros(n, bool)
    flags[rows.flat] = True
    return flags


class _Groups:
    """Values by key."""

    def __init__(self, key: Ints, value: Ints) -> None:
        order = np.argsort(key, kind="stable")
        self._key, self._value = key[order], value[order]

    def of(self, keys: Ints) -> Ints:
        low, high = np.searchsorted(self._key, keys), np.searchsorted(self._key, keys, side="right")
        return distinct(self._value[ranges(low, high - low)])


def _pairs(used: Ints) -> tuple[Ints, Ints]:
    """Key and site of every use, from rows of keys per site (-1: none)."""
    site = np.tile(np.arange(used.shape[1]), used.shape[0])
    key = used.ravel()
    return key[key >= 0], site[key >= 0]
