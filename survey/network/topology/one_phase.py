"""Where single-phase transformers stand; they cut no cable and give no finding when they are out of reach."""

import numpy as np

from survey.arrays import Ints
from survey.findings import FindingList
from survey.network.topology.graph import Graph
from survey.network.topology.joints import Joints
from survey.network.topology.pickup import pick_up
from survey.network.topology.pieces import Pieces
from survey.read.tables import NetworkTables


def place_units(tables: NetworkTables, joints: Joints, *, pieces: Pieces, graph: Graph, pickup_m: float) -> Ints:
    """Node of every single-phase unit, -1 out of reach; on a cable that of an end of its piece, shape (n_units,).

    A unit at the very node of a device stands on its supply side: the safe reading, since it damps.
    """
    if not len(tables.one_phase):
        return np.empty(0, np.int64)
    # out of reach they are no loss to the survey: what is not there does not damp
    picked = pick_up(
        tables.one_phase,
        layer="transformers",
        tables=tables,
        joints=joints,
        pickup_m=pickup_m,
        findings=FindingList(),
    )
    node = picked.node.copy()
    on_run = np.flatnonzero(picked.run >= 0)
    if len(on_run):
        drawn = np.flatnonzero(pieces.line >= 0)
        order = drawn[np.lexsort((pieces.from_m[drawn], pieces.line[drawn]))]
        line, along = joints.line[picked.run[on_run]], picked.along_m[on_run]
        # pieces of all lines in a row: a key that rises by line, then along it
        scale = max(float(pieces.to_m[drawn].max(initial=0.0)), float(along.max())) + 1.0
        key = pieces.line[order] * scale + pieces.from_m[order]
        at = np.searchsorted(key, line * scale + along, side="right") - 1
        node[on_run] = graph.b[order[at]]
    return node
