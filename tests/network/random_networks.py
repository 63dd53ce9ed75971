"""Random networks, surveyed by the hundred beside each other, and what they are held against.

``SURVEY_NETWORKS=10000 pytest tests/network`` looks at that many in each test instead of a sample; ``SURVEY_SEED``
begins with others.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from random import Random

from build import Cable, Survey, named, survey
from oracle import NOMINAL_KV, Device, Oracle

NUMBER, SEED = (int(os.environ.get(f"SURVEY_{name}", value)) for name, value in [("NETWORKS", "100"), ("SEED", "1")])
AT_ONCE = 100
LOW_KV = 4.16
PHASES = ["ABC", "ABC", "ABC", "AB", "BC", "AC", "A", "B", "C"]
CURVE_M = 20.0

Generator = Callable[[Random, str], Oracle]


def networks(*, rings: int = 0, sources=(1, 1), phases=False, gaps=False, open_devices=False, plain=True) -> Generator:
    """Random rows: cables by node ids, devices, sites, sources.

    Not ``plain``: with risers and other devices that name no cable, step-downs, and single-phase units of banks.

    Lengths are distinct powers of two, so that every sum of them tells which cables were walked.
    """

    def make(random: Random, name: str) -> Oracle:
        n = random.randint(2, 8)
        pairs = [(random.randrange(k), k) for k in range(1, n) if not (gaps and random.random() < 0.2)]
        pairs += [(random.randrange(n), random.randrange(n)) for _ in range(random.randint(0, rings))]
        pairs = pairs or [(0, 1)]
        kv = [NOMINAL_KV] if plain else [NOMINAL_KV, NOMINAL_KV, NOMINAL_KV, LOW_KV]
        cables = tuple(
            _cable(random, name, k, ends, phases=PHASES if phases else ["ABC"], kv=kv)
            for k, ends in enumerate(_named(pairs, powers=random.sample(range(len(pairs)), len(pairs))))
        )
        nodes = sorted({node for c in cables for node in c.ends})
        joined = [c for c in cables if c.ends[0] != c.ends[1]]
        places = [(random.choice(joined), random.randrange(2)) for _ in range(random.randint(0, 6) if joined else 0)]
        devices = tuple(
            _device(random, f"{name}w{k}", at, guards=plain, may_open=open_devices) for k, at in enumerate(places)
        )
        rated = random.sample(nodes, random.randint(1, len(nodes)))
        sites = [(f"s{x}", x, NOMINAL_KV if plain else random.choice(kv[1:])) for x in rated]
        sites += [] if plain else [(f"t{x}", x, v) for _, x, v in sites if random.random() < 0.25]
        units = [] if plain else [(random.choice(nodes), random.choice("ABC")) for _ in range(random.randint(0, 6))]
        return Oracle(
            cables,
            devices,
            tuple(sorted((f"{name}{s}", x, v) for s, x, v in sites)),
            _sources(random, name, nodes, *sources),
            tuple((f"{name}u{k}", *u) for k, u in enumerate(units)),
        )

    return make


def _named(pairs, *, powers):
    return [(u, v, 2.0 ** powers[k]) for k, (u, v) in enumerate(pairs)]


def _cable(random: Random, name: str, k: int, ends, *, phases, kv) -> Cable:
    u, v, length_m = ends
    build, phases, kv = random.choice(["ug", "ug", "oh"]), random.choice(phases), random.choice(kv)
    return named(f"{name}c{k}", f"{name}n{u}", f"{name}n{v}", length_m, phases=phases, build=build, kv=kv)


def _device(random: Random, name: str, at: tuple[Cable, int], *, guards: bool, may_open: bool) -> Device:
    (cable, end), single = at, random.random() < 0.5
    named_cable = cable.id if guards or random.random() < 0.5 else ""
    return Device(name, cable.ends[end], named_cable, single, may_open and random.random() < 0.25)


def _sources(random: Random, name: str, nodes, fewest: int, most: int):
    return tuple((f"{name}g{x}", x) for x in random.sample(nodes, min(random.randint(fewest, most), len(nodes))))


def loops(*, phases=("ABC",), rings: int = 0, guards=True) -> Generator:
    """Random rows round one loop, which a tie opens or nothing does: laterals, perhaps of some phases, and devices."""

    def make(random: Random, name: str) -> Oracle:
        n, laterals = random.randint(3, 6), random.randint(0, 4)
        around = random.choice(phases)
        ends = [(k, (k + 1) % n, around) for k in range(n)]
        ends += [(random.randrange(n + k), n + k, random.choice(phases)) for k in range(laterals)]
        for _ in range(random.randint(0, rings)):
            ends.append((*random.sample(range(n + laterals), 2), random.choice(phases)))
        powers = random.sample(range(len(ends)), len(ends))
        cables = tuple(
            named(f"{name}c{k}", f"{name}n{u}", f"{name}n{v}", 2.0 ** powers[k], phases=p)
            for k, (u, v, p) in enumerate(ends)
        )
        rows = random.choices(cables[:n], k=random.randint(2, 5)) + random.choices(cables, k=random.randint(0, 3))
        tie = random.randint(-1, len(rows) - 1)
        devices = tuple(
            Device(
                f"{name}w{k}", random.choice(c.ends), c.id if guards or random.random() < 0.5 else "",
                random.random() < 0.75, k == tie,
            )
            for k, c in enumerate(rows)
        )  # fmt: skip
        nodes = [f"{name}n{k}" for k in range(n + laterals)]
        others = random.sample(nodes[1:], random.randint(0, 1))
        sources = tuple((f"{name}g{x}", x) for x in [nodes[0], *others])
        return Oracle(cables, devices, tuple((f"{name}s{x}", x) for x in sorted(nodes)), sources)

    return make


def surveyed(several: list[Oracle], *, order: Random | None = None) -> Survey:
    """All of them as one network, rows in the given order or by id."""
    sites, sources, units = ([row for o in several for row in getattr(o, x)] for x in ("sites", "sources", "units"))
    rows = ([c for o in several for c in o.cables], sites, [d.row for o in several for d in o.devices], sources)
    if order is not None:
        for layer in rows:
            order.shuffle(layer)
    cables, sites, switches, sources = rows
    return survey(cables, sites=sites, switches=switches, sources=sources, units=units, sort=order is None)


def agree_on(make: Generator, agree: Callable[[list[Oracle]], None], *, most: int | None = None) -> None:
    """Hold random networks against what must be so; of the first that is not, a small one is shown.

    Parameters
    ----------
    agree
        Raises AssertionError where several networks, surveyed as one, are not what they must be.
    most
        No more than this many.
    """
    for several in _batches(make, min(NUMBER, most or NUMBER)):
        try:
            agree(several)
        except AssertionError as error:
            alone = next((o for o in several if _fails(agree, o)), None)
            error.add_note("only beside each other" if alone is None else str(_smaller(alone, agree)))
            raise


def _batches(make: Generator, number: int) -> Iterator[list[Oracle]]:
    for first in range(0, number, AT_ONCE):
        several = range(min(AT_ONCE, number - first))
        yield [make(Random(f"{SEED} {first + k}"), f"{k:03}") for k in several]


def _fails(agree: Callable[[list[Oracle]], None], o: Oracle) -> bool:
    try:
        agree([o])
    except AssertionError:
        return True
    return False


def _smaller(o: Oracle, agree: Callable[[list[Oracle]], None]) -> Oracle:
    """What is left of a network when every row that changes nothing is taken out."""
    for layer in ("cables", "devices", "sites", "sources", "units"):
        for row in getattr(o, layer):
            less = replace(o, **{layer: tuple(x for x in getattr(o, layer) if x != row)})
            nodes = {node for c in less.cables for node in c.ends}
            ids = {"", *(c.id for c in less.cables)}
            devices = tuple(d for d in less.devices if d.node in nodes and d.cable in ids)
            there = {x: tuple(r for r in getattr(less, x) if r[1] in nodes) for x in ("sites", "sources", "units")}
            less = replace(less, devices=devices, **there)
            if less.cables and _fails(agree, less):
                return _smaller(less, agree)
    return o


def answers(s: Survey):
    """All that the survey says of a network, by id."""
    sites, sections = sorted(s.ids("transformers")), s.sections()
    return (
        {x: (s.walk(x), s.gang(x), s.path(x)) for x in sites},
        {w: (sections[w], s.exposes(w), s.upstream(w)) for w in sorted(sections)},
        sorted((f.severity, f.rule, f.layer, f.ids, f.message) for f in s.findings if f.rule != "closed_ring"),
        sorted(s.found("closed_ring")),
    )


def place(node: str, jitter: float = 0.0, order: Random | None = None) -> tuple[float, float]:
    """Nodes on a curve that bends one way: no three in a line, so that a straight cable passes no other node."""
    network, _, k = node.partition("n")
    off = [order.uniform(-jitter, jitter) if order else 0.0 for _ in range(2)]
    return 1e4 * int(network) + 100.0 * int(k) + off[0], CURVE_M * int(k) ** 2 + off[1]
