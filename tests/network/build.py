"""Small networks from short lists, and what the survey says of them, by asset id."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from pyproj import CRS

from survey.findings import FindingList
from survey.input_schema import phase_mask
from survey.network import Network, build_network
from survey.read.tables import THREE_PHASE, Lines, NetworkTables
from survey.settings import NetworkSettings

MASKS = {"A": 1, "B": 2, "C": 4}
WORKING_CRS = CRS.from_epsg(32633)
TEXT = pd.StringDtype("pyarrow", na_value=np.nan)


@dataclass(frozen=True)
class Cable:
    """A cable: drawn (``xy``: one line, or a list of lines), by node ids, or both."""

    id: str
    ends: tuple[str, str] = ("", "")
    xy: tuple = ()
    length_m: float = np.nan
    phases: str = "ABC"
    build: str = "ug"
    kv: float = 12.47


def drawn(cable_id: str, *xy, **more) -> Cable:
    """A cable drawn through the given places."""
    return Cable(cable_id, xy=(xy,), **more)


def named(cable_id: str, start: str, end: str, length_m: float = np.nan, **more) -> Cable:
    """A cable between two node ids."""
    return Cable(cable_id, (start, end), length_m=length_m, **more)


def oh(cable: Cable) -> Cable:
    """The same as an overhead line."""
    return Cable(**{**cable.__dict__, "build": "oh"})


def tables(cables, *, sites=(), switches=(), sources=(), units=(), sort=True) -> NetworkTables:
    """Tables from short rows.

    ``sites``: (id, place), perhaps with the kV; ``switches``: (id, place, word ...) with words of ``three, open,
    open=B, guards=...``; ``sources``: (id, place). A place is a node id or (x, y); (x, y) may also follow a node id.
    """
    if sort:
        cables, sites, switches, sources = (
            sorted(cables, key=lambda c: c.id),
            *(sorted(rows, key=lambda r: r[0]) for rows in (sites, switches, sources)),
        )
    return NetworkTables(
        cables=_cable_table(cables),
        lines=_lines(cables),
        transformers=_site_table(sites),
        switches=_switch_table(switches),
        sources=_points("source_id", sources),
        one_phase=_unit_table(units),
        working_crs=WORKING_CRS,
        output_crs=WORKING_CRS,
    )


def _text(values) -> pd.Series:
    return pd.Series(list(values), dtype=TEXT)


def _cable_table(cables) -> pd.DataFrame:
    drawn_m = [sum(_length(line) for line in c.xy) if c.xy else np.nan for c in cables]
    return pd.DataFrame(
        {
            "cable_id": _text(c.id for c in cables),
            "feeder": _text("F" for _ in cables),
            "phases": np.array([sum(MASKS[p] for p in c.phases) for c in cables], np.uint8),
            "voltage_v": np.array([c.kv * 1e3 for c in cables], float),
            "shielded": np.array([c.build == "ug" for c in cables], bool),
            "cable_type": _text("" for _ in cables),
            "cap_f_m": np.full(len(cables), np.nan),
            "length_m": np.array([c.length_m for c in cables], float),
            "drawn_m": np.array(drawn_m, float),
            "from_node": _text(c.ends[0] for c in cables),
            "to_node": _text(c.ends[1] for c in cables),
            "row": np.arange(len(cables)),
        }
    )


def _length(line) -> float:
    return float(np.hypot(*np.diff(np.array(line, float), axis=0).T).sum())


def _lines(cables) -> Lines:
    lines = [(row, np.array(line, float)) for row, c in enumerate(cables) for line in c.xy]
    return Lines(
        xy=np.concatenate([xy for _, xy in lines]) if lines else np.empty((0, 2)),
        start=np.cumsum([0, *(len(xy) for _, xy in lines)]).astype(np.int64),
        owner=np.array([row for row, _ in lines], np.int64),
        ground_m=np.array([_length(xy) for _, xy in lines], float),
    )


def _points(id_name: str, rows) -> pd.DataFrame:
    place = [r[1] for r in rows]
    places = [next((x for x in r[1:] if isinstance(x, tuple)), (np.nan, np.nan)) for r in rows]
    xy = np.array(places, float).reshape(-1, 2)
    return pd.DataFrame(
        {
            id_name: _text(r[0] for r in rows),
            "node": _text(p if isinstance(p, str) else "" for p in place),
            "x": xy[:, 0],
            "y": xy[:, 1],
            "lon": xy[:, 0] / 1e5,
            "lat": xy[:, 1] / 1e5,
            "row": np.arange(len(rows)),
        }
    )


def _site_table(rows) -> pd.DataFrame:
    table = _points("site_id", rows)
    table["voltage_v"] = np.array(
        [next((x for x in r[2:] if isinstance(x, (int, float))), 12.47) * 1e3 for r in rows], float
    )
    table["rating_va"] = np.full(len(rows), 500e3)
    return table


def _unit_table(rows) -> pd.DataFrame:
    """Single-phase units: (id, place, phase), 25 kVA each."""
    table = _points("site_id", rows)
    table["phases"] = np.array([MASKS[r[2]] for r in rows], np.uint8)
    table["rating_va"] = np.full(len(rows), 25e3)
    return table


def _open_phases(words) -> int:
    """Mask of the open poles: ``open`` all, ``open=B`` one."""
    return next((phase_mask(w[5:]) if w[4:] else THREE_PHASE for w in words if w.startswith("open")), 0)


def _switch_table(rows) -> pd.DataFrame:
    table = _points("switch_id", rows)
    words = [[x for x in r[2:] if isinstance(x, str)] for r in rows]
    table["single_pole"] = np.array(["three" not in w for w in words], bool)
    table["open_phases"] = np.array([_open_phases(w) for w in words], np.uint8)
    table["open"] = table["open_phases"] == THREE_PHASE
    table["device"] = _text("" for _ in rows)
    table["guards"] = _text(next((x[7:] for x in w if x.startswith("guards=")), "") for w in words)
    return table


@dataclass(frozen=True)
class Survey:
    """A built network, read by asset ids."""

    network: Network
    findings: FindingList = field(default_factory=FindingList)

    @property
    def tables(self) -> NetworkTables:
        return self.network.tables

    @cached_property
    def _ids(self) -> dict[str, list[str]]:
        layers = ("cables", "transformers", "switches", "sources")
        return {layer: getattr(self.tables, layer).iloc[:, 0].tolist() for layer in layers}

    @cached_property
    def _rows(self) -> dict[str, dict[str, int]]:
        return {layer: {name: row for row, name in enumerate(ids)} for layer, ids in self._ids.items()}

    @cached_property
    def _slots(self) -> dict[int, int]:
        return {row: k for k, row in enumerate(self.network.sections.device.tolist())}

    @cached_property
    def _units(self) -> np.ndarray:
        phases, network = self.tables.one_phase["phases"].to_numpy(np.int64), self.network
        return network.sections.phase_totals(network.unit_node, phases, np.ones(len(phases)))

    def ids(self, layer: str) -> list[str]:
        return self._ids[layer]

    def walk(self, site: str):
        """``(switch_id or "no_single_pole", path_length_m, path_cable_m)``, or ``"unreached"``."""
        i, walks = self._rows["transformers"][site], self.network.walks
        if not walks.supplied[i]:
            assert walks.section[i] == -1
            assert np.isnan([walks.length_m[i], walks.cable_m[i]]).all()
            return "unreached"
        name = "no_single_pole"
        if walks.section[i] >= 0:
            name = self.ids("switches")[self.network.sections.device[walks.section[i]]]
        return name, round(float(walks.length_m[i]), 6), round(float(walks.cable_m[i]), 6)

    def walks(self):
        return {site: self.walk(site) for site in self.ids("transformers")}

    def gang(self, site: str) -> str:
        row = self.network.walks.gang[self._rows["transformers"][site]]
        return self.ids("switches")[row] if row >= 0 else ""

    def path(self, site: str) -> list[str]:
        """Cables walked, in the order walked; pieces of one cable that follow each other are one."""
        walks, graph, i = self.network.walks, self.network.graph, self._rows["transformers"][site]
        edges = walks.edges[walks.edge_start[i] : walks.edge_start[i + 1]]
        names = [self.ids("cables")[self.network.pieces.cable[e]] for e in edges if e < graph.n_pieces]
        return [n for k, n in enumerate(names) if k == 0 or n != names[k - 1]]

    def upstream(self, switch: str) -> str:
        """Switching point above a switching point."""
        above = self.network.walks.upstream[self._slot(switch)]
        return self.ids("switches")[self.network.sections.device[above]] if above >= 0 else ""

    def gang_above(self, switch: str) -> bool:
        """A three-pole device stands between a switching point and the one above."""
        return bool(self.network.walks.gang_above[self._slot(switch)])

    def section(self, switch: str):
        """``(cables, phase-weighted metres, sites)`` on the exposed section; cables and sites by id, sorted."""
        return self.sections([switch])[switch]

    def sections(self, switches=None):
        sections, graph = self.network.sections, self.network.graph
        rows = list(sections.device)
        names = [self.ids("switches")[r] for r in rows] if switches is None else switches
        which = np.array([self._slot(n) for n in names], np.int64)
        metres = sections.total(graph.length_m[: graph.n_pieces])[which]
        owner, piece = sections.pieces(which)
        cables = np.array(self.ids("cables"), object)[self.network.pieces.cable[piece]]
        at, site = sections.members(which, self.network.site_node)
        sites = np.array(self.ids("transformers"), object)[site]
        count = sections.site_totals(self.network.site_node, np.ones((1, len(self.network.site_node))))[0, which]
        result = {}
        for k, name in enumerate(names):
            mine = sorted(sites[at == k])
            assert count[k] == len(mine)
            assert sections.exposes[which[k]] == bool(any(v.exposes[which[k]] for v in sections.views))
            result[name] = (sorted(set(cables[owner == k])), round(float(metres[k]), 6), mine)
        return result

    def units(self, switch: str) -> list[int]:
        """Number of single-phase units on the exposed section, pole by pole."""
        return self._units[:, self._slot(switch)].astype(int).tolist()

    def exposes(self, switch: str) -> bool:
        return bool(self.network.sections.exposes[self._slot(switch)])

    def _slot(self, switch: str) -> int:
        return self._slots[self._rows["switches"][switch]]

    def found(self, rule: str) -> list[tuple[str, ...]]:
        """Ids of every finding of a rule."""
        return [f.ids for f in self.findings.of(rule)]

    @property
    def rules(self) -> set[str]:
        return {f.rule for f in self.findings}

    def joined(self, *ends) -> bool:
        """The given cable ends, ``(cable_id, 0 or 1)``, are one node."""
        nodes = set()
        for cable, end in ends:
            piece = np.flatnonzero(self.network.pieces.cable == self._rows["cables"][cable])
            nodes.add(int(self.network.pieces.v[piece[-1]] if end else self.network.pieces.u[piece[0]]))
        return len(nodes) == 1

    def pieces(self, cable: str) -> list[float]:
        """Lengths of the pieces of one cable, in drawn order, metres."""
        rows = np.flatnonzero(self.network.pieces.cable == self._rows["cables"][cable])
        return [round(float(x), 6) for x in self.network.pieces.length_m[rows]]


def survey(cables, *, sites=(), switches=(), sources=(), units=(), sort=True, **settings) -> Survey:
    """Build the network of short rows, see :func:`tables`."""
    clean = tables(cables, sites=sites, switches=switches, sources=sources, units=units, sort=sort)
    findings = FindingList()
    return Survey(build_network(clean, settings=NetworkSettings(**settings), findings=findings), findings)
