"""The network as the survey sees it, and what a library user can take out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from survey.arrays import Floats, Ints

if TYPE_CHECKING:
    from survey.network.ties.loops import Loops
    from survey.network.topology.graph import Graph
    from survey.network.topology.pieces import Pieces
    from survey.network.walk.sections import Sections
    from survey.network.walk.upstream import Upstream
    from survey.network.walk.walks import Walks
    from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class Network:
    """Pieces, graph, walks and exposed sections of one export.

    Parameters
    ----------
    tables
        The clean tables it was built from.
    pieces
        Parts of cables between nodes.
    graph
        The normal state.
    node_xy
        Place of the nodes before devices got theirs, shape (n, 2), metres.
    site_node
        Node of every site, -1 out of reach.
    supply_names
        Id of the source, or of the site whose secondary supplies, by node.
    upstream
        Direction of supply in the parts that have a source.
    unit_node
        Node of every single-phase transformer of ``tables.one_phase``, -1 out of reach.
    walks
        One walk per site.
    sections
        One exposed section per closed single-pole device.
    health
        Counts of the network's condition: nodes, tees, pieces, islands ...
    loops
        Loops of normally open devices, and closed rings; ``None`` where only the normal state is asked for.
    revived
        The same with a supply of its own for every dead stretch, whose switch is the row after the last one, and loops
        over the devices that could feed them; ``None`` without any.
    """

    tables: NetworkTables
    pieces: Pieces
    graph: Graph
    node_xy: Floats
    site_node: Ints
    supply_names: dict[int, str]
    upstream: Upstream
    unit_node: Ints
    walks: Walks
    sections: Sections
    health: dict[str, int]
    loops: Loops | None = None
    revived: Network | None = None
