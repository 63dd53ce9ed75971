"""What the atlas keeps of a node, from its simulated sequences; many nodes at once.

A node takes draws in stretches, until its largest peak has been met ``MET`` times or there are no more: where every
sequence ends in the same few states little is needed, where a rare state counts all of them are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
from cube import CHECKS, DRAWS, EDGE, NAMES, PEAK

from survey.physics.atlas_axes import axes_of
from survey.physics.curves import LIMITS_PU, CurveParameters
from survey.physics.families import Circuit
from survey.physics.sequences import CHAINS, sequence_weights

BLOCKS = 8
"""Stretches of draws there are; a node takes them round from the one it begins with."""
DENSITY = {Circuit.DELTA: 10, Circuit.FLOATING_WYE: 10, Circuit.FIVE_LEGGED: 8, Circuit.OPEN_DELTA: 9}
"""Draws of a stretch without arresters, in multiples of a plan: a thread each, of seven groups of 32."""
CLAMPED_DENSITY = 4
STRETCHES = (1, 2, 4, 8)
CLAMPED_STRETCHES = (1, 2, 4)
"""After how many stretches to look whether to stop; the last ends it."""
MORE, SCANT = (256, 16), (128, 1)
"""First block and number of stretches of nodes that disagree with those beside them, and of calm ones with one plan."""
ALL = min(DENSITY.values()) * STRETCHES[-1]
"""Draws, in multiples of a plan, from which a node has taken all."""
MANY = 100
"""Draws, in multiples of a plan, that only nodes with such more stretches have."""
MET, ALIKE = 4, 0.985
"""How often the largest peak must be met, and from which part of it a sequence counts as having met it."""
CALM_CHARGE_LOSS, CALM_XC_XM = 0.15, 200.0
"""Nothing rings below this charging over loss, or above this Xc/Xm: a plan of draws is enough."""
CONDUCTS_FROM_PU = 1.75
"""An arrester changes nothing of what ends below its knee, 1.805."""


@dataclass(frozen=True)
class Found:
    """What sequences did, each of shape (nodes, sequences), and cycles above each limit, (nodes, limits)."""

    peaks: np.ndarray
    powers: np.ndarray
    repeats: np.ndarray
    cycles: np.ndarray

    @classmethod
    def of(cls, out):
        """From what the solver says of every operation."""
        sustained = out[..., 0]
        worst = sustained.argmax(axis=2)[..., None]
        settled = np.where(sustained[..., None] <= np.array(LIMITS_PU), out[..., 3:], 0.0)
        repeats = np.take_along_axis(out[..., 2], worst, axis=2)[..., 0] > 0
        return cls(sustained.max(axis=2), out[..., 1].max(axis=2), repeats, settled.max(axis=(1, 2)))

    def rows(self, chosen):
        """Some of the nodes."""
        return Found(self.peaks[chosen], self.powers[chosen], self.repeats[chosen], self.cycles[chosen])

    def with_(self, other):
        """With more sequences of the same nodes."""
        both = zip((self.peaks, self.powers, self.repeats), (other.peaks, other.powers, other.repeats), strict=True)
        return Found(*(np.concatenate(pair, axis=1) for pair in both), np.maximum(self.cycles, other.cycles))

    def met(self):
        """Whether the largest value of each node was met often enough."""
        values = self.powers if self.powers.any() else self.peaks
        return (values >= ALIKE * values.max(axis=1, keepdims=True)).sum(axis=1) >= MET


def first_plan(circuit, density):
    """Places, among the sequences of a stretch, of its first plan."""
    counts = [chain[3] for chain in CHAINS[circuit]]
    starts = np.cumsum([0, *counts[:-1]]) * density
    return np.concatenate([start + np.arange(count) for start, count in zip(starts, counts, strict=True)])


def rows_at(circuit, g, im, b, *, clamped=False):
    """Parameter rows of nodes, by their places on the circuit's axes."""
    of_b, of_g, of_im = axes_of(circuit)
    return CurveParameters().rows(of_b[b], of_g[g], im=of_im[im], clamped=clamped)


def first_block(g, im, b):
    """Which stretch of draws a node begins with: neighbours begin with different ones."""
    return (b + 2 * g + 4 * im) % BLOCKS


def is_calm(circuit, g, im, b):
    """Which nodes are far from ringing."""
    of_b, of_g, of_im = axes_of(circuit)
    return (of_b[b] < CALM_CHARGE_LOSS * of_g[g]) | (of_im[im] > CALM_XC_XM * of_b[b])


def simulated(engine, circuit, rows, first, *, density, stretches):
    """Yield nodes that are finished, what all their sequences did, their first stretch, and how many they took."""
    left, found, begin = np.arange(len(rows)), None, None
    for start, upto in zip((0, *stretches[:-1]), stretches, strict=True):
        for number in range(start, upto):
            out = Found.of(engine(circuit, rows[left], (first[left] + number) % BLOCKS, density=density))
            found = out if found is None else found.with_(out)
            begin = out if begin is None else begin
        done = found.met() | (upto == stretches[-1])
        yield left[done], found.rows(done), begin.rows(done), upto
        left, found, begin = left[~done], found.rows(~done), begin.rows(~done)
        if not len(left):
            return


