"""Lines to look at: pieces, walked paths, exposed sections, in the coordinate system of the export."""

from dataclasses import dataclass

import numpy as np
from pyproj import Transformer

from survey.arrays import Bools, Floats, Ints, Ragged, heads
from survey.linesets import LineSet, PointSet, SharedLines
from survey.network.model import Network
from survey.network.topology.pieces import Pieces
from survey.projections import projection
from survey.read.tables import NetworkTables


@dataclass(frozen=True)
class PieceLines:
    """Draws pieces of cables from what is drawn of the cables.

    ``pieces`` line of every piece, and from where to where along it; ``start``, ``xy`` vertices of the lines, in the
    output coordinate system, as in :class:`~survey.read.tables.Lines`; ``walked`` metres from the first vertex of all
    to each, shape (n_vertices,); ``whole`` lines that are one piece, shape (n_lines,).
    """

    pieces: Pieces
    start: Ints
    xy: Floats
    walked: Floats
    whole: Bools

    def __call__(self, piece: Ints) -> tuple[Floats, Ints]:
        """Vertices of the drawn pieces among ``piece`` and how many each has (0 when it cannot be drawn)."""
        p, start = self.pieces, self.start
        line = p.line[piece]
        drawn = np.flatnonzero(line >= 0)
        first, last = start[line[drawn]], start[line[drawn] + 1] - 1
        part = np.flatnonzero(~self.whole[line[drawn]])
        low, high = (self.walked[first[part]] + end[piece[drawn[part]]] for end in (p.from_m, p.to_m))
        inner_low, inner_high, ends = first + 1, last.copy(), (first[part], last[part])
        inner_low[part] = np.clip(np.searchsorted(self.walked, low, side="right"), first[part] + 1, last[part])
        inner_high[part] = np.clip(np.searchsorted(self.walked, high, side="left"), inner_low[part], last[part])
        inner = inner_high - inner_low
        count = np.zeros(len(piece), np.int64)
        count[drawn] = inner + 2
        at = np.cumsum(count[drawn]) - count[drawn]
        xy = np.empty((int(count.sum()), 2))
        to = at + count[drawn] - 1
        xy[at], xy[to] = self.xy[first], self.xy[last]
        xy[at[part]], xy[to[part]] = (self._between(walked, *ends) for walked in (low, high))
        slot = np.repeat(at + 1 - np.cumsum(inner) + inner, inner) + np.arange(inner.sum())
        source = np.repeat(inner_low - np.cumsum(inner) + inner, inner) + np.arange(inner.sum())
        xy[slot] = self.xy[source]
        return xy, count

    def _between(self, walked: Floats, first: Ints, last: Ints) -> Floats:
        vertex = np.clip(np.searchsorted(self.walked, walked, side="right") - 1, first, last - 1)
        step = self.walked[vertex + 1] - self.walked[vertex]
        part = np.divide(walked - self.walked[vertex], step, out=np.zeros(len(vertex)), where=step > 0)
        part = np.clip(part, 0.0, 1.0)[:, None]
        return self.xy[vertex] + part * (self.xy[vertex + 1] - self.xy[vertex])


