"""Sites on rings: no single-pole device alone takes them off supply, but one lies on a simple way to it.

A ring is opened in two places before anybody works there, and the second opening exposes what lies between. Every
simple way from a site to the supply passes the same blocks (parts that no single node separates) as its walk, and can
be led over every edge of them.
"""

import numpy as np

from survey.arrays import Bools
from survey.network.sweeps import Forest, ring_blocks
from survey.network.topology.graph import Graph
from survey.network.walk.walks import Walks


def looped_sites(graph: Graph, walks: Walks, *, union: Forest, single: Bools) -> Bools:
    """Sites without a switching point that have a single-pole device in a block which their walk passes.

    ``union``: spanning forest of all edges. ``single``: devices that work pole by pole, per switch. Shape
    (n_sites,); a site whose walked edges were not kept counts as looped where it passes a ring at all.
    """
    asked = walks.sourced & (walks.section < 0)
    live = np.zeros(len(graph.a), bool)
    if asked.any():
        poles = np.append(single, False)[graph.switch]
        blocks = ring_blocks(union, (graph.a, graph.b))
        live[blocks.flat] = np.bincount(blocks.owner, weights=poles[blocks.flat])[blocks.owner] > 0
    steps = np.diff(walks.edge_start)
    site = np.repeat(np.arange(len(steps)), steps)
    passed = np.bincount(site, weights=live[walks.edges], minlength=len(steps)) > 0
    return asked & np.where(steps > 0, passed, walks.ring_piece >= 0)
