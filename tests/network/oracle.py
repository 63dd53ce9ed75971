"""Brute force: plain networkx, one graph per phase, every device taken out in turn.

Knows nothing of the survey's code: it starts from the same short rows as :mod:`build`, in which every cable goes by
node ids and every device names the cable it controls.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import groupby, pairwise

import networkx as nx

SUPPLY = "supply"
PART_PHASE_M = 1e9


@dataclass(frozen=True)
class Device:
    id: str
    node: str
    cable: str
    single: bool = True
    open: bool = False

    @property
    def row(self):
        return (self.id, self.node, *([] if self.single else ["three"]), *(["open"] if self.open else []), self.guards)

    @property
    def guards(self):
        return f"guards={self.cable}"


@dataclass(frozen=True)
class Oracle:
    cables: tuple
    devices: tuple
    sites: tuple
    sources: tuple

    @cached_property
    def graph(self) -> nx.MultiGraph:
        """Closed devices and cables; nodes of devices are their ids."""
        g = nx.MultiGraph()
        by_id = {c.id: c for c in self.cables}
        g.add_nodes_from([SUPPLY, *(n for c in self.cables for n in c.ends)])
        g.add_edges_from((SUPPLY, node, f"source {node}", {"length": 0, "phases": "ABC"}) for _, node in self.sources)
        ends = {}
        for (node, cable), row in groupby(sorted(self.devices, key=self._in_a_row), key=lambda d: (d.node, d.cable)):
            here = node
            for d in row:
                g.add_node(d.id)
                if not d.open:
                    g.add_edge(here, d.id, key=d.id, length=0, phases=by_id[cable].phases, device=d)
                here = d.id
            ends[node, cable] = here
        for c in self.cables:
            u, v = (ends.get((n, c.id), n) for n in c.ends)
            g.add_edge(u, v, key=c.id, length=c.length_m, phases=c.phases, cable=c)
        return g

    def _in_a_row(self, d: Device):
        """From the node on: from the supply on open ones, three-pole ones, single-pole ones, so that none is hidden."""
        rank = 0 if d.open else 2 if d.single else 1
        return d.node, d.cable, -rank if self.supplied_through.get(d.node) == d.cable else rank, d.id

    @cached_property
    def supplied_through(self) -> dict[str, str]:
        """Cable by which each node is supplied: the shortest way, closed devices left aside, open ones cutting."""
        cut = {(d.node, d.cable) for d in self.devices if d.open}
        g = nx.Graph()
        g.add_edges_from((SUPPLY, node, {"length": 0, "cable": ""}) for _, node in self.sources)
        for c in self.cables:
            u, v = ((n, c.id) if (n, c.id) in cut else n for n in c.ends)
            if c.length_m < g.get_edge_data(u, v, {"length": float("inf")})["length"]:
                g.add_edge(u, v, length=c.length_m, cable=c.id)
        if SUPPLY not in g:
            return {}
        paths = nx.single_source_dijkstra_path(g, SUPPLY, weight="length")
        return {node: g.edges[path[-2:]]["cable"] for node, path in paths.items() if len(path) > 1}

    @cached_property
    def closed(self):
        return [d for d in self.devices if d.single and not d.open]

    def phase(self, p: str, *without: str) -> nx.MultiGraph:
        g = nx.MultiGraph()
        g.add_nodes_from(self.graph)
        g.add_edges_from(
            (u, v, k, data)
            for u, v, k, data in self.graph.edges(keys=True, data=True)
            if p in data["phases"] and k not in without
        )
        return g

    @cached_property
    def fed(self) -> set:
        return nx.node_connected_component(self.graph, SUPPLY)

    def edge(self, d: Device):
        """Node's side and cable's side of a closed device."""
        return next((u, v) if v == d.id else (v, u) for u, v, k in self.graph.edges(keys=True) if k == d.id)

    def lost(self, d: Device, p: str) -> set:
        """Nodes that lose phase ``p`` when that pole of the device is open."""
        near, far = self.edge(d)
        whole, cut = self.phase(p), self.phase(p, d.id)
        if not whole.has_edge(near, far, d.id):
            return set()
        if near in self.fed:
            return nx.node_connected_component(whole, SUPPLY) - nx.node_connected_component(cut, SUPPLY)
        beyond = nx.node_connected_component(cut, far)
        return set() if near in beyond else beyond

    @cached_property
    def all_lost(self):
        return {d.id: {p: self.lost(d, p) for p in "ABC"} for d in self.closed}

    def exposes(self, d: Device) -> bool:
        return any(self.all_lost[d.id].values())

    def section(self, d: Device):
        cables, metres, sites = set(), 0.0, set()
        for p, lost in self.all_lost[d.id].items():
            for u, v, k, data in self.graph.edges(keys=True, data=True):
                if "cable" in data and p in data["phases"] and u in lost and v in lost:
                    cables.add(k)
                    metres += data["length"] / 3
            sites |= {s for s, node in self.sites if node in lost}
        return sorted(cables), round(metres, 6), sorted(sites)

    def way(self, start: str):
        """Edges of the way up, nearest first, ways of three phases before others."""
        g = self.graph
        together = {}
        for u, v, data in g.edges(data=True):
            if len(data["phases"]) < 3:
                together.setdefault(frozenset((u, v)), set()).update(data["phases"])

        def cost(u, v, data):
            full = len(data["phases"]) == 3 or "device" in data or len(together[frozenset((u, v))]) == 3
            return data["length"] + (0 if full else PART_PHASE_M)

        def best(u, v, edges):
            return min(cost(u, v, data) for data in edges.values())

        nodes = nx.shortest_path(g, start, SUPPLY, weight=best)
        for u, v in pairwise(nodes):
            yield min(
                g[u][v].values(), key=lambda data, u=u, v=v: (cost(u, v, data), data.get("cable") and data["cable"].id)
            )

    def climb(self, start: str):
        """Switching point, metres, metres of shielded cable and first three-pole device from a fed node."""
        length = cable = 0.0
        gang = ""
        for data in self.way(start):
            d = data.get("device")
            if d and d.single and self.exposes(d):
                return d.id, length, cable, gang
            if d and not d.single:
                gang = gang or d.id
            length += data["length"]
            if "cable" in data and data["cable"].build == "ug":
                cable += data["length"]
        return "no_single_pole", length, cable, gang

    def island_climb(self, start: str):
        best = None
        for d in self.closed:
            near, far = self.edge(d)
            if near in self.fed or not self.exposes(d):
                continue
            g = nx.MultiGraph(self.graph)
            g.remove_edge(near, far, d.id)
            if nx.has_path(g, far, start):
                nodes = nx.shortest_path(g, start, far, weight="length")
                edges = [min(g[u][v].values(), key=lambda data: data["length"]) for u, v in pairwise(nodes)]
                length = sum(e["length"] for e in edges)
                key = (length, len(edges))
                if best is None or key < best[0]:
                    cable = sum(e["length"] for e in edges if "cable" in e and e["cable"].build == "ug")
                    gang = next((e["device"].id for e in edges if "device" in e and not e["device"].single), "")
                    best = key, (d.id, length, cable, gang)
        return best[1] if best else "unreached"

    def walk(self, site: str):
        node = dict(self.sites)[site]
        return self.climb(node) if node in self.fed else self.island_climb(node)

    def upstream(self, d: Device) -> tuple[str, bool] | None:
        """Switching point above a fed device that exposes something, and whether a three-pole device stands between.

        ``None`` where its poles are fed from either side.
        """
        near, far = self.edge(d)
        ups = {far if near in lost else near for lost in self.all_lost[d.id].values() if lost}
        if len(ups) > 1:
            return None
        above, _, _, gang = self.climb(ups.pop())
        return "" if above == "no_single_pole" else above, bool(gang)
