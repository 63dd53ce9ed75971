"""A switching point's section on one line, as a crew draws it: devices, metres and transformers in their order.

Written as text, so that tables, map and sheets say the same: parts apart by `` | ``, the point first; ``/ID`` a
single-pole device, ``=ID`` a three-pole one, ``@ID`` a transformer, ``28 m cable``, ``600 m overhead``, and where a
branch leaves, folded in, ``+2 sites, 120 m cable`` or ``+@ID, 6 m overhead``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Floats, Ints, Ragged, distinct, heads
from survey.network.model import Network
from survey.network.sweeps import descend
from survey.network.walk.walks import climb

MOST_SITES = 60
"""Sections with more sites than this get no strip: nobody draws them on one line."""
MOST_STEPS = 400
"""Nor those with a site that so many pieces and devices do not reach."""
MAIN, SITE, BRANCH = range(3)
TEXT, CABLE, OVERHEAD = range(3)


def section_strips(network: Network, *, section: Ints, sites: Ragged) -> pa.StringArray:
    """Strip of every section, from its point to the last of its sites; empty where there is none.

    ``section``: sections to draw, shape (n,). ``sites``: for each of them the rows of the sites on it.
    """
    few = np.flatnonzero((sites.counts > 0) & (sites.counts <= MOST_SITES))
    ways = _climb(network, section[few], sites=sites.taken(few))
    parts = _parts(network, ways)
    rows = np.searchsorted(few[parts.owner], np.arange(len(section) + 1)).astype(np.int32)
    return pc.binary_join(pa.ListArray.from_arrays(rows, parts.text), " | ")


class _Ways(NamedTuple):
    """Of every section drawn the way to its farthest site, and how the other sites join it.

    By step of those ways, section by section from its point: ``section`` its position, ``edge``. By site of them:
    ``site`` row, ``joins`` the step at whose lower node it joins. By step beside them: ``way`` position of its site,
    ``beside`` edge.
    """

    section: Ints
    edge: Ints
    site: Ints
    joins: Ints
    way: Ints
    beside: Ints


def _climb(network: Network, section: Ints, *, sites: Ragged) -> _Ways:
    """Ways of the sections of which every site meets the point; what sites share with the main way is taken once."""
    graph, up, owner = network.graph, network.upstream, sites.owner
    node, stop = network.site_node[sites.flat], graph.edge_of[network.sections.device[section]]
    no, below = np.zeros(len(graph.a), bool), up.lower_node(len(graph.a))[stop]
    depth, walked = descend(up.order, up.parent_edge, graph.a, graph.b, graph.length_m, no, no, no, no)[1:3]
    count = np.where((node < 0) | (below < 0)[owner], 0, depth[node] + 1 - depth[below][owner])
    lost = np.bincount(owner, weights=(count < 1) | (count > MOST_STEPS), minlength=len(section)) > 0
    order = np.lexsort((sites.flat, -np.round(walked[node], 3), owner))
    far = order[heads(owner[order])]
    steps = np.where(lost, 0, count[far])
    edge, from_b = climb(node[far], steps, up.parent_edge, graph.a, graph.b)
    last = np.cumsum(steps)
    lost[~lost] = edge[last[~lost] - 1] != stop[~lost]
    # from the point on
    turned = np.repeat(2 * last - steps - 1, steps) - np.arange(len(edge))
    main, edge = np.repeat(np.arange(len(section)), steps), edge[turned]
    lower = np.where(from_b[turned], graph.b[edge], graph.a[edge])
    joins, way, beside = _join(network, main * graph.n_nodes + lower, owner=np.where(lost[owner], -1, owner), node=node)
    lost[owner[joins < 0]] = True
    kept, there, new = ~lost[main], np.flatnonzero(~lost[owner]), ~lost[owner[way]]
    number, at = np.cumsum(kept) - 1, np.cumsum(~lost[owner]) - 1
    return _Ways(main[kept], edge[kept], sites.flat[there], number[joins[there]], at[way[new]], beside[new])


def _join(network: Network, main: Ints, *, owner: Ints, node: Ints) -> tuple[Ints, Ints, Ints]:
    """Where the way up from every node meets its section's main one, -1 nowhere, and what it takes before.

    ``main``: section times number of nodes, plus node, of every step. ``owner``, ``node``: section of each site, -1 to
    leave it, and node. Returns position in ``main`` by site, and pairs of site and edge.
    """
    graph, by_key = network.graph, np.argsort(main)
    key, joins, way = main[by_key], np.full(len(owner), -1, np.int64), np.flatnonzero(owner >= 0)
    ways, edges, at = [way[:0]], [way[:0]], node[way]
    for _ in range(MOST_STEPS if len(main) else 0):
        mine = owner[way] * graph.n_nodes + at
        place = np.minimum(np.searchsorted(key, mine), len(key) - 1)
        met, edge = key[place] == mine, network.upstream.parent_edge[at]
        joins[way[met]] = by_key[place[met]]
        on = ~met & (edge >= 0)
        way, at, edge = way[on], at[on], edge[on]
        ways.append(way)
        edges.append(edge)
        at = np.where(graph.b[edge] == at, graph.a[edge], graph.b[edge])
    return joins, np.concatenate(ways), np.concatenate(edges)


class _Parts(NamedTuple):
    """Parts of strips in their order: position of the section (rising), and the text."""

    owner: Ints
    text: pa.StringArray


def _parts(network: Network, ways: _Ways) -> _Parts:
    """All parts: along the main ways, with sites and branches where they stand and leave."""
    graph, edge = network.graph, ways.edge
    device = graph.switch[edge]
    along = np.flatnonzero((edge < graph.n_pieces) | (device >= 0))
    kind = np.where(device[along] >= 0, TEXT, np.where(graph.shielded[edge[along]], CABLE, OVERHEAD))
    branch = distinct(ways.way)
    at = np.setdiff1d(np.arange(len(ways.site)), branch, assume_unique=True)
    leaves, branch_text = _branches(network, ways, branch)
    words = [_devices(network.tables.switches, device[along]), _sites(network, ways.site[at]), branch_text]
    place = np.concatenate([along, ways.joins[at], leaves])
    order_there = np.repeat([MAIN, SITE, BRANCH], [len(along), len(at), len(leaves)])
    site = np.concatenate([np.zeros(len(along), np.int64), ways.site[at], np.zeros(len(leaves), np.int64)])
    order = np.lexsort((site, order_there, place))
    kind = np.concatenate([kind, np.full(len(at) + len(leaves), TEXT)])[order]
    metres = np.concatenate([graph.length_m[edge[along]], np.zeros(len(at) + len(leaves))])[order]
    return _joined(ways.section[place[order]], kind, metres=metres, text=pa.concat_arrays(words).take(pa.array(order)))


def _joined(owner: Ints, kind: Ints, *, metres: Floats, text: pa.StringArray) -> _Parts:
    """Lengths of one kind that follow one another are one."""
    first = np.flatnonzero(heads(owner, kind) | (kind == TEXT))
    kind = kind[first]
    tenths = np.rint(10 * np.add.reduceat(metres, first)).astype(np.int64) if len(first) else kind
    whole, rest = pa.array(tenths // 10).cast(pa.string()), tenths % 10
    tail = pa.DictionaryArray.from_arrays(rest, [f".{k}" if k else "" for k in range(10)]).cast(pa.string())
    name = pa.DictionaryArray.from_arrays(kind, ["", " m cable", " m overhead"]).cast(pa.string())
    lengths = pc.binary_join_element_wise(whole, tail, name, "")
    return _Parts(owner[first], pc.if_else(pa.array(kind == TEXT), text.take(pa.array(first)), lengths))


def _branches(network: Network, ways: _Ways, branch: Ints) -> tuple[Ints, pa.StringArray]:
    """Where branches leave the main ways (positions in them), and what they say: the one site or how many, metres."""
    graph = network.graph
    leaves, group = np.unique(ways.joins[branch], return_inverse=True)
    group_of_way = np.zeros(len(ways.site), np.int64)
    group_of_way[branch] = group
    piece = ways.beside < graph.n_pieces
    edges, groups = ways.beside[piece], group_of_way[ways.way[piece]]
    order = np.lexsort((edges, groups))
    order = order[heads(groups[order], edges[order])]
    edges, groups = edges[order], groups[order]
    number = np.bincount(group, minlength=len(leaves))
    site = np.zeros(len(leaves), np.int64)
    site[group] = ways.site[branch]
    many = pc.binary_join_element_wise(pa.array(number).cast(pa.string()), "sites", " ")
    who = pc.if_else(pa.array(number == 1), _sites(network, site), many)
    words = pc.binary_join_element_wise("+", who, "")
    for name, own in ((" m cable", graph.shielded[edges]), (" m overhead", ~graph.shielded[edges])):
        metres = np.bincount(groups[own], weights=graph.length_m[edges[own]], minlength=len(leaves))
        text = pc.binary_join_element_wise(", ", pa.array(np.rint(metres).astype(np.int64)).cast(pa.string()), name, "")
        words = pc.binary_join_element_wise(words, pc.if_else(pa.array(metres >= 0.5), text, ""), "")
    return leaves, words


def _sites(network: Network, site: Ints) -> pa.StringArray:
    names = _plain(network.tables.transformers["site_id"].take(site))
    return pc.binary_join_element_wise("@", names, "")


def _devices(switches: pd.DataFrame, device: Ints) -> pa.StringArray:
    """Mark and id of devices, empty for none (-1)."""
    rows = np.maximum(device, 0)
    kind = np.where(device < 0, 0, np.where(switches["single_pole"].to_numpy(bool)[rows], 1, 2))
    marks = pa.DictionaryArray.from_arrays(kind, ["", "/", "="]).cast(pa.string())
    names = pc.if_else(pa.array(device >= 0), _plain(switches["switch_id"].take(rows)), "")
    return pc.binary_join_element_wise(marks, names, "")


def _plain(names: pd.Series[str]) -> pa.StringArray:
    """Names in which nothing ends a part."""
    return pc.replace_substring(pa.array(names, pa.string()), "|", "¦")
