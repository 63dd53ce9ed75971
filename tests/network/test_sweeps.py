"""Blocks of a graph against networkx."""

from __future__ import annotations

import networkx as nx
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from survey.network.nearness import join_pairs
from survey.network.sweeps import adjacency, ring_blocks, span

PAIRS = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=20)


def expected(pairs: list[tuple[int, int]]) -> set[frozenset[int]]:
    """Blocks of more than a bridge; a node in the middle of each edge keeps parallel ones apart."""
    split = nx.Graph((node, 100 + k) for k, pair in enumerate(pairs) for node in pair if pair[0] != pair[1])
    blocks = (frozenset(node - 100 for node in block if node >= 100) for block in nx.biconnected_components(split))
    return {block for block in blocks if len(block) > 1}


@given(PAIRS, st.integers(0, 9))
def test_blocks_of_rings(pairs, head):
    a, b = np.array(pairs, np.int64).reshape(-1, 2).T
    forest = span(*adjacency(a, b, 10), (a, b), allowed=np.ones(len(a), bool), head=head)
    blocks = ring_blocks(forest, (a, b))
    assert {frozenset(block.tolist()) for block in blocks} == expected(pairs)
    assert len(blocks.flat) == len(set(blocks.flat.tolist()))


@given(PAIRS)
def test_places_joined_by_pairs_have_the_lowest_of_them(pairs):
    a, b = np.array(pairs, np.int64).reshape(-1, 2).T
    graph = nx.Graph(pairs)
    graph.add_nodes_from(range(10))
    lowest = {node: min(part) for part in nx.connected_components(graph) for node in part}
    assert join_pairs(a, b, n=10).tolist() == [lowest[node] for node in range(10)]
