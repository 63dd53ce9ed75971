"""An invented network, drawn by chance, and the truth about it by brute force: no code of the survey is used here."""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass, field

POLES = "ABC"
Place = tuple[float, float]
Edges = dict[object, list[tuple[object, str]]]


@dataclass
class Section:
    """A piece of cable or line between two places."""

    id: str
    ends: tuple[Place, Place]
    ug: bool
    phases: str
    feeder: str
    length_m: float
    size: str
    material: str
    life: str = "in"


@dataclass
class Device:
    """A device at a place, between it and a section."""

    id: str
    at: Place
    guards: str
    kind: str
    feeder: str
    open: str = ""
    told: bool = False

    @property
    def single(self) -> bool:
        return self.kind in ("cutout", "elbow", "blade")


@dataclass
class Bank:
    """Transformers at one place; ``units`` are (phases, kVA)."""

    id: str
    at: Place
    feeder: str
    units: list[tuple[str, float]]
    connection: str
    core: str
    customers: int


@dataclass
class Grid:
    """All of it."""

    sections: list[Section] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)
    banks: list[Bank] = field(default_factory=list)
    sources: list[tuple[str, Place, str]] = field(default_factory=list)
    secondary: list[tuple[Place, Place]] = field(default_factory=list)


class Builder:
    """Draws a grid: overhead mains with gang switches, risers with cutouts, cables with elbows, open ties, banks."""

    def __init__(self, seed: int, *, partly_open: bool) -> None:
        self.random, self.grid = random.Random(seed), Grid()
        self.partly_open = partly_open

    def build(self, feeders: int) -> Grid:
        for number in range(feeders):
            self._feeder(f"F{number + 1}", x=2000.0 * number)
        return self.grid

    def _section(
        self, start: Place, end: Place, feeder: str, *, ug: bool, phases: str = "ABC", life: str = "in"
    ) -> str:
        drawn = ((start[0] - end[0]) ** 2 + (start[1] - end[1]) ** 2) ** 0.5
        name = f"{'U' if ug else 'H'}{len(self.grid.sections) + 1001}"
        size, material = self.random.choice([("1/0", "AL"), ("4/0", "AL"), ("500", "CU"), ("750", "AL")])
        length = round(drawn * self.random.uniform(1.0, 1.02), 2)
        self.grid.sections.append(Section(name, (start, end), ug, phases, feeder, length, size, material, life))
        return name

    def _device(self, at: Place, guards: str, kind: str, feeder: str, *, told: bool = False, is_open: str = "") -> None:
        self.grid.devices.append(Device(f"D{len(self.grid.devices) + 5001}", at, guards, kind, feeder, is_open, told))

    def _bank(self, at: Place, feeder: str, units: list[tuple[str, float]]) -> None:
        number = len(self.grid.banks) + 301
        connection, core = self.random.choice(
            [("grounded_wye", "five_legged"), ("delta", "three_legged"), ("grounded_wye", "separate")]
        )
        self.grid.banks.append(Bank(f"T{number}", at, feeder, units, connection, core, self.random.randrange(1, 90)))
        self.grid.secondary.append((at, (at[0] + 9.0, at[1] + 13.0)))

    def _feeder(self, feeder: str, x: float) -> None:
        self.grid.sources.append((f"SB-{feeder}", (x, 0.0), feeder))
        y, dead_ends = 0.0, []
        for span in range(12):
            last, y = y, y + 120.0
            name = self._section((x, last), (x, y), feeder, ug=False)
            if span % 5 == 3:
                self._device((x, last), name, "gang", feeder)
            elif span % 3 == 0:
                dead_ends.append(self._lateral((x, y), feeder))
            elif span % 3 == 1:
                self._tap((x, y), feeder, single=bool(span % 2))
        self._ties(feeder, dead_ends)

    def _tap(self, at: Place, feeder: str, *, single: bool) -> None:
        """A cutout on the way to a bank of three units, or to single-phase transformers."""
        phases = self.random.choice(POLES) if single else "ABC"
        middle, end = (at[0] - 20.0, at[1]), (at[0] - 90.0, at[1])
        self._section(at, middle, feeder, ug=False, phases=phases)
        beyond = self._section(middle, end, feeder, ug=False, phases=phases)
        self._device(middle, beyond, "cutout", feeder)
        self._bank(end, feeder, [(phases, 25.0)] if single else [(pole, 50.0) for pole in POLES])

    def _lateral(self, at: Place, feeder: str) -> Place:
        """A riser, then cables with sites; some elbows on the way; the last end may be tied to another lateral."""
        here, first = at, True
        for step in range(self.random.randrange(3, 6)):
            there = (here[0] + self.random.uniform(60.0, 160.0), here[1] + self.random.uniform(-20.0, 20.0))
            last = self._section(here, there, feeder, ug=True)
            if first:
                open_pole = self.random.choice(POLES) if self.partly_open and self.random.random() < 0.25 else ""
                self._device(here, last, "cutout", feeder, is_open=open_pole)
            elif self.random.random() < 0.4:
                self._device(here, last, "elbow", feeder, told=True)
            elif step == 2 and self.random.random() < 0.5:
                self._device(here, last, "rmu", feeder, told=True)
            self._bank(there, feeder, [("ABC", self.random.choice([150.0, 300.0, 500.0]))])
            here, first = there, False
        return here

    def _ties(self, feeder: str, ends: list[Place]) -> None:
        """Cables between laterals that are open at one end, and cables that are gone or not yet built."""
        for one, other in zip(ends[::2], ends[1::2], strict=False):
            tie = self._section(one, other, feeder, ug=True)
            self._device(one, tie, "elbow", feeder, told=True, is_open="ABC")
        for one, life in zip(ends, ("out", "plan", "out"), strict=False):
            self._section(one, (one[0], 0.0), feeder, ug=True, life=life)
            self._section((one[0], 0.0), self.grid.sources[-1][1], feeder, ug=True, life=life)