class Drawing:
    """Turns lengths of cable into shapes.

    ``network`` the network; its lines are brought to the output coordinate system once.
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        tables = network.tables
        self._forward = _to_output(tables)
        step = np.hypot(*np.diff(tables.lines.xy, axis=0).T) if len(tables.lines.xy) else np.empty(0)
        walked = np.concatenate([[0.0], np.cumsum(step)])
        line = network.pieces.line
        whole = np.bincount(line[line >= 0], minlength=len(tables.lines.owner)) == 1
        self.pieces = PieceLines(network.pieces, tables.lines.start, self.places(tables.lines.xy), walked, whole)

    def places(self, xy: Floats) -> Floats:
        """Planar metres to the output coordinate system, shape (n, 2)."""
        if self._forward is None or not len(xy):
            return xy
        return np.stack(self._forward.transform(xy[:, 0], xy[:, 1]), axis=1)

    def points(self, xy: Floats) -> PointSet:
        """Points of places in planar metres, shape (n, 2)."""
        out, good = np.full(xy.shape, np.nan), np.isfinite(xy).all(axis=1)
        out[good] = self.places(xy[good])
        return PointSet(out)

    def cables(self) -> tuple[Ints, LineSet]:
        """Cable row and lines of every drawn cable."""
        lines = self.network.tables.lines
        owner, _, count = _runs(lines.owner)
        return owner, LineSet(count, np.diff(lines.start), self.pieces.xy)

    def paths(self) -> SharedLines:
        """Walked path of every site from the site upstream, in pieces that begin where walks begin or come together."""
        walks, graph = self.network.walks, self.network.graph
        drawn = np.append(self.network.pieces.line >= 0, np.zeros(len(graph.a) - graph.n_pieces, bool))[walks.edges]
        edge, from_b = walks.edges[drawn], walks.from_b[drawn]
        site = np.repeat(np.arange(len(walks.section)), np.diff(walks.edge_start))[drawn]
        step = np.unique((walks.section[site] * len(graph.a) + edge) * 2 + from_b, return_inverse=True)[1]
        begins = heads(site)
        # as many walk a step as the one before, unless some begin at it, come in from elsewhere, or have left
        walkers = np.bincount(step)[step]
        begins[1:] |= walkers[1:] != walkers[:-1]
        at = np.flatnonzero(begins)
        _, chosen, piece = np.unique(step[at], return_index=True, return_inverse=True)
        count = np.diff(np.append(at, len(step)))
        held = Ragged(np.arange(len(step)), np.append(at, len(step))).taken(chosen)
        xy, vertices = self.pieces(edge[held.flat])
        xy = _turned(xy, vertices, from_b[held.flat])
        points = np.add.reduceat(vertices, held.start[:-1]) if len(chosen) else count
        goes_on = np.append(site[at[1:]] == site[at[:-1]], False) if len(at) else begins
        following = np.where(goes_on, np.append(piece[1:], -1), -1)[chosen] if len(at) else at
        first = np.full(len(walks.section), -1, np.int64)
        first[site[at][::-1]] = piece[::-1]
        return SharedLines(LineSet(np.ones(len(chosen), np.int64), points, xy), first, following)

    def ways(self, section: Ints) -> LineSet:
        """Way from each section's switching point to the next one above, as one line going up."""
        graph, upstream = self.network.graph, self.network.upstream
        stops = self.network.sections.stopping_edges()
        owner, node = np.arange(len(section)), self.network.sections.up[section]
        steps = [(owner[:0], owner[:0], np.empty(0, bool))]
        while len(node):
            edge = upstream.parent_edge[node]
            on = (edge >= 0) & ~stops[edge]
            owner, node, edge = owner[on], node[on], edge[on]
            from_b = graph.b[edge] == node
            steps.append((owner, edge, from_b))
            node = np.where(from_b, graph.a[edge], graph.b[edge])
        owner, edge, from_b = (np.concatenate(part) for part in zip(*steps, strict=True))
        order = np.argsort(owner, kind="stable")
        order = order[edge[order] < graph.n_pieces]
        xy, count = self.pieces(edge[order])
        number = np.bincount(owner[order], weights=count, minlength=len(section)).astype(np.int64)
        return LineSet((number > 0).astype(np.int64), number[number > 0], _turned(xy, count, from_b[order]))


def _runs(key: Ints) -> tuple[Ints, Ints, Ints]:
    """Distinct keys of a rising array, the first place of each, and how often it stands there."""
    first = np.flatnonzero(np.diff(key, prepend=-1))
    return key[first], first, np.diff(np.append(first, len(key)))


def _to_output(tables: NetworkTables) -> Transformer | None:
    if tables.working_crs == tables.output_crs:
        return None
    return projection(tables.working_crs, tables.output_crs)


def _turned(xy: Floats, count: Ints, backward: Bools) -> Floats:
    start = np.repeat(np.cumsum(count) - count, count)
    size, turn = np.repeat(count, count), np.repeat(backward, count)
    inside = np.arange(len(xy)) - start
    return xy[start + np.where(turn, size - 1 - inside, inside)]
