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

from survey.arrays import Bools, Floats, Ints, Ragged, distinct, heads
from survey.network.model import Network

MOST_SITES = 60
"""Sections with more sites than this get no strip: nobody draws them on one line."""
MOST_STEPS = 400
"""Nor those with a site that so many pieces and devices do not reach."""
MAIN, SITE, BRANCH = range(3)
TEXT, CABLE, OVERHEAD = range(3)


def section_strips(network: Network, *, section: Ints, sites: Ragged) -> pa.StringArray:
    """Strip of every section, from its point to the last of its sites; empty where there is none.

    Parameters
    ----------
    section
        Sections to draw, shape (n,).
    sites
        For each of them the rows of the sites on it.
    """
    few = np.flatnonzero((sites.counts > 0) & (sites.counts <= MOST_SITES))
    ways = _climb(network, section[few], sites=sites.taken(few))
    parts = _parts(network, ways)
    rows = np.searchsorted(few[parts.owner], np.arange(len(section) + 1)).astype(np.int32)
    return pc.binary_join(pa.ListArray.from_arrays(rows, parts.text), " | ")


class _Ways(NamedTuple):
    """Ways from sites up to the point of their section, step by step.

    By way: ``owner`` position of its section, ``site`` row. By step, sorted by way from below: ``way, node, edge``
    (the one above the node). By step of the ways to the farthest sites, section by section from its point: ``main``
    steps. By way: ``joins`` the position in ``main`` of the node where it joins that way; ``beside`` the steps below.
    """

    owner: Ints
    site: Ints
    way: Ints
    node: Ints
    edge: Ints
    main: Ints
    joins: Ints
    beside: Bools


def _climb(network: Network, section: Ints, *, sites: Ragged) -> _Ways:
    """Ways of the sections of which every site meets the point."""
    graph, parent = network.graph, network.upstream.parent_edge
    stop = graph.edge_of[network.sections.device[section]][sites.owner]
    way, node = np.arange(len(stop)), network.site_node[sites.flat]
    lost, steps = np.ones(len(stop), bool), [(way[:0], way[:0], way[:0])]
    way, node = way[node >= 0], node[node >= 0]
    for _ in range(MOST_STEPS):
        edge = parent[node]
        steps.append((way, node, edge))
        lost[way[edge == stop[way]]] = False
        on = (edge >= 0) & (edge != stop[way])
        way, node, edge = way[on], node[on], edge[on]
        if not len(way):
            break
        node = np.where(graph.b[edge] == node, graph.a[edge], graph.b[edge])
    way, node, edge = (np.concatenate(part) for part in zip(*steps, strict=True))
    drawn = np.bincount(sites.owner[lost], minlength=len(section)) == 0
    kept = np.argsort(way, kind="stable")
    kept = kept[drawn[sites.owner[way[kept]]]]
    return _with_main(network, sites, steps=(way[kept], node[kept], edge[kept]))


def _with_main(network: Network, sites: Ragged, *, steps: tuple[Ints, Ints, Ints]) -> _Ways:
    """Find the way to the farthest site of every section, and where the others join it."""
    way, node, edge = steps
    owner, used = sites.owner, distinct(way)
    metres = np.bincount(way, weights=network.graph.length_m[edge], minlength=len(owner))[used]
    order = np.lexsort((sites.flat[used], -metres, owner[used]))
    longest = np.zeros(len(owner), bool)
    longest[used[order[heads(owner[used[order]])]]] = True
    main = np.flatnonzero(longest[way])[::-1]
    main = main[np.argsort(owner[way[main]], kind="stable")]
    key = owner[way] * network.graph.n_nodes + node
    by_key = np.argsort(key[main])
    at = by_key[np.minimum(np.searchsorted(key[main[by_key]], key), max(len(main) - 1, 0))] if len(main) else main
    beside = key[main[at]] != key
    joins = np.zeros(len(owner), np.int64)
    joins[way[~beside][::-1]] = at[~beside][::-1]  # the lowest step, written last
    return _Ways(owner, sites.flat, way, node, edge, main, joins, beside)


class _Parts(NamedTuple):
    """Parts of strips in their order: position of the section (rising), and the text."""

    owner: Ints
    text: pa.StringArray


def _parts(network: Network, ways: _Ways) -> _Parts:
    """All parts: along the main ways, with sites and branches where they stand and leave."""
    graph, main = network.graph, ways.main
    edge = ways.edge[main]
    device = graph.switch[edge]
    along = np.flatnonzero((edge < graph.n_pieces) | (device >= 0))
    kind = np.where(device[along] >= 0, TEXT, np.where(graph.shielded[edge[along]], CABLE, OVERHEAD))
    there = distinct(ways.way[~ways.beside])
    branch = distinct(ways.way[ways.beside])
    at = np.setdiff1d(there, branch, assume_unique=True)
    leaves, branch_text = _branches(network, ways, branch)
    words = [_devices(network.tables.switches, device[along]), _sites(network, ways.site[at]), branch_text]
    place = np.concatenate([along, ways.joins[at], leaves])
    order_there = np.repeat([MAIN, SITE, BRANCH], [len(along), len(at), len(leaves)])
    site = np.concatenate([np.zeros(len(along), np.int64), ways.site[at], np.zeros(len(leaves), np.int64)])
    order = np.lexsort((site, order_there, place))
    kind = np.concatenate([kind, np.full(len(at) + len(leaves), TEXT)])[order]
    metres = np.concatenate([graph.length_m[edge[along]], np.zeros(len(at) + len(leaves))])[order]
    owner = ways.owner[ways.way[main]][place[order]]
    return _joined(owner, kind, metres=metres, text=pa.concat_arrays(words).take(pa.array(order)))


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
    group_of_way = np.zeros(len(ways.owner), np.int64)
    group_of_way[branch] = group
    step = np.flatnonzero(ways.beside & (ways.edge < graph.n_pieces))
    edges, groups = ways.edge[step], group_of_way[ways.way[step]]
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
    marks = np.where(device < 0, "", np.where(switches["single_pole"].to_numpy(bool)[rows], "/", "="))
    names = pc.if_else(pa.array(device >= 0), _plain(switches["switch_id"].take(rows)), "")
    return pc.binary_join_element_wise(pa.array(marks), names, "")


def _plain(names: pd.Series[str]) -> pa.StringArray:
    """Names in which nothing ends a part."""
    return pc.replace_substring(pa.array(names, pa.string()), "|", "¦")