def truth(grid: Grid) -> dict[str, tuple[str, float]]:
    """Nearest single-pole device upstream of every three-phase bank, and the cable that it exposes, metres."""
    sections = {s.id: s for s in grid.sections if s.life == "in"}
    found = {}
    for bank in grid.banks:
        if {pole for phases, _ in bank.units for pole in phases} == set(POLES):
            found[bank.id] = _upstream(grid, sections, bank.at)
    return found


def _upstream(grid: Grid, sections: dict[str, Section], at: Place) -> tuple[str, float]:
    """The way from a source, longest first; devices on it from the site on."""
    way = _way(grid, sections, at)
    for device in reversed(way):
        if device.single:
            before, after = (_cable_poles(grid, sections, without=gone) for gone in (None, device))
            lost = before - after
            exposed = sum(sections[name].length_m / 3 for name, _ in lost if sections[name].ug)
            if lost:
                return device.id, exposed
    return "", 0.0


def _edges(
    grid: Grid, sections: dict[str, Section], pole: str, without: Device | None
) -> dict[object, list[tuple[object, str]]]:
    """Neighbours of every place on one pole; a device stands between its place and the section it guards."""
    cut = {(d.guards, d.at) for d in grid.devices if pole in d.open or d is without}
    edges: Edges = defaultdict(list)
    for name, section in sections.items():
        if pole not in section.phases:
            continue
        ends = [(name, end) if (name, end) in cut else end for end in section.ends]
        edges[ends[0]].append((ends[1], name))
        edges[ends[1]].append((ends[0], name))
    return edges


def _cable_poles(grid: Grid, sections: dict[str, Section], *, without: Device | None) -> set[tuple[str, str]]:
    """Sections and poles that have a supply."""
    alive = set()
    for pole in POLES:
        edges = _edges(grid, sections, pole, without)
        seen: set[object] = {place for _, place, _ in grid.sources}
        todo = list(seen)
        while todo:
            for place, name in edges[todo.pop()]:
                alive.add((name, pole))
                if place not in seen:
                    seen.add(place)
                    todo.append(place)
    return alive


def _way(grid: Grid, sections: dict[str, Section], at: Place) -> list[Device]:
    """Closed devices on the way from a source to a place, on whichever poles."""
    guards = {(d.guards, d.at): d for d in grid.devices}
    edges: Edges = defaultdict(list)
    for pole in POLES:
        for place, next_ones in _edges(grid, sections, pole, None).items():
            edges[place] += next_ones
    todo: list[tuple[object, list[Device]]] = [(place, []) for _, place, _ in grid.sources]
    seen = {place for place, _ in todo}
    while todo:
        place, way = todo.pop(0)
        if place == at:
            return way
        for other, name in edges[place]:
            if other not in seen:
                seen.add(other)
                passed = [guards[name, end] for end in sections[name].ends if (name, end) in guards]
                todo.append((other, [*way, *sorted(passed, key=lambda d: d.at != place)]))
    return []