def bare_figures(circuit, found, begin, *, count, density):
    """Figures and checks of nodes, those with arresters left at NaN; shape (nodes, figures and checks)."""
    weights = np.repeat(sequence_weights(circuit), density)
    weights = np.tile(weights, found.peaks.shape[1] // len(weights))
    ordered = np.sort(found.peaks, axis=1)
    plan = first_plan(circuit, density)
    some, repeats = begin.peaks[:, plan], begin.repeats[:, plan]
    named = {
        "peak": ordered[:, -1],
        "edge": 0.0,
        "draws": count * density,
        "first_repeating": np.where(repeats, some, 0.0).max(axis=1),
        "first_peak": some.max(axis=1),
        "first_share": (some > 1.25) @ sequence_weights(circuit),
    }
    for place, limit in enumerate(LIMITS_PU):
        calm = (ordered <= limit).sum(axis=1)
        size, row = ordered.shape[1], np.arange(len(ordered))
        middle = [np.minimum((calm + size - 1 + more) // 2, size - 1) for more in (0, 1)]
        median = 0.5 * (ordered[row, middle[0]] + ordered[row, middle[1]])
        named[f"share_{limit:g}"] = (found.peaks > limit) @ weights / weights.sum()
        named[f"typical_{limit:g}"] = np.where(calm < size, median, 0.0)
        named[f"cycles_{limit:g}"] = found.cycles[:, place]
    out = np.full((len(ordered), len(NAMES)), np.nan, np.float32)
    for name, values in named.items():
        out[:, NAMES.index(name)] = values
    return out


def compute_bare(engine, circuit, g, im, b, *, stretches=STRETCHES):
    """Nodes without arresters, shape (nodes, figures and checks)."""
    out = np.empty((len(b), len(NAMES)), np.float32)
    first, calm = first_block(g, im, b), is_calm(circuit, g, im, b)
    for chosen, density, looks in ((calm, 1, (1,)), (~calm, DENSITY[circuit], stretches)):
        where = np.flatnonzero(chosen)
        begin_at = first[where] * (DENSITY[circuit] if density == 1 else 1)
        rows = rows_at(circuit, g[where], im[where], b[where])
        if len(where):
            for done, found, begin, count in simulated(
                engine, circuit, rows, begin_at, density=density, stretches=looks
            ):
                out[where[done]] = bare_figures(circuit, found, begin, count=count, density=density)
    return out


def add_draws(engine, circuit, g, im, b, was):
    """Nodes, shape (nodes, figures and checks), with draws of their own added to what they have.

    Nodes with one plan or none begin anew with one stretch, the others take :data:`MORE` on top.
    """
    out = was.copy()
    scant = ~(was[:, DRAWS] > 1)
    for chosen, (base, count) in ((scant, SCANT), (~scant, MORE)):
        where = np.flatnonzero(chosen)
        if len(where):
            first = base + count * first_block(g[where], im[where], b[where])
            rows, density = rows_at(circuit, g[where], im[where], b[where]), DENSITY[circuit]
            stretches = [Found.of(engine(circuit, rows, first + k, density=density)) for k in range(count)]
            found = reduce(Found.with_, stretches)
            new = bare_figures(circuit, found, stretches[0], count=count, density=density)
            out[where] = new if chosen is scant else _together(was[where], new)
            out[where] = np.where(np.isnan(out[where]), was[where], out[where])
    kept = [EDGE, *(NAMES.index(name) for name in CHECKS)]
    out[:, kept] = np.where(np.isnan(was[:, kept]), out[:, kept], was[:, kept])
    return out


def _together(was, new):
    """Figures of both draws of the same nodes: largest peak and cycles, shares by how many each has, median of more."""
    part = was[:, [DRAWS]] / (was[:, [DRAWS]] + new[:, [DRAWS]])
    out = np.where(np.isnan(new), was, new)
    shares = [place for place, name in enumerate(NAMES) if name.startswith("share_")]
    largest = [PEAK, *(place for place, name in enumerate(NAMES) if name.startswith("cycles_"))]
    out[:, shares] = part * was[:, shares] + (1.0 - part) * new[:, shares]
    out[:, largest] = np.fmax(was[:, largest], new[:, largest])
    out[:, DRAWS] = was[:, DRAWS] + new[:, DRAWS]
    return out


def add_arresters(engine, circuit, g, im, b, out):
    """Write peak and power with arresters, and the checks of them."""
    places = [NAMES.index(name) for name in ("clamped", "power", "first_clamped", "first_power")]
    out[:, places] = 0.0
    out[:, places[0]] = out[:, NAMES.index("peak")]
    where = np.flatnonzero(out[:, NAMES.index("peak")] > CONDUCTS_FROM_PU)
    if not len(where):
        return
    where_at = (g[where], im[where], b[where])
    rows, first = rows_at(circuit, *where_at, clamped=True), first_block(*where_at)
    plan = first_plan(circuit, CLAMPED_DENSITY)
    for done, found, begin, _ in simulated(
        engine, circuit, rows, first, density=CLAMPED_DENSITY, stretches=CLAMPED_STRETCHES
    ):
        figures = (found.peaks, found.powers, begin.peaks[:, plan], begin.powers[:, plan])
        for place, values in zip(places, figures, strict=True):
            out[where[done], place] = values.max(axis=1)
