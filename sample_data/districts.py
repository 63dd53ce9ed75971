"""The invented town, district by district: an old centre, suburbs over the river, an industrial park, the country."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from ledger import Circuit, Ledger, Unit
from services import (
    MAIN_CABLE,
    Area,
    Start,
    dead_end,
    loop,
    overhead_branch,
    padmount,
    pole_bank,
    riser,
    riser_cabinet,
    riser_chain,
    riser_padmount,
    riser_parallel,
    riser_switchgear,
    run,
    single_phase,
)
from shapely import LineString
from shapes import Place, at, nearest_distance, normal, rounded, service_path, shifted, turned

FG11 = Circuit("FG-11", 12.47, "Old Ferry")
FG12 = Circuit("FG-12", 12.47, "Old Ferry")
FG13 = Circuit("FG-13", 12.47, "Larkmoor")
FG14 = Circuit("FG-14", 12.47, "Tanner Heights")
FG15 = Circuit("FG-15", 12.47, "Upper Tamsin")
QP21 = Circuit("QP-21", 24.9, "Quarry Park")
QP22 = Circuit("QP-22", 24.9, "Quarry Park")
QP23 = Circuit("QP-23", 24.9, "Upper Tamsin")


def corner(u: float, v: float) -> Place:
    """Street corner of the old centre: a grid that grew, turned a little and bent along the river."""
    x = (u - 4) * 108 + 10 * math.sin(0.7 * v + 0.3 * u)
    y = (v - 3.5) * 86 + 13 * math.sin(0.55 * u + 0.4 * v)
    c, s = math.cos(math.radians(12)), math.sin(math.radians(12))
    return (c * x - s * y, s * x + c * y)


def street(*corners: Place, steps: int = 4) -> LineString:
    """Street through corners of the old centre, given as (u, v), bending with the grid."""
    places = []
    for (u0, v0), (u1, v1) in pairwise(corners):
        places += [corner(u0 + (u1 - u0) * k / steps, v0 + (v1 - v0) * k / steps) for k in range(steps)]
    return LineString([*places, corner(*corners[-1])])


def build(ledger: Ledger) -> None:
    """All districts."""
    old_centre(ledger)
    larkmoor(ledger)
    tanner_heights(ledger)
    quarry_park(ledger)
    upper_tamsin(ledger)


def feeder_head(area: Area, path: LineString, *, stops: list[float]) -> tuple[list[Place], list[str]]:
    """The main of a feeder: source and breaker at its start."""
    nodes, ids = run(area, path, stops=stops)
    area.ledger.source(nodes[0], area.circuit)
    area.ledger.switch(nodes[0], area.circuit, device="breaker", guards=ids[0])
    return nodes, ids


def old_centre(ledger: Ledger) -> None:
    """Two overhead mains along the avenues, underground loops between them, a tie at the far end."""
    south, north = Area(ledger, FG11, "old"), Area(ledger, FG12, "old")
    paths = {
        "south": street((-1.2, 3.15), (-0.6, 2), *((u / 2, 2) for u in range(17)), (8.3, 2), (8.4, 3.5), steps=3),
        "north": street((-1.2, 3.65), (-0.6, 5), *((u / 2, 5) for u in range(17)), (8.3, 5), (8.4, 3.5), steps=3),
    }
    for area, name, row in ((south, "south", 2.0), (north, "north", 5.0)):
        path = paths[name]
        spots = sorted(nearest_distance(path, corner(u, row)) for u in np.arange(0, 8.1, 0.5))
        nodes, ids = feeder_head(area, path, stops=spots)
        area.ledger.switch(nodes[8], area.circuit, device="gang switch", guards=ids[8])
        if name == "south":
            area.ledger.switch(nodes[-1], area.circuit, device="gang switch", guards=ids[-1], state="open")
        for k, place in enumerate(nodes[1:-1]):
            out = turned(normal(path, spots[k]), 180 if row < 3 else 0)
            _old_centre_spot(area, place, out, u=k / 2, row=row)
    for u in (3, 4, 5, 6):
        edge = street((u, 2), (u + 0.12, 2.15), (u + 0.12, 4.85), (u, 5))
        loop(south if u % 2 else north, edge, sites=5, dead_ends=0)
    _hospital(north)


def _old_centre_spot(area: Area, place: Place, out: np.ndarray, *, u: float, row: float) -> None:
    """What hangs on an avenue at column ``u``: branches at corners, services between them."""
    outward = -1 if row < 3 else 1
    if u != int(u):
        services = (pole_bank, riser_padmount, riser_chain, riser_switchgear, riser_cabinet, riser_padmount)
        services[int(u + row) % len(services)](area, place, out)
        return
    phases = ("A", "ABC", "B", "C", "ABC", "A", "AB", "ABC", "C")[int(u)]
    first, second = row + outward, row + outward * 2
    overhead_branch(area, street((u, row), (u, first)), phases=phases, count=2)
    overhead_branch(area, street((u, first), (u, second), (u, second + 0.4 * outward)), phases=phases, count=3)
    for cross, side in ((first, 1), (first, -1), (second, 1 if u % 2 else -1)):
        overhead_branch(area, street((u, cross), (u + side * 0.46, cross)), phases=phases[0], count=2)
    if int(u) not in {3, 4, 5, 6}:
        inward = street((u, row), (u, row - outward * 1.25))
        overhead_branch(area, inward, phases="CAB"[int(u) % 3], count=3)


def _hospital(area: Area) -> None:
    """Two padmounts of the hospital behind a gang-operated riser north of the centre."""
    node = corner(2.3, 7.55)
    main = area.ledger.cable(street((2, 5), (2.25, 5.2), (2.25, 7.2), (2.3, 7.55)), area.circuit)
    area.ledger.switch(corner(2, 5), area.circuit, device="gang switch", guards=main)
    path = service_path(node, away=turned(np.array([0.0, 1.0]), 12), reach=70, sideways=60)
    nodes, ids = run(area, path, stops=[path.length - 45], cable_type="4/0 TR-XLPE 15kV 133%")
    riser(area, node)
    for k, place in enumerate(nodes[1:]):
        unit = Unit(1000.0, "grounded_wye", "five_legged", "new", customers=1, critical=1)
        padmount(area, place, cables=ids[k : k + 2], elbows=1.0, unit=unit)


def larkmoor(ledger: Ledger) -> None:
    """Over the river: an overhead main along the arterial, subdivisions on looped cable, shops along the road."""
    area = Area(ledger, FG13, "suburb")
    head = street((-1.2, 2.95), (-0.9, -0.7), (8.4, -0.7), steps=12)
    road = rounded([(700, -120), (880, 40), (1080, 70), (1500, 170), (2050, 40), (2650, 190), (3250, 90)])
    path = LineString([*head.coords, *road.coords])
    start = nearest_distance(path, (1150, 90))
    pitch = 520.0
    spots = {start + pitch * k + off: (k, off) for k in range(4) for off in (0, 90, 180, 270, 370)}
    old_side = [nearest_distance(path, corner(u, -0.7)) for u in (1.5, 3.5, 5.5, 7.5)]
    stops = sorted([*old_side, *spots])
    nodes, ids = feeder_head(area, path, stops=stops)
    place_at = dict(zip(stops, nodes[1:-1], strict=True))
    ledger.switch(place_at[start], area.circuit, device="recloser", guards=ids[stops.index(start) + 1])
    for distance in old_side:
        pole_bank(Area(ledger, FG13.within("Old Ferry"), "old"), place_at[distance], -normal(path, distance))
    for distance, (k, off) in spots.items():
        side = normal(path, distance) * (1 if (k + off // 90) % 2 else -1)
        if off in {90, 180, 270}:
            kinds = (riser_padmount, pole_bank, riser_padmount, riser_cabinet, riser_switchgear)
            kinds[(k * 3 + off // 90) % len(kinds)](area, place_at[distance], side)
    starts: list[Start] = []
    for k in range(4):
        ends = (start + pitch * k, start + pitch * k + 370)
        for outward in (-1, 1):
            device = "gang switch" if (k, outward) in {(0, 1), (1, -1), (2, 1), (2, -1), (3, 1)} else "cutout"
            starts += _subdivision(area, path, ends=ends, side=outward, dead_ends=10, device=device)
    for place, away in starts:
        dead_end(area, place, away)
    pole_bank(area, nodes[-1], normal(path, path.length))


def _subdivision(
    area: Area,
    road: LineString,
    *,
    ends: tuple[float, float],
    side: int,
    dead_ends: int,
    device: str = "cutout",
    sites: int = 7,
) -> list[Start]:
    """A looped street off a road, swelling outward, with cul-de-sacs."""
    out = (0.35 * normal(road, sum(ends) / 2) + np.array([0.0, 0.65])) * side
    out /= np.hypot(*out)
    along = turned(out, -90 * side)
    first, last = at(road, ends[0]), at(road, ends[1])
    deep, wide = area.between(330, 460), area.between(-5, 15)
    points = [first]
    for across, depth in ((-0.06, 0.35), (-0.1, 0.8), (0.25, 1.05), (0.6, 0.85), (1.1, 1.02), (1.02, 0.5), (1.0, 0.25)):
        span = math.dist(first, last)
        spot = shifted(shifted(first, along=along, by=across * span + wide), along=out, by=depth * deep)
        points.append(shifted(spot, along=along, by=area.between(-12, 12)))
    return loop(area, rounded([*points, last]), sites=sites, dead_ends=dead_ends, ends=device)


def tanner_heights(ledger: Ledger) -> None:
    """New ground in the south-east: an overhead main over the lower bridge, loops from gang-operated switchgear."""
    area = Area(ledger, FG14, "suburb")
    head = [corner(*c) for c in ((-1.2, 2.75), (-1.55, 2.0), (-1.5, -1.5), (1, -2.2))]
    road = [(60, -760), (420, -1250), (1000, -1620), (1350, -1900), (1900, -1960), (2500, -1880), (2950, -2050)]
    path = rounded([*head, *road])
    start = nearest_distance(path, (1450, -1930))
    ends = {k: (start + 480.0 * k, start + 480.0 * k + 350) for k in range(3)}
    shops = [start + 480.0 * k + 200 for k in range(3)]
    early = [nearest_distance(path, p) for p in ((20, -700), (300, -1080), (1000, -1640))]
    stops = sorted([*early, *shops, *(d for pair in ends.values() for d in pair)])
    nodes, ids = feeder_head(area, path, stops=stops)
    place_at = dict(zip(stops, nodes[1:-1], strict=True))
    ledger.switch(place_at[early[1]], area.circuit, device="recloser", guards=ids[stops.index(early[1]) + 1])
    for distance in early:
        riser_padmount(Area(ledger, FG14.within("Old Ferry"), "old"), place_at[distance], -normal(path, distance))
    for distance in shops:
        riser_switchgear(area, place_at[distance], -normal(path, distance))
    starts: list[Start] = []
    for k, pair in ends.items():
        for side in (-1, 1):
            device = "fused cutout" if (k, side) == (1, 1) else "gang switch"
            starts += _subdivision(area, path, ends=pair, side=side, dead_ends=9, device=device)
    for place, away in starts:
        dead_end(area, place, away)
    pole_bank(area, nodes[-1], normal(path, path.length))


def quarry_park(ledger: Ledger) -> None:
    """The industrial park beyond the railway: one overhead and one underground main at 24.9 kV."""
    _quarry_road(Area(ledger, QP21, "plant"))
    _quarry_underground(Area(ledger, QP22, "plant"))


def _quarry_road(area: Area) -> None:
    """Overhead main along two sides of the park, services on risers."""
    path = rounded([(-1480, 1420), (-1400, 1400), (330, 1500), (410, 1590), (330, 2750)], times=2)
    stops = [140.0 + 118 * k for k in range(26) if 140.0 + 118 * k < path.length - 40]
    nodes, ids = feeder_head(area, path, stops=stops)
    area.ledger.switch(nodes[10], area.circuit, device="gang switch", guards=ids[10])
    kinds = (riser_padmount, riser_padmount, riser_chain, riser_switchgear, riser_padmount, riser_parallel,
             riser_cabinet, riser_padmount)  # fmt: skip
    for k, place in enumerate(nodes[1:-1]):
        kinds[k % len(kinds)](area, place, normal(path, stops[k]) * (1 if k % 3 else -1))


def _quarry_underground(area: Area) -> None:
    """Underground main through switchgear at the block corners; each plant on its own long branch."""
    path = LineString([(-1490, 1440), (-1490, 2120), (-1330, 2120)])
    nodes, _ = feeder_head(area, path, stops=[300.0])
    pole_bank(area, nodes[1], np.array([-1.0, 0.0]))
    main = rounded(
        [nodes[-1], (-1300, 2095), (-700, 2060), (-150, 2110), (120, 2080), (170, 2500), (-250, 2560)], times=2
    )
    stops = [main.length * (k + 0.5) / 8 for k in range(8)]
    places, cables = run(area, main, stops=stops, cable_type=MAIN_CABLE[24.9])
    riser(area, nodes[-1], device="gang switch")
    for k, place in enumerate(places[1:-1]):
        area.ledger.switch(place, area.circuit, device="switchgear way", guards=cables[k + 1])
        for side in (-1, 1):
            _plant(area, place, normal(main, stops[k]) * side, reach=area.between(60, 250))
    padmount(area, places[-1], cables=cables[-1:], elbows=1.0)


def _plant(area: Area, gear: Place, away: np.ndarray, *, reach: float) -> None:
    """Branch from switchgear into a plant: gang-operated or by elbows, to one padmount or two."""
    path = service_path(gear, away=away, reach=reach, sideways=area.ledger.pick((-1, 1)) * area.between(10, 60))
    two = area.chance(0.4)
    nodes, ids = run(area, path, stops=[path.length * 0.6] if two else [], cable_type=area.branch_cable())
    area.ledger.switch(
        gear, area.circuit, device="switchgear way" if area.chance(0.8) else "fused cutout", guards=ids[0]
    )
    for k, place in enumerate(nodes[1:]):
        padmount(area, place, cables=ids[k : k + 2], elbows=0.2)


def upper_tamsin(ledger: Ledger) -> None:
    """The country in the west: two long radial mains along farm roads, pumps, a quarry, the water works."""
    lower = rounded(
        [corner(-1.2, 3.95), (-900, 200), (-1800, 60), (-2600, -500), (-3700, -620), (-4600, -1300)], times=2
    )
    upper = rounded([(-1510, 1440), (-2300, 1500), (-2900, 1250), (-3900, 1320), (-4700, 900), (-5400, 1000)], times=2)
    for circuit, path, seed in ((FG15, lower, 0), (QP23, upper, 1)):
        area = Area(ledger, circuit, "rural")
        stops = [s for s in np.cumsum([700.0, *ledger.rng.uniform(90, 260, 40)]) if s < path.length - 60]
        nodes, ids = feeder_head(area, path, stops=stops)
        ledger.switch(nodes[4], circuit, device="recloser", guards=ids[4])
        ledger.switch(nodes[12], circuit, device="disconnect", guards=ids[12])
        for k, place in enumerate(nodes[1:-1]):
            _farm_spot(area, place, normal(path, stops[k]) * (1 if (k + seed) % 2 else -1), k=k)
        single_phase(area, nodes[-1], phase="B")
    _water_works(Area(ledger, QP23, "rural"), LineString([at(upper, 500), (-1960, 1900), (-2050, 2150)]))


def _farm_spot(area: Area, place: Place, away: np.ndarray, *, k: int) -> None:
    """A farm road: a long branch, a pump on a short cable, or a bank on the main."""
    kind = k % 5
    if kind in {0, 3}:
        bend = turned(away, area.between(-25, 25))
        middle = shifted(place, along=away, by=area.between(250, 450))
        path = LineString([place, middle, shifted(middle, along=bend, by=area.between(300, 700))])
        phases = ("ABC", "A", "B", "AB", "C")[(k // 2) % 5]
        overhead_branch(area, path, phases=phases, count=3 if phases == "ABC" else 5)
    elif kind == 1:
        pole_bank(area, place, away)
    elif kind == 2:
        riser_padmount(area, place, away)
    else:
        single_phase(area, place, phase="ABC"[k % 3])


def _water_works(area: Area, path: LineString) -> None:
    """Water works by the river, critical, on a tee from the middle of the main and a long buried branch."""
    lead = area.ledger.cable(LineString(path.coords[:2]), area.circuit)
    area.ledger.switch(at(path, 0.0), area.circuit, device="fused cutout", guards=lead)
    buried = LineString(path.coords[1:])
    nodes, ids = run(area, buried, stops=[buried.length - 60], cable_type="1/0 TR-XLPE 25kV 100%")
    riser(area, nodes[0])
    for k, place in enumerate(nodes[1:]):
        unit = Unit(500.0, "delta", "three_legged", "middle", customers=1, critical=1)
        padmount(area, place, cables=ids[k : k + 2], elbows=0.0, unit=unit)
