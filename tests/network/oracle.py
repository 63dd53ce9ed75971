"""Brute force: plain networkx, one graph per phase, every device taken out in turn.

Knows nothing of the survey's code: it starts from the same short rows as :mod:`build`, in which every cable goes by
node ids. A device names the cable it controls, or stands where rule 3 says; a step-down transformer splits its node.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby, pairwise

import networkx as nx

SUPPLY = "supply"
NOMINAL_KV = 12.47
PART_PHASE_M = 1e9


@dataclass(frozen=True)
class Device:
    id: str
    node: str
    cable: str = ""
    single: bool = True
    open: bool = False

    @property
    def row(self):
        words = {"three": not self.single, "open": self.open, f"guards={self.cable}": bool(self.cable)}
        return (self.id, self.node, *(word for word, said in words.items() if said))


@dataclass(frozen=True)
class Oracle:
    """``sites`` are (id, node) or (id, node, kV), ``units`` single-phase transformers (id, node, phase).

    ``recorded``: the network as recorded, of which this is another state; where devices stand is taken from it.
    """

    cables: tuple
    devices: tuple
    sites: tuple
    sources: tuple
    units: tuple = ()
    recorded: Oracle | None = None

    @cached_property
    def _states(self) -> dict[tuple[str, str], Oracle]:
        return {}

    def in_state(self, closed: str, opened: str) -> Oracle:
        """The same network with a device closed and another opened; no device moves by being operated."""
        if (closed, opened) not in self._states:
            devices = [replace(d, open=(d.open and d.id != closed) or d.id == opened) for d in self.devices]
            self._states[closed, opened] = replace(self, devices=tuple(devices), recorded=self.recorded or self)
        return self._states[closed, opened]

    def place_of(self, site: str) -> str:
        """Node of a site."""
        return next(place for name, place, *_ in self.sites if name == site)

    @cached_property
    def low(self) -> dict[str, set[str]]:
        """Cables on the secondary of every step-down transformer, by node."""
        split = {}
        for _, node, *kv in self.sites:
            rated = kv[0] if kv else NOMINAL_KV
            here = {c.id: abs(c.kv - rated) > 0.2 * rated for c in self.cables if node in c.ends}
            if len(set(here.values())) == 2:
                split[node] = {name for name, other in here.items() if other}
        return split

    def at(self, node: str, cable: str = "") -> str:
        """The node of a cable's end, or of a device that guards it."""
        return f"{node} low" if cable in self.low.get(node, ()) else node

    @cached_property
    def ends(self) -> dict[str, tuple[str, str]]:
        return {c.id: tuple(self.at(n, c.id) for n in c.ends) for c in self.cables}

    @cached_property
    def fed_nodes(self) -> list[str]:
        """Nodes that a source supplies: a secondary where there is one."""
        return [f"{node} low" if node in self.low else node for _, node in self.sources]

    def node(self, d: Device) -> str:
        return self.at(d.node, d.cable)

    def around(self, node: str, *, ug: bool = False) -> list[str]:
        """Cables that end at a node, by id; rings of a single cable end nowhere."""
        build = {c.id: c.build for c in self.cables}
        ends = (name for name, (u, v) in sorted(self.ends.items()) if u != v and node in (u, v))
        return [name for name in ends if not ug or build[name] == "ug"]

    @cached_property
    def sure(self) -> dict[str, str]:
        """Cable of every device that stands wherever the supply comes from: rule 3 up to the single cable."""
        stands = {d.id: d.cable for d in self.devices if d.cable}
        free = [d for d in self.devices if not d.cable]
        for node in {d.node for d in free}:
            here, cables, ug = [d for d in free if d.node == node], self.around(node), self.around(node, ug=True)
            poles = sorted(d.id for d in here if d.single)
            if len(cables) == 1 or (len(ug) == 1 and cables):
                stands |= dict.fromkeys([d.id for d in here], (ug if len(cables) > 1 else cables)[0])
            elif len(poles) == len(ug):
                stands |= dict(zip(poles, ug, strict=True))
        return stands

    @cached_property
    def stands(self) -> dict[str, str]:
        """Cable at whose end every device stands, ``SUPPLY``: between source and node; "": nowhere."""
        if self.recorded:
            return self.recorded.stands
        return {d.id: self.sure.get(d.id) or self._by_supply(d) for d in self.devices}

    def _by_supply(self, d: Device) -> str:
        cables = self.around(d.node)
        if self._at_source(d):
            return SUPPLY
        between = cables[0] if len(cables) == 2 else ""
        return self.above.get(d.node) or between

    def _at_source(self, d: Device) -> bool:
        """Whether a device stands between source and node."""
        return d.id not in self.sure and d.node in self.fed_nodes and bool(self.around(d.node))

    @cached_property
    def soft(self) -> set[str]:
        """Devices that stand at a dead end with a site, named by nobody."""
        nodes = {site[1] for site in self.sites}
        return {d.id for d in self.devices if not d.cable and d.node in nodes and len(self.around(d.node)) == 1}

    @cached_property
    def from_node(self) -> dict[str, bool]:
        """Whether a device outside all supply controls its node rather than its cable."""
        return {d.id: self._controls_node(d) for d in self.closed}

    def _controls_node(self, d: Device) -> bool:
        if self._asks(d):
            return self._toward_node(d) or (self._side_unknown(d) and self._likelier_side(d) == self.edge(d)[0])
        return d.id not in self.sure

    def _asks(self, d: Device) -> bool:
        return d.id in self.soft or (d.id not in self.sure and self.stands[d.id] != SUPPLY)

    def _toward_node(self, d: Device) -> bool:
        return (self.recorded or self).above.get(self.node(d)) == self.stands[d.id]

    def _side_unknown(self, d: Device) -> bool:
        return self._asks(d) and not self._toward_node(d) and self.edge(d)[0] not in self.fed

    @cached_property
    def undecided(self) -> bool:
        """Some device of unknown side is on a ring of cables, perhaps of other phases: nothing is likelier there."""
        return any(self._side_unknown(d) and not self.parts(d) for d in self.closed)

    def parts(self, d: Device) -> bool:
        """Whether a closed device is the only way between its two sides."""
        near, far = self.edge(d)
        cut = self.graph.copy()
        cut.remove_edge(near, far, d.id)
        return not nx.has_path(cut, near, far)

    def _number(self, node: str):
        """Nodes count as they come: by id, then secondaries, then those of devices, cable end by cable end."""
        by_id = {d.id: d for d in self.devices}
        if node not in by_id:
            return 0, "low" in node, node
        spot, cable = self._spot(by_id[node])
        end = 0 if cable == SUPPLY else self.ends[cable].index(spot)
        return 1, cable != SUPPLY, cable, end, *self._in_a_row(by_id[node])[2:]

    def _likelier_side(self, d: Device) -> str:
        """The only side with sites, else the one with more cable, else the one further from the first node."""
        near, far = self.edge(d)
        whole = nx.node_connected_component(self.graph, near)
        cut = self.graph.copy()
        cut.remove_edge(near, far, d.id)
        first = min(whole, key=self._number)
        child, other = (far, near) if nx.has_path(cut, near, first) else (near, far)
        below = nx.node_connected_component(cut, child)
        sites = [site[1] for site in self.sites if site[1] in whole]
        inside = sum(node in below for node in sites)
        if sites and inside in (0, len(sites)):
            return child if inside else other
        edges = [(v in below, data) for u, v, data in self.graph.edges(data=True) if u in whole and "cable" in data]
        metres = [
            sum(x["length"] for b, x in edges if b == side and x["cable"].build == "ug") for side in (True, False)
        ]
        return child if metres[0] >= metres[1] else other

    @cached_property
    def graph(self) -> nx.MultiGraph:
        """Closed devices and cables; nodes of devices are their ids."""
        g = nx.MultiGraph()
        by_id = {c.id: c for c in self.cables}
        g.add_nodes_from([SUPPLY, *(n for ends in self.ends.values() for n in ends)])
        ends = {}
        placed = [d for d in self.devices if self.stands[d.id]]
        for (node, cable), row in groupby(sorted(placed, key=self._in_a_row), key=self._spot):
            here = SUPPLY if cable == SUPPLY else node
            for d in row:
                g.add_node(d.id)
                if not d.open:
                    phases = "ABC" if cable == SUPPLY else by_id[cable].phases
                    g.add_edge(here, d.id, key=d.id, length=0, phases=phases, device=d)
                here = d.id
            ends[node, cable] = here
        for node in self.fed_nodes:
            behind = ends.get((node, SUPPLY), SUPPLY)
            g.add_edge(behind, node, f"source {node}", length=0, phases="ABC")
        for c in self.cables:
            u, v = (ends.get((n, c.id), n) for n in self.ends[c.id])
            g.add_edge(u, v, key=c.id, length=c.length_m, phases=c.phases, cable=c)
        return g

    def _spot(self, d: Device) -> tuple[str, str]:
        return self.node(d), self.stands[d.id]

    def _in_a_row(self, d: Device):
        """From the node on: from the supply on open ones, three-pole ones, single-pole ones, so that none is hidden."""
        rank = 0 if d.open else 2 if d.single else 1
        node, cable = self._spot(d)
        return node, cable, -rank if self.above.get(node) == cable and self._known(d) else rank, d.id

    def _known(self, d: Device) -> bool:
        """Whether the way up at a device is told by a source, or by others for one that stands where they say."""
        return self.node(d) in self.supplied or d.id not in self.sure or d.id in self.soft

    @cached_property
    def above(self) -> dict[str, str]:
        """Cable by which each node is supplied: the shortest way, closed devices left aside, open ones cutting.

        In parts without a source the shortest way from the devices whose side is known, towards that side.
        """
        g = nx.MultiGraph()
        g.add_nodes_from([SUPPLY, *(n for ends in self.ends.values() for n in ends)])
        off = {d.node for d in self.devices if d.open and self._at_source(d)}
        g.add_edges_from((SUPPLY, node, "", {"length": 0}) for node in self.fed_nodes if node not in off)
        cut = self._cut_ends()
        for c in self.cables:
            u, v = ((n, c.id) if (n, c.id) in cut else n for n in self.ends[c.id])
            g.add_edge(u, v, c.id, length=c.length_m)
        paths = nx.single_source_dijkstra_path(g, SUPPLY, weight="length")
        found = {node: self._last(g, path) for node, path in paths.items() if len(path) > 1}
        object.__setattr__(self, "supplied", set(paths))
        return self._from_devices(g, cut) | found

    @staticmethod
    def _last(g: nx.MultiGraph, path: list[str]) -> str:
        """Shortest cable between the last two nodes of a path."""
        between = g[path[-2]][path[-1]]
        return min(between, key=lambda name: between[name]["length"])

    def _cut_ends(self) -> set[tuple[str, str]]:
        """Ends of cables that open devices cut off: of one between two cables that of the first."""
        cut = set()
        for d in self.devices:
            cables = self.around(self.node(d))
            stands = self.recorded.stands[d.id] if self.recorded else self.sure.get(d.id)
            cable = stands or (cables[0] if len(cables) == 2 else "")
            cut |= {(self.node(d), cable)} if d.open and not self._at_source(d) else set()
        return cut

    def _from_devices(self, g: nx.Graph, cut: set) -> dict[str, str]:
        best = {}
        where = self.recorded.stands if self.recorded else self.sure
        for d in self.devices:
            if d.open or not d.single or d.id in self.soft or where.get(d.id, SUPPLY) in ("", SUPPLY):
                continue
            ends = [((n, where[d.id]) if (n, where[d.id]) in cut else n) for n in self.ends[where[d.id]]]
            near = self.node(d)
            start = next(n for n, whole in zip(ends, self.ends[where[d.id]], strict=True) if whole != near)
            if near in self.supplied or start in self.supplied:
                continue
            length = {c.id: c.length_m for c in self.cables}[where[d.id]]
            rest = g.copy()
            rest.remove_edges_from([edge for edge in g.edges(keys=True) if edge[2] == where[d.id]])
            lengths, paths = nx.single_source_dijkstra(rest, start, weight="length")
            for node, path in paths.items():
                by = self._last(rest, path) if len(path) > 1 else where[d.id]
                key = length + lengths[node], len(path), d.id
                if node not in best or key < best[node][0]:
                    best[node] = key, by
        return {node: by for node, (_, by) in best.items()}

    @cached_property
    def closed(self):
        return [d for d in self.devices if d.single and not d.open and self.stands[d.id]]

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

    def side(self, d: Device) -> tuple[str, str]:
        """Supply's side and controlled side of a closed device, as far as no source tells."""
        near, far = self.edge(d)
        return (far, near) if self.from_node[d.id] else (near, far)

    def lost(self, d: Device, p: str) -> set:
        """Nodes that lose phase ``p`` when that pole of the device is open."""
        near, far = self.side(d)
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
            sites |= {s for s, node, *_ in self.sites if node in lost}
        return sorted(cables), round(metres, 6), sorted(sites)

    def units_lost(self, d: Device) -> list[int]:
        """Number of single-phase units that lose their phase, pole by pole."""
        lost = self.all_lost[d.id]
        return [sum(phase == p and node in lost[p] for _, node, phase in self.units) for p in "ABC"]

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
            near, far = self.side(d)
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
        node = self.place_of(site)
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
