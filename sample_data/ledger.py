"""The invented utility's records: cables, transformers, switches and sources as rows, ids given in order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
import shapely
from shapely import LineString, Point
from shapely.ops import substring
from shapes import Place

Row = dict[str, Any]
Choice = TypeVar("Choice")

# Ratings in kVA of what hangs on poles (a bank's three units together) and of what stands on the ground.
POLE_KVA = (45.0, 75.0, 75.0, 112.5, 150.0, 150.0, 225.0)
PAD_KVA = (75.0, 112.5, 150.0, 150.0, 225.0, 300.0, 300.0, 500.0, 750.0)
PLANT_KVA = (300.0, 500.0, 750.0, 750.0, 1000.0, 1500.0, 2000.0, 2500.0)


@dataclass(frozen=True)
class Circuit:
    """A feeder: its name, voltage and the district that its records carry."""

    feeder: str
    kv: float
    district: str

    @property
    def number(self) -> str:
        """Number in the ids."""
        return self.feeder.split("-")[1]

    def within(self, district: str) -> Circuit:
        """The same feeder in another district."""
        return replace(self, district=district)


@dataclass(frozen=True)
class Unit:
    """How a transformer is built; ``era`` is ``old``, ``middle`` or ``new``."""

    kva: float
    connection: str | None
    core: str | None
    era: str
    customers: int = 1
    critical: int = 0
    load_share: float | None = None


@dataclass
class Ledger:
    """Gathers records. Ends of cables are drawn up to 5 cm off their joint, lengths recorded with some slack."""

    rng: np.random.Generator
    cables: list[Row] = field(default_factory=list)
    transformers: list[Row] = field(default_factory=list)
    switches: list[Row] = field(default_factory=list)
    sources: list[Row] = field(default_factory=list)
    _given: Counter[str] = field(default_factory=Counter)

    def cable(
        self, path: LineString, circuit: Circuit, *, cable_type: str | None = None, phases: str = "ABC", **more: object
    ) -> str:
        """Record a cable; one with a ``cable_type`` (which may be "") is under ground, others are overhead."""
        cable_id = self._next("C", circuit)
        underground = cable_type is not None
        line = self._loosened(path)
        row = {
            "cable_id": cable_id, "feeder": circuit.feeder, "phases": phases, "kv": circuit.kv,
            "build": "ug" if underground else "oh", "cable_type": cable_type or None, "cap_nf_km": None,
            "length_m": self._recorded(line.length, underground=underground), "geometry": line,
        }  # fmt: skip
        self.cables.append(row | more)
        return cable_id

    def site(self, place: Place, circuit: Circuit, *, unit: Unit, phases: str = "ABC", **more: object) -> str:
        """Record one transformer."""
        site_id = self._next("T", circuit)
        loss_share, exciting = self._losses(unit)
        known = self.rng.random() < 0.8
        row = {
            "site_id": site_id, "phases": phases, "bank_id": None, "kva": unit.kva, "kv": circuit.kv,
            "connection": unit.connection, "core": unit.core,
            "nll_w": round(loss_share * unit.kva * 10, 0) if known else None,
            "exc_pct": round(exciting, 2) if known and self.rng.random() < 0.85 else None,
            "minload_kw": None if unit.load_share is None else round(unit.load_share * unit.kva, 1),
            "feeder": circuit.feeder, "district": circuit.district, "customers": unit.customers,
            "critical": unit.critical, "geometry": self._near(place, off_m=0.3),
        }  # fmt: skip
        self.transformers.append(row | more)
        return site_id

    def bank(self, place: Place, circuit: Circuit, *, unit: Unit) -> str:
        """Record a bank of three single-phase units on one pole."""
        bank_id = self._next("B", circuit)
        one = replace(unit, kva=unit.kva / 3, customers=0)
        for phase in "ABC":
            customers = unit.customers if phase == "A" else 0
            self.site(place, circuit, unit=one, phases=phase, bank_id=bank_id, customers=customers)
        return bank_id

    def switch(self, place: Place, circuit: Circuit, *, device: str, guards: str | None = None, **more: object) -> str:
        """Record a switching device; gang switches, reclosers, breakers and switchgear are three-pole."""
        switch_id = self._next("S", circuit)
        three = device.startswith(("gang", "recloser", "breaker", "switchgear"))
        row = {
            "switch_id": switch_id, "poles": "three" if three else "single", "device": device, "state": "closed",
            "guards": guards, "feeder": circuit.feeder, "geometry": self._near(place, off_m=0.2),
        }  # fmt: skip
        self.switches.append(row | more)
        return switch_id

    def source(self, place: Place, circuit: Circuit) -> None:
        """Record where a feeder is supplied."""
        row = {"source_id": f"SRC-{circuit.number}", "feeder": circuit.feeder, "geometry": Point(place)}
        self.sources.append(row)

    def is_clear(self, path: LineString, *, beyond_m: float = 4.0) -> bool:
        """Whether a path keeps off everything drawn so far, but for its first metres."""
        rest = substring(path, beyond_m, path.length)
        return not shapely.dwithin([row["geometry"] for row in self.cables], rest, 3.0).any()

    def pick(self, choices: Sequence[Choice], weights: Sequence[float] | None = None) -> Choice:
        """One of several, by weight."""
        shares = None if weights is None else np.asarray(weights) / np.sum(weights)
        return choices[int(self.rng.choice(len(choices), p=shares))]

    def _next(self, letter: str, circuit: Circuit) -> str:
        key = f"{letter}-{circuit.number}"
        self._given[key] += 1
        return f"{key}-{self._given[key]:04d}"

    def _loosened(self, path: LineString) -> LineString:
        xy = np.array(path.coords)
        for end in (0, -1):
            if self.rng.random() < 0.35:
                angle, size = self.rng.uniform(0, 2 * np.pi), self.rng.uniform(0.005, 0.045)
                xy[end] += size * np.array([np.cos(angle), np.sin(angle)])
        return LineString(np.round(xy, 3))

    def _near(self, place: Place, *, off_m: float) -> Point:
        x, y = np.asarray(place) + self.rng.uniform(-off_m, off_m, 2)
        return Point(round(float(x), 3), round(float(y), 3))

    def _recorded(self, drawn_m: float, *, underground: bool) -> float | None:
        if self.rng.random() < (0.12 if underground else 0.3):
            return None
        slack = self.rng.uniform(0, 0.02) if underground else self.rng.uniform(0, 0.006)
        ends = self.rng.uniform(0, 1.2) if underground else 0.0
        return round(drawn_m * (1 + slack) + ends, 1)

    def _losses(self, unit: Unit) -> tuple[float, float]:
        """No-load loss in % of rating and exciting current in %: by the type's data sheet, now and then as measured.

        Losses fall with rating and with years; each era had two makes.
        """
        base = 0.33 * (unit.kva / 30) ** -0.27
        makes = {
            "old": ((1.9, 1.8), (2.1, 1.3)),
            "middle": ((1.25, 0.9), (1.4, 0.7)),
            "new": ((0.95, 0.5), (0.9, 0.35)),
        }
        factor, exciting = self.pick(makes[unit.era])
        spread = self.rng.uniform(0.92, 1.06) if self.rng.random() < 0.08 else 1.0
        loss = base * factor * spread
        return loss, max(exciting * spread, 1.35 * loss)
