"""The survey as an analyst would write it with networkx, one site after the other: slow, plain, and a check."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

SNAP_M = 0.5


class LoopSurvey:
    """Graph of a benchmark network and the devices on it.

    Parameters
    ----------
    network
        GeoPackage with devices either named by ``guards`` or on risers.
    """

    def __init__(self, network: Path) -> None:
        layers = {n: gpd.read_file(network, layer=n) for n in ("cables", "transformers", "switches", "sources")}
        self.sites = layers["transformers"][layers["transformers"]["phases"] == "ABC"]
        self.graph = nx.MultiGraph()
        places = self._add_cables(layers["cables"])
        self.site_node = dict(zip(self.sites["site_id"], _nearest(places, self.sites), strict=True))
        self.devices: dict[tuple[int, str], str] = {}
        self._add_devices(layers["switches"], nodes=_nearest(places, layers["switches"]))
        self.sources = set(_nearest(places, layers["sources"]))

    def exposed_m(self, site_id: str) -> tuple[str, float]:
        """First single-pole device upstream of a site, and the shielded cable that hangs on it; "" without one."""
        path = self._path(self.site_node[site_id])
        for below, above in pairwise(path):
            (cable,) = self.graph[below][above]
            for node in (below, above):
                if (node, cable) in self.devices:
                    return self.devices[node, cable], self._hanging_m(below, above, cable=cable, kept=node == above)
        return "", 0.0

    def agrees(self, expected: pd.Series[Any], found: tuple[str, float]) -> bool:
        """Whether the survey says the same about a site."""
        switch_id, metres = found
        if not switch_id:
            return bool(pd.isna(expected["switch_id"]))
        return bool(expected["switch_id"] == switch_id and abs(expected["exposed_cable_m"] - metres) < 0.1)

    def _add_cables(self, cables: gpd.GeoDataFrame) -> np.ndarray:
        ends = np.vstack([shapely.get_coordinates(shapely.get_point(cables.geometry, end)) for end in (0, -1)])
        pairs = cKDTree(ends).query_pairs(SNAP_M, output_type="ndarray")
        near = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends), len(ends)))
        count, node = connected_components(near, directed=False)
        length = cables["length_m"].fillna(cables.length)
        share = cables["phases"].str.len() / 3 * (cables["build"] == "ug")
        rows = zip(cables["cable_id"], node[: len(cables)], node[len(cables) :], length, share, strict=True)
        for cable_id, first, last, metres, weight in rows:
            self.graph.add_edge(int(first), int(last), key=cable_id, metres=metres * weight, buried=weight > 0)
        places = np.zeros((count, 2))
        places[node] = ends
        return places

    def _add_devices(self, switches: gpd.GeoDataFrame, *, nodes: np.ndarray) -> None:
        at_node = defaultdict(list)
        for row, node in zip(switches.itertuples(), nodes, strict=True):
            at_node[int(node)].append(row)
        for node, rows in at_node.items():
            buried = sorted(key for _, _, key, data in self.graph.edges(node, keys=True, data=True) if data["buried"])
            free = sorted((row for row in rows if pd.isna(row.guards)), key=lambda row: row.switch_id)
            taken = [(row, row.guards) for row in rows if pd.notna(row.guards)]
            for row, cable in [*taken, *zip(free, buried, strict=False)]:
                if row.state == "open":
                    self._open(node, cable=cable, dead_end=row.switch_id)
                elif row.poles == "single":
                    self.devices[node, cable] = row.switch_id

    def _open(self, node: int, *, cable: str, dead_end: str) -> None:
        """Take a cable off a node; it stays joined at its other end."""
        other = next(b for _, b, key in self.graph.edges(node, keys=True) if key == cable)
        data = self.graph[node][other][cable]
        self.graph.remove_edge(node, other, key=cable)
        self.graph.add_edge(dead_end, other, key=cable, **data)

    def _path(self, node: int) -> list[int]:
        reached = nx.node_connected_component(self.graph, node)
        (source,) = reached & self.sources
        return list(nx.shortest_path(self.graph, node, source))

    def _hanging_m(self, below: int, above: int, *, cable: str, kept: bool) -> float:
        data = self.graph[below][above][cable]
        self.graph.remove_edge(below, above, key=cable)
        part = self.graph.subgraph(nx.node_connected_component(self.graph, below))
        metres = sum(data["metres"] for _, _, data in part.edges(data=True))
        self.graph.add_edge(below, above, key=cable, **data)
        return float(metres + data["metres"] * kept)


def _nearest(places: np.ndarray, points: gpd.GeoDataFrame) -> np.ndarray:
    return cKDTree(places).query(shapely.get_coordinates(points.geometry))[1]
