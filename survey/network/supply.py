"""What is odd about the supply of the network, as findings."""

import numpy as np

from survey.arrays import Ints, Objects, heads
from survey.findings import FindingList
from survey.network.model import Network
from survey.network.sweeps import Forest, adjacency, ring_blocks, span
from survey.network.walk.walks import ring_edges
from survey.read.tables import THREE_PHASE

NAMED = 5
MOST_PAIRS = 20_000_000
"""Pairs of a point and a site on its section that are looked at, those of small sections first: a few seconds."""


def report_supply(network: Network, *, union: Forest, findings: FindingList) -> None:
    """Find what has no supply, stands on a closed ring, or lacks phases on its way."""
    if not len(network.tables.sources):
        findings.report("no_sources", ids=[])
    _unreached(network, findings)
    _dead_cables(network, union, findings)
    _rings(network, union, findings)
    _part_phase(network, findings)
    _beside_the_way(network, union, findings)


def _unreached(network: Network, findings: FindingList) -> None:
    lost = np.flatnonzero((network.site_node >= 0) & ~network.walks.supplied)
    if len(lost):
        findings.report("site_without_supply", ids=network.tables.transformers["site_id"].iloc[lost])


def _dead_cables(network: Network, union: Forest, findings: FindingList) -> None:
    """Parts of cable without a source, those with most sites, then the longest, by name."""
    graph = network.graph
    part = union.root[graph.b[: graph.n_pieces]]
    dead = np.flatnonzero(part != graph.root)
    if not len(dead) or not len(network.tables.sources):
        return
    length = np.bincount(part[dead], weights=graph.length_m[dead], minlength=graph.n_nodes)
    site_node = network.site_node[network.site_node >= 0]
    sites = np.bincount(union.root[site_node], minlength=graph.n_nodes)
    ids = network.tables.cables["cable_id"].to_numpy(object)[network.pieces.cable[dead]]
    by_id = np.argsort(ids, kind="stable")
    parts, first = np.unique(part[dead][by_id], return_index=True)
    rank = np.lexsort((first, -np.round(length[parts], 2), -sites[parts]))
    parts, first = parts[rank], ids[by_id[first[rank]]]
    named = [
        f"{name!r} {length[one]:.0f} m, sites: {sites[one]}" for name, one in zip(first[:NAMED], parts, strict=False)
    ]
    findings.report(
        "cable_without_source",
        ids=set(ids),
        parts=len(parts),
        metres=length[parts].sum(),
        sites=sites[parts].sum(),
        named="; ".join(named),
    )


def _rings(network: Network, union: Forest, findings: FindingList) -> None:
    if not union.cyclic:
        return
    ring = np.flatnonzero(ring_edges(network.graph, network.sections))
    if not len(ring):
        return
    graph = network.graph
    blocks, block = ring_blocks(union, (graph.a, graph.b)), np.full(len(graph.a), -1, np.int64)
    block[blocks.flat] = blocks.owner
    cables, sites = network.tables.cables["cable_id"], network.tables.transformers["site_id"]
    walked = np.flatnonzero(network.walks.ring_piece >= 0)
    of_sites = _split_by(block[network.walks.ring_piece[walked]], sites.iloc[walked].to_numpy())
    twice = {name for finding in findings.of("drawn_twice") for name in finding.ids}
    rings = _split_by(block[ring], cables.iloc[network.pieces.cable[ring]].to_numpy())
    for rule, doubled in (("closed_ring", False), ("ring_drawn_twice", True)):
        some = [(sorted(of_sites.get(k, [])), sorted(i)) for k, i in rings.items() if twice.issuperset(i) == doubled]
        if some:
            some.sort(key=lambda ring: (-len(ring[0]), ring[1]))
            ids = {name for _, ids in some for name in ids}
            named = "; ".join(_ring_words(walkers, ids) for walkers, ids in some[:NAMED])
            findings.report(rule, ids=ids, rings=len(some), named=named)


def _ring_words(sites: list[str], cables: list[str]) -> str:
    names = f", sites: {len(sites)} ({', '.join(sites[:NAMED])}{' ...' if len(sites) > NAMED else ''})"
    return f"{cables[0]!r}{names if sites else ', sites: 0'}"


def _split_by(key: Ints, value: Objects) -> dict[int, list[str]]:
    """Values by key, sorted."""
    order = np.lexsort((value.astype(str), key))
    new = np.flatnonzero(heads(key[order]))
    parts = np.split(value[order], new[1:])
    return {int(key[order[n]]): part.tolist() for n, part in zip(new, parts, strict=False)}


def _part_phase(network: Network, findings: FindingList) -> None:
    lacking = np.flatnonzero(~network.walks.full)
    if len(lacking):
        findings.report("phases_missing_on_way", ids=network.tables.transformers["site_id"].iloc[lacking])


def _beside_the_way(network: Network, union: Forest, findings: FindingList) -> None:
    """Points that take a phase off sites on whose way they do not lie: conductors of one phase each, side by side."""
    graph, sections = network.graph, network.sections
    if not ((graph.mask != THREE_PHASE) & ~union.bridge & (graph.a != graph.b)).any():
        return
    # a point that every way passes is on every way
    on_ring = ~union.bridge[graph.edge_of[sections.device]]
    points = np.flatnonzero(sections.exposes & on_ring & network.upstream.fed[sections.up])
    members = sections.site_totals(network.site_node, np.ones((1, len(network.site_node))))[0, points]
    points = points[np.argsort(members, kind="stable")][: np.searchsorted(np.cumsum(np.sort(members)), MOST_PAIRS)]
    beside, sites, chains = [points[:0]], [points[:0]], _chains(network)
    for some, owner, site in sections.members_in_parts(points, network.site_node):
        point, nearest = some[owner], network.walks.section[site]
        place = np.where(nearest < 0, -1, chains.place[nearest])
        missing = (place < chains.place[point]) | (place >= chains.end[point])
        beside.append(some[owner[missing]])
        sites.append(site[missing])
    off, lost = np.unique(np.concatenate(beside)), np.unique(np.concatenate(sites))
    if len(off):
        names = sorted(network.tables.transformers["site_id"].iloc[lost])
        named = ", ".join(names[:NAMED]) + (" ..." if len(lost) > NAMED else "")
        ids = network.tables.switches["switch_id"].iloc[sections.device[off]]
        findings.report("point_beside_way", ids=ids, sites=len(lost), named=named)


def _chains(network: Network) -> Forest:
    """Points by the one above each, below a root of all of them, the last node."""
    above, n = network.walks.upstream, len(network.walks.upstream)
    ends = np.arange(n), np.where(above < 0, n, above)
    return span(*adjacency(*ends, n + 1), ends, allowed=np.ones(n, bool), head=n)
