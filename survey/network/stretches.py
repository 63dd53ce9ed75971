"""What stands between a switching point and the one above it: the edges of the way up from each device."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.network.islands import island_paths_above
from survey.network.sections import span_edges
from survey.network.walk import climb, ways_up

if TYPE_CHECKING:
    from survey.network.model import Network

Ints = NDArray[np.int64]


def stretches_above(network: Network) -> tuple[Ints, Ints]:
    """Graph edges from the supply side of every device up to the switching point above it, neither included.

    Returns
    -------
    First position of each device's edges, shape (n_devices + 1,), and the edges.
    """
    graph, sections = network.graph, network.sections
    union = span_edges(graph, np.ones(len(graph.a), bool))
    fed = union.root[sections.up] == graph.root
    ways = ways_up(graph, sections, union=union, gang=np.zeros(len(graph.a), bool))
    start, edges = climb(np.where(fed, sections.up, -1), ways.parent_edge, ways.stop, graph.a, graph.b)
    island, paths = island_paths_above(graph, sections, union)
    if not len(island):
        return start, edges
    parts = np.split(edges, start[1:-1])
    for k, path in zip(island, paths, strict=True):
        parts[k] = path
    return np.cumsum([0, *map(len, parts)]), np.concatenate(parts)
