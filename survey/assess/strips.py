"""A switching point's section on one line, as a crew draws it: devices, metres and transformers in their order.

Written as text, so that tables, map and sheets say the same: parts apart by `` | ``, the point first; ``/ID`` a
single-pole device, ``=ID`` a three-pole one, ``@ID`` a transformer, ``28 m cable``, ``600 m overhead``, and where a
branch leaves, folded in, ``+2 sites, 120 m cable`` or ``+@ID, 6 m overhead``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from survey.arrays import Floats, Ints
from survey.compiled import njit

if TYPE_CHECKING:
    from survey.arrays import Ragged
    from survey.network.model import Network

MOST_SITES = 60
"""Sections with more sites than this get no strip: nobody draws them on one line."""


def section_strips(network: Network, *, section: Ints, sites: Ragged) -> list[str]:
    """Strip of every section, from its point to the last of its sites; empty where there is none.

    Parameters
    ----------
    section
        Sections to draw, shape (n,).
    sites
        For each of them the rows of the sites on it.
    """
    drawer = _Drawer(network)
    return [
        drawer.strip(one, rows.tolist()) if 0 < len(rows) <= MOST_SITES else ""
        for one, rows in zip(section.tolist(), sites, strict=True)
    ]


class _Drawer:
    """What strips are drawn from, as plain lists."""

    def __init__(self, network: Network) -> None:
        graph, up, switches = network.graph, network.upstream, network.tables.switches
        self.parent, self.a, self.b = up.parent_edge, graph.a, graph.b
        self.fed, self.node = up.fed, network.site_node
        self.metres, self.shielded, self.n_pieces = graph.length_m, graph.shielded, graph.n_pieces
        self.edge = graph.edge_of[network.sections.device]
        self.switch = graph.switch
        single = switches["single_pole"].to_numpy(bool)
        self.devices = [
            f"{'/' if one else '='}{_plain(name)}" for name, one in zip(switches["switch_id"], single, strict=True)
        ]
        self.site_ids = network.tables.transformers["site_id"].to_numpy(object)
        self.depth = _depths(up.order, up.parent_edge, graph.a, graph.b, graph.length_m)

    def climb(self, node: int, stop: int) -> list[tuple[int, int]]:
        """Nodes from one upwards, each with the edge above it, the last one ``stop``; empty where it is not met."""
        way: list[tuple[int, int]] = []
        while (edge := int(self.parent[node])) >= 0:
            way.append((node, edge))
            if edge == stop:
                return way
            node = int(self.a[edge] if self.b[edge] == node else self.b[edge])
        return []

    def strip(self, section: int, sites: list[int]) -> str:
        """One section's strip."""
        stop, nodes = int(self.edge[section]), {site: int(self.node[site]) for site in sites}
        if any(node < 0 or not self.fed[node] for node in nodes.values()):
            return ""
        ways = {site: self.climb(node, stop) for site, node in nodes.items()}
        last = max(sites, key=lambda site: (self.depth[nodes[site]], -site))
        main = ways[last]
        if not main or not all(ways.values()):
            return ""
        on_main = {node for node, _ in main}
        branches = self._branches(ways, on_main)
        parts: list[str] = []
        for node, edge in reversed(main):
            self._add_edge(parts, edge)
            parts += [f"@{_plain(self.site_ids[site])}" for site in sites if nodes[site] == node]
            if node in branches:
                parts.append(self._branch_text(*branches[node]))
        return " | ".join(parts)

    def _branch_text(self, sites: list[int], edges: set[int]) -> str:
        """What leaves the main line: its one site or how many, and its metres."""
        who = f"@{_plain(self.site_ids[sites[0]])}" if len(sites) == 1 else f"{len(sites)} sites"
        pieces = [edge for edge in edges if edge < self.n_pieces]
        cable = sum(float(self.metres[e]) for e in pieces if self.shielded[e])
        overhead = sum(float(self.metres[e]) for e in pieces) - cable
        lengths = [f"{m:.0f} m {kind}" for m, kind in ((cable, "cable"), (overhead, "overhead")) if m >= 0.5]
        return f"+{', '.join([who, *lengths])}"

    def _branches(
        self, ways: dict[int, list[tuple[int, int]]], on_main: set[int]
    ) -> dict[int, tuple[list[int], set[int]]]:
        """Sites and edges of what leaves the main line, by the node where it leaves."""
        found: dict[int, tuple[list[int], set[int]]] = {}
        for site, way in ways.items():
            beside = [edge for node, edge in way if node not in on_main]
            if beside:
                at = way[len(beside)][0]
                some, edges = found.get(at, ([], set()))
                found[at] = [*some, site], edges | set(beside)
        return found

    def _add_edge(self, parts: list[str], edge: int) -> None:
        """A device, or a length that goes on where the part before is of the same kind."""
        if edge >= self.n_pieces:
            if self.switch[edge] >= 0:
                parts.append(self.devices[self.switch[edge]])
            return
        kind = "cable" if self.shielded[edge] else "overhead"
        before = parts[-1].split() if parts else []
        metres = float(self.metres[edge])
        if before[1:] == ["m", kind]:
            metres += float(before[0])
            parts.pop()
        parts.append(f"{metres:.1f} m {kind}".replace(".0 m", " m"))


def _plain(name: object) -> str:
    return str(name).replace("|", "¦")


@njit(cache=True)
def _depths(order: Ints, parent_edge: Ints, a: Ints, b: Ints, length_m: Floats) -> Floats:  # noqa: PLR0917 - compiled
    """Metres from the source to every node."""
    depth = np.zeros(len(parent_edge))
    for v in order:
        e = parent_edge[v]
        if e >= 0:
            depth[v] = depth[a[e] if b[e] == v else b[e]] + length_m[e]
    return depth
