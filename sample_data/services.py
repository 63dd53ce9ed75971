"""What hangs on a feeder: poles, risers, padmounts, loops, cabinets, branches. One function a kind of service."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from ledger import PAD_KVA, PLANT_KVA, POLE_KVA, Circuit, Ledger, Unit
from numpy.typing import NDArray
from shapely import LineString
from shapes import Place, at, cut, dead_end_street, normal, service_path, shifted, turned

Vector = NDArray[np.float64]
Start = tuple[Place, Vector]

# Cable types by voltage class: (type, weight); "" is a cable whose type nobody recorded.
BRANCH_CABLE = {
    12.47: (("1/0 TR-XLPE 15kV 133%", 8), ("#2 TR-XLPE 15kV 133%", 4), ("1/0 XLPE 15kV 133%", 4),
            ("1/0 EPR 15kV 133%", 2), ("4/0 TR-XLPE 15kV 133%", 2), ("", 2)),
    24.9: (("1/0 TR-XLPE 25kV 100%", 8), ("4/0 TR-XLPE 25kV 100%", 3), ("1/0 XLPE 25kV 100%", 3),
           ("#1 EPR 25kV 133%", 1), ("", 2)),
}  # fmt: skip
MAIN_CABLE = {12.47: "500 TR-XLPE 15kV 100%", 24.9: "750 TR-XLPE 25kV 100%"}

# Connection, core and weight of three-phase transformers by kind of place.
WINDINGS = {
    "pole": (("floating_wye", "separate", 3), ("grounded_wye", "separate", 8), ("delta", "separate", 1),
             ("open_wye", "separate", 2)),
    "old": (("grounded_wye", "five_legged", 7), ("delta", "three_legged", 1), ("grounded_wye", "separate", 7),
            ("floating_wye", "three_legged", 1), ("grounded_wye", "three_legged", 1)),
    "suburb": (("grounded_wye", "five_legged", 5), ("grounded_wye", "separate", 10), ("grounded_wye", None, 1)),
    "plant": (("grounded_wye", "five_legged", 8), ("delta", "three_legged", 2), ("grounded_wye", "separate", 6),
              ("floating_wye", "three_legged", 1)),
    "rural": (("grounded_wye", "separate", 5), ("floating_wye", "separate", 3), ("delta", "separate", 1),
              ("open_delta", "separate", 1), ("grounded_wye", "five_legged", 2)),
}  # fmt: skip
RATINGS = {"pole": POLE_KVA, "old": PAD_KVA, "suburb": PAD_KVA[:-1], "plant": PLANT_KVA, "rural": POLE_KVA}
ERAS = {"pole": (3, 3, 1), "old": (4, 3, 1), "suburb": (0, 2, 5), "plant": (1, 3, 3), "rural": (4, 2, 1)}
LOAD_SHARES = {"pole": 0.35, "old": 0.5, "suburb": 0.45, "plant": 0.5, "rural": 0.2}


@dataclass(frozen=True)
class Area:
    """Where records are being made: the ledger, the feeder and the kind of place."""

    ledger: Ledger
    circuit: Circuit
    style: str

    def unit(self, style: str | None = None, *, kva: float | None = None, critical: int = 0) -> Unit:
        """A three-phase transformer as it would be found here."""
        pick, rng, style = self.ledger.pick, self.ledger.rng, style or self.style
        connection, core, _ = pick(WINDINGS[style], [w for _, _, w in WINDINGS[style]])
        rating = kva or float(pick(RATINGS[style]))
        load = round(rng.uniform(0.01, 0.12), 3) if rng.random() < LOAD_SHARES[style] else None
        customers = 1 if style in {"plant", "rural"} else int(1 + rng.poisson(rating / 30))
        era = pick(("old", "middle", "new"), ERAS[style])
        return Unit(rating, connection, core, era, customers=customers, critical=critical, load_share=load)

    def branch_cable(self) -> str:
        """Type of a branch cable."""
        types = BRANCH_CABLE[self.circuit.kv]
        return str(self.ledger.pick([t for t, _ in types], [w for _, w in types]))

    def chance(self, share: float) -> bool:
        """Whether something with this chance happens."""
        return bool(self.ledger.rng.random() < share)

    def between(self, low: float, high: float) -> float:
        """A number between two."""
        return float(self.ledger.rng.uniform(low, high))


def run(
    area: Area, path: LineString, *, stops: Sequence[float] = (), cable_type: str | None = None, phases: str = "ABC"
) -> tuple[list[Place], list[str]]:
    """Record a line in pieces: the nodes (both ends included) and the cables between them."""
    distances = [0.0, *stops, path.length]
    ids = [area.ledger.cable(p, area.circuit, cable_type=cable_type, phases=phases) for p in cut(path, distances)]
    return [at(path, d) for d in distances], ids


def service(area: Area, node: Place, *, away: Vector, reach: tuple[float, float], sideways: float) -> LineString:
    """Path of a service cable; of a few tries the first that keeps off what is there, else the last."""
    for attempt in range(40):
        side = (-1) ** attempt * area.ledger.pick((-1, 1)) * sideways * area.between(0.5, 1.3)
        path = service_path(node, away=away, reach=area.between(*reach) * (1 - attempt / 60), sideways=side)
        if area.ledger.is_clear(path):
            break
    return path


def pole_bank(area: Area, node: Place, away: Vector) -> None:
    """Three single-phase units, or one three-phase unit, on a pole behind cutouts."""
    end = shifted(node, along=away, by=6.0)
    tap = area.ledger.cable(LineString([node, end]), area.circuit)
    area.ledger.switch(node, area.circuit, device="cutout", guards=tap)
    style = "rural" if area.style == "rural" else "pole"
    unit = area.unit(style)
    if unit.core == "separate" and unit.connection in {"floating_wye", "grounded_wye", "delta"}:
        area.ledger.bank(end, area.circuit, unit=unit)
    else:
        area.ledger.site(end, area.circuit, unit=unit)


def padmount(area: Area, place: Place, *, cables: Sequence[str], elbows: float = 0.35, unit: Unit | None = None) -> str:
    """A padmounted transformer; by chance an elbow at each of its cables."""
    site_id = area.ledger.site(place, area.circuit, unit=unit or area.unit())
    if area.chance(elbows):
        for cable_id in cables:
            area.ledger.switch(place, area.circuit, device="elbow", guards=cable_id)
    return site_id


def riser(area: Area, node: Place, *, device: str = "cutout", guards: str | None = None) -> str:
    """The device on a riser pole; where it stands follows from the riser."""
    return area.ledger.switch(node, area.circuit, device=device, guards=guards)


def riser_padmount(area: Area, node: Place, away: Vector) -> None:
    """Riser, cable, one padmount; here and there a gang switch on the pole instead of cutouts."""
    reach, sideways = ((25, 110), 30) if area.style == "plant" else ((6, 30), 14)
    path = service(area, node, away=away, reach=reach, sideways=sideways)
    nodes, ids = run(area, path, cable_type=area.branch_cable())
    riser(area, node, device="gang switch" if area.chance(0.2) else "cutout")
    padmount(area, nodes[-1], cables=ids[-1:])


def riser_chain(area: Area, node: Place, away: Vector) -> None:
    """Riser and a radial chain of padmounts, looped through."""
    count = int(area.ledger.rng.integers(2, 4))
    path = service(area, node, away=away, reach=(30.0 + 45 * count, 50.0 + 50 * count), sideways=25.0)
    stops = [path.length - 48.0 * k + area.between(-8, 8) for k in range(count - 1, 0, -1)]
    nodes, ids = run(area, path, stops=stops, cable_type=area.branch_cable())
    riser(area, node, device="fused cutout")
    for k, place in enumerate(nodes[1:]):
        padmount(area, place, cables=ids[k : k + 2])


def riser_switchgear(area: Area, node: Place, away: Vector) -> None:
    """Cutouts on the riser, then padmounted switchgear, then padmounts on its ways."""
    gear = shifted(node, along=away, by=14.0)
    lead = area.ledger.cable(LineString([node, gear]), area.circuit, cable_type=MAIN_CABLE[area.circuit.kv])
    riser(area, node)
    area.ledger.switch(gear, area.circuit, device="switchgear way", guards=lead)
    for side in (-1, 1):
        path = service_path(gear, away=away, reach=area.between(20, 60), sideways=side * area.between(20, 60))
        nodes, ids = run(area, path, cable_type=area.branch_cable())
        area.ledger.switch(gear, area.circuit, device="switchgear way", guards=ids[0])
        padmount(area, nodes[-1], cables=ids)


def riser_cabinet(area: Area, node: Place, away: Vector) -> None:
    """Riser, then a junction cabinet with an elbow on each of its cables, then padmounts."""
    cabinet = shifted(node, along=away, by=22.0)
    area.ledger.cable(LineString([node, cabinet]), area.circuit, cable_type=area.branch_cable())
    riser(area, node)
    area.ledger.switch(cabinet, area.circuit, device="elbow")
    for side in (-1, 1):
        path = service_path(cabinet, away=away, reach=area.between(25, 45), sideways=side * area.between(15, 45))
        nodes, ids = run(area, path, cable_type=area.branch_cable())
        area.ledger.switch(cabinet, area.circuit, device="elbow")
        padmount(area, nodes[-1], cables=ids, elbows=0.0)


def riser_parallel(area: Area, node: Place, away: Vector) -> None:
    """A large service: one lead from the riser, then two cables side by side to the same padmount."""
    split, end = shifted(node, along=away, by=9.0), shifted(node, along=away, by=75.0)
    area.ledger.cable(LineString([node, split]), area.circuit, cable_type=MAIN_CABLE[area.circuit.kv])
    riser(area, node)
    for side in (-1, 1):
        bow = shifted(shifted(node, along=away, by=42.0), along=turned(away, 90), by=3.0 * side)
        area.ledger.cable(LineString([split, bow, end]), area.circuit, cable_type=area.branch_cable())
    padmount(area, end, cables=(), unit=area.unit(kva=1500.0))


def overhead_branch(area: Area, path: LineString, *, phases: str, count: int, device: str = "fused cutout") -> None:
    """A fused overhead branch with single-phase transformers, or three-phase services if it carries all phases."""
    stops = [path.length * (k + 0.6) / count for k in range(count)]
    nodes, ids = run(area, path, stops=stops, phases=phases)
    area.ledger.switch(nodes[0], area.circuit, device=device, guards=ids[0])
    for k, place in enumerate(nodes[1:-1]):
        away = normal(path, stops[k]) * area.ledger.pick((-1, 1))
        if phases == "ABC":
            area.ledger.pick((pole_bank, riser_padmount, pole_bank))(area, place, away)
        else:
            single_phase(area, place, phase=phases[k % len(phases)])


def single_phase(area: Area, place: Place, *, phase: str) -> None:
    """A single-phase transformer at a node."""
    kva = float(area.ledger.pick((15.0, 25.0, 25.0, 37.5, 50.0)))
    unit = Unit(kva, "grounded_wye", "separate", "middle", customers=int(2 + area.ledger.rng.poisson(kva / 7)))
    area.ledger.site(place, area.circuit, unit=unit, phases=phase)


def dead_end(area: Area, node: Place, away: Vector) -> None:
    """Single-phase cable down a cul-de-sac, with an elbow where it starts; on the side where there is room."""
    lengths = (area.between(90, 170), area.between(55, 90), area.between(40, 55))
    for side, length in ((side, length) for length in lengths for side in (1, -1)):
        path = dead_end_street(node, away=away * side, length=length, bend=area.between(-35, 35))
        if area.ledger.is_clear(path):
            break
    else:
        return
    count = max(2, round(path.length / 55))
    stops = [path.length * (k + 0.7) / count for k in range(count)]
    phase = str(area.ledger.pick("ABC"))
    cable_type = "#2 TR-XLPE 15kV 133%" if area.circuit.kv < 20 else "#1 TR-XLPE 25kV 100%"
    nodes, ids = run(area, path, stops=stops, cable_type=cable_type, phases=phase)
    area.ledger.switch(node, area.circuit, device="elbow", guards=ids[0])
    for place in nodes[1:-1]:
        single_phase(area, place, phase=phase)


def loop(area: Area, path: LineString, *, sites: int, dead_ends: int, ends: str = "cutout") -> list[Start]:
    """Underground loop between two risers, normally open at one padmount.

    Returns where cul-de-sacs may start from it and into which direction; they are drawn when all loops are there.
    """
    total = sites + dead_ends
    stops = [path.length * (k + 0.75 + area.between(-0.2, 0.2)) / (total + 0.5) for k in range(total)]
    nodes, ids = run(area, path, stops=stops, cable_type=area.branch_cable() or MAIN_CABLE[area.circuit.kv])
    for place, cable_id in ((nodes[0], ids[0]), (nodes[-1], ids[-1])):
        area.ledger.switch(place, area.circuit, device=ends, guards=cable_id)
    at_site = set(np.linspace(0, total - 1, sites).round().astype(int).tolist())
    middle = sorted(at_site)[len(at_site) // 2]
    starts = []
    for k, place in enumerate(nodes[1:-1]):
        if k in at_site:
            at_it = ids[k : k + 1] if k == middle else ids[k : k + 2]
            padmount(area, place, cables=at_it, elbows=0.1 if ends == "gang switch" else 0.35)
        else:
            starts.append((place, normal(path, stops[k]) * (-1) ** k))
    area.ledger.switch(nodes[middle + 1], area.circuit, device="elbow", guards=ids[middle + 1], state="open")
    return starts
