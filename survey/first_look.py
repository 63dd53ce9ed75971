"""Whether what was read can be the network that was meant: what a person looks at first, before any study."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from survey.assess.cable_types import typed_capacitance
from survey.network import Network
from survey.physics.catalogue import Catalogue
from survey.read.tables import LeftOut
from survey.settings import Settings

MOST = 0.5
SAME_VOLTAGE = 0.25  # rated 13.8 kV on a system of 12.47 kV agrees; voltage to neutral, or kV for codes, does not
ONE_SPOT_M, SOME = 20.0, 3  # cables that all lie on one spot: degrees read as metres; judgement
ROUNDED = 0.05  # 7.2 for 12.47 / sqrt(3), 13.8 beside 7.6
MANY_LINES = 0.05  # a layer of lines with so many rows as a share of the cables is no trifle


@dataclass(frozen=True)
class FirstLook:
    """Counts that tell whether settings fit an export.

    ``sites``, ``reached``, ``with_point`` three-phase sites; those with a supply; those with a single-pole point
    that exposes them, or on their ring; ``points``, ``sources`` single-pole devices that are placed and closed;
    sources; ``metres``, ``fed_m`` cable and line in the network; what of it has a closed way to a source;
    ``shielded_m``, ``typed_m`` shielded cable; what of it has a type that is understood, or a capacitance;
    ``compared``, ``agree``, ``by_root_3`` sites whose own and whose cable's voltage are known; those where they
    agree; those where one is of the other what the voltage to neutral is of that between phases; ``rows`` rows read
    of each role; ``left_out`` layers of the export that no role is made of; ``across_m`` how far the cables reach.
    """

    sites: int
    reached: int
    with_point: int
    points: int
    sources: int
    metres: int
    fed_m: int
    shielded_m: int
    typed_m: int
    compared: int
    agree: int
    by_root_3: int
    rows: dict[str, int]
    left_out: tuple[LeftOut, ...]
    across_m: float

    def record(self) -> dict[str, Any]:
        """Counts for ``run.json``, with what is alarming in words."""
        return {**asdict(self), "look_first": list(self.alarms())}

    def alarms(self) -> Iterator[str]:
        """What must be wrong with the settings or the export, in words, the likeliest cause first."""
        cables = self.rows["cables"]
        for layer in self.left_out:
            if layer.drawn == "lines" and layer.rows >= max(MANY_LINES * cables, 1):
                yield f"layer {layer.name} of {layer.rows:,} lines is left out (cables: {cables:,})"
        yield from self._unlike_a_network()
        if self.sites - self.reached > MOST * self.sites:
            yield f"{self.sites - self.reached:,} of {self.sites:,} sites are unreached"
        if self.reached - self.with_point > MOST * max(self.reached, 1):
            without = self.reached - self.with_point
            yield f"no single-pole device takes {without:,} of {self.reached:,} sites off supply"
        if self.sources and self.metres - self.fed_m > MOST * self.metres:
            yield f"{(self.metres - self.fed_m) / 1e3:,.1f} of {self.metres / 1e3:,.1f} km have no source"
        if self.compared - self.agree > MOST * self.compared:
            other = self.compared - self.agree
            to_neutral = ", most as if one was to neutral" if self.by_root_3 > MOST * other else ""
            yield f"the voltages of {other:,} of {self.compared:,} sites and of the cable there differ{to_neutral}"

    def _unlike_a_network(self) -> Iterator[str]:
        if self.rows["cables"] >= SOME and 0 < self.across_m < ONE_SPOT_M:
            yield f"all cables lie within {self.across_m:.3g} m: look at their coordinate system (input.crs)"
        if not self.sites:
            yield f"not one of {self.rows['transformers']:,} rows of transformers is a three-phase site"


def take_first_look(network: Network, *, settings: Settings) -> FirstLook:
    """Count what tells whether the settings fit the export."""
    tables = network.tables
    shielded_m, typed_m = _typed(network, settings)
    compared, agree, by_root_3 = _voltages(network)
    dead = network.health["metres_without_source"]
    return FirstLook(
        sites=len(tables.transformers),
        reached=int(network.walks.supplied.sum()),
        with_point=int(((network.walks.section >= 0) | network.walks.looped).sum()),
        points=len(network.sections.device),
        sources=len(tables.sources),
        metres=network.health["metres"],
        fed_m=network.health["metres"] - dead,
        shielded_m=round(shielded_m),
        typed_m=round(typed_m),
        compared=compared,
        agree=agree,
        by_root_3=by_root_3,
        rows={name: counts["in"] for name, counts in tables.counts.items()},
        left_out=tables.left_out,
        across_m=float(np.ptp(tables.lines.xy, axis=0).max()) if len(tables.lines.xy) else 0.0,
    )


def _typed(network: Network, settings: Settings) -> tuple[float, float]:
    """Metres of shielded cable, and those with a type that is understood or a capacitance on record."""
    cables, pieces = network.tables.cables, network.pieces
    metres = np.bincount(pieces.cable, weights=pieces.length_m, minlength=len(cables))
    kinds = cables["cable_type"].cat
    voltage = np.full(len(kinds.categories), np.nanmedian(np.append(cables["voltage_v"], 1.0)))
    found = typed_capacitance(
        list(kinds.categories), voltage, catalogue=Catalogue.load(), patterns=settings.input.cable_type_patterns
    )
    known = np.isin(found.origin, ["type", "text"])[kinds.codes] | cables["cap_f_m"].notna().to_numpy()
    shielded = cables["shielded"].to_numpy(bool)
    return float(metres[shielded].sum()), float(metres[shielded & known].sum())


def _voltages(network: Network) -> tuple[int, int, int]:
    """Sites whose voltage can be compared with that of the cable where they stand: all, the same, sqrt(3) apart."""
    graph, pieces, tables = network.graph, network.pieces, network.tables
    volts = np.nan_to_num(tables.cables["voltage_v"].to_numpy())[pieces.cable]
    there = network.site_node >= 0
    at_node, of_site = np.zeros(graph.n_nodes), np.zeros(graph.n_nodes, bool)
    of_site[network.site_node[there]] = True
    for end in (pieces.u, pieces.v):
        mine = of_site[end]
        np.maximum.at(at_node, end[mine], volts[mine])
    here = at_node[network.site_node[there]]
    rated = tables.transformers["voltage_v"].to_numpy()[there]
    both = (here > 0) & (rated > 0)
    ratio = rated[both] / here[both]
    to_neutral = np.abs(np.maximum(ratio, 1 / ratio) / np.sqrt(3) - 1) <= ROUNDED
    return int(both.sum()), int((np.abs(ratio - 1) <= SAME_VOLTAGE).sum()), int(to_neutral.sum())
