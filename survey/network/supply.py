"""What is odd about the supply of the network, as findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Bools, Ints, Objects, heads
from survey.network.walk.walks import ring_edges

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.model import Network
    from survey.network.sweeps import Forest


LISTED = 20


def report_supply(network: Network, *, union: Forest, findings: FindingList) -> None:
    """Find what has no supply, stands on a closed ring, or lacks phases on its way."""
    _no_sources(network, findings)
    _unreached(network, findings)
    _dead_cables(network, union, findings)
    _rings(network, union, findings)
    _part_phase(network, findings)


def _no_sources(network: Network, findings: FindingList) -> None:
    if not len(network.tables.sources):
        findings.add(
            "warning",
            "no_sources",
            layer="sources",
            ids=[],
            message="the export has no source points; the direction of supply was taken from the single-pole devices; "
            "add a sources layer",
        )


def _unreached(network: Network, findings: FindingList) -> None:
    lost = np.flatnonzero((network.site_node >= 0) & ~network.walks.supplied)
    if len(lost):
        findings.add(
            "warning",
            "site_without_supply",
            layer="transformers",
            ids=network.tables.transformers["site_id"].iloc[lost].to_numpy(),
            message="no way to a source or to a switching point that supplies it; listed as unreached; check gaps and "
            "open devices",
        )


def _dead_cables(network: Network, union: Forest, findings: FindingList) -> None:
    """One finding for each of the longest parts without a source, and one for the others."""
    graph = network.graph
    part = union.root[graph.b[: graph.n_pieces]]
    dead = np.flatnonzero(part != graph.root)
    if not len(dead) or not len(network.tables.sources):
        return
    length = np.bincount(part[dead], weights=graph.length_m[dead], minlength=graph.n_nodes)
    site_node = network.site_node[network.site_node >= 0]
    sites = np.bincount(union.root[site_node], minlength=graph.n_nodes)
    parts = np.unique(part[dead])
    parts = parts[np.lexsort((parts, -np.round(length[parts], 2), -sites[parts]))]
    listed = np.append(np.arange(len(parts[:LISTED])), len(parts[:LISTED]))
    rank = np.full(graph.n_nodes, listed[-1])
    rank[parts[:LISTED]] = listed[:-1]
    order = dead[np.argsort(rank[part[dead]], kind="stable")]
    for k, some in enumerate(np.split(order, np.searchsorted(rank[part[order]], listed[1:]))):
        if len(some):
            cables = np.unique(network.pieces.cable[some])
            here = np.unique(part[some])
            many = "a part" if k < LISTED else f"{len(here)} more parts"
            findings.add(
                "warning",
                "cable_without_source",
                layer="cables",
                ids=network.tables.cables["cable_id"].iloc[cables].to_numpy(),
                message=f"{many} of the network without a closed way to a source in the normal state "
                f"({graph.length_m[some].sum():.0f} m of cable and line, sites: {sites[here].sum()}); check gaps and "
                "open devices",
            )


def _rings(network: Network, union: Forest, findings: FindingList) -> None:
    if not union.cyclic:
        return
    ring = np.flatnonzero(ring_edges(network.graph, network.sections))
    if not len(ring):
        return
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = network.graph
    every = np.flatnonzero(_on_ring(network))
    links = coo_array((np.ones(len(every)), (graph.a[every], graph.b[every])), shape=(graph.n_nodes, graph.n_nodes))
    block = connected_components(links, directed=False)[1].astype(np.int64)
    cables, sites = network.tables.cables["cable_id"], network.tables.transformers["site_id"]
    walked = np.flatnonzero(network.walks.ring_piece >= 0)
    of_sites = _split_by(block[graph.a[network.walks.ring_piece[walked]]], sites.iloc[walked].to_numpy())
    twice = {name for finding in findings.of("drawn_twice") for name in finding.ids}
    for k, ids in _split_by(block[graph.a[ring]], cables.iloc[network.pieces.cable[ring]].to_numpy()).items():
        findings.add(
            "warning",
            "closed_ring",
            layer="cables",
            ids=set(ids),
            message="closed ring in the normal state: two ways to a source; the shorter one is walked, and no "
            "single-pole device on the ring takes anything off by itself"
            + _walked_by(of_sites.get(k, []))
            + ("; made by cables drawn twice: take out those" if twice.issuperset(ids) else "; record the open point"),
        )


def _split_by(key: Ints, value: Objects) -> dict[int, list[str]]:
    """Values by key; the order within a key stays."""
    order = np.argsort(key, kind="stable")
    new = np.flatnonzero(heads(key[order]))
    parts = np.split(value[order], new[1:])
    return {int(key[order[n]]): part.tolist() for n, part in zip(new, parts, strict=False)}


def _walked_by(sites: list[str]) -> str:
    if not sites:
        return ""
    many = "1 site" if len(sites) == 1 else f"{len(sites)} sites"
    return f"; walked by {many} ({', '.join(sites[:5])}{' ...' if len(sites) > 5 else ''})"


def _on_ring(network: Network) -> Bools:
    """Ring edges of any kind, devices and source links included, so that one ring is one block."""
    graph = network.graph
    ring = np.zeros(len(graph.a), bool)
    for view in network.sections.views:
        ring |= ((graph.mask & view.bits) != 0) & ~view.forest.bridge
    return ring & (graph.a != graph.b)


def _part_phase(network: Network, findings: FindingList) -> None:
    lacking = np.flatnonzero(~network.walks.full)
    if len(lacking):
        findings.add(
            "warning",
            "phases_missing_on_way",
            layer="transformers",
            ids=network.tables.transformers["site_id"].iloc[lacking].to_numpy(),
            message="three-phase site that not all three phases reach; walked all the same; correct the "
            "phases of the cables or of the site",
        )
