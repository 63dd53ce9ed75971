"""Fill the atlas, in parts that can be computed anywhere, stopped and continued.

``python -m survey.physics.atlas_fill`` runs it.

A piece is a stretch of nodes of b at one g and one im. Pieces are computed by as many processes as the machine has;
those finished are kept in a part file, and a piece that is in any part file of the folder is not computed again.
Without ``--out`` the part files become the files that the package reads.

A node takes draws in stretches, until its largest peak has been met ``MET`` times or there are no more: where every
sequence ends in the same few states little is needed, where a rare state counts all of them are.
"""

from __future__ import annotations

import argparse
import multiprocessing as mp
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.physics.atlas import FOLDER
from survey.physics.atlas_axes import B_AXIS, CHECKS, FIGURES, FINE_G, G_AXIS, IM_AXIS, IM_SHIPPED
from survey.physics.atlas_parts import Key, Part, columns_of, make_atlas, read_parts, save_part, write_atlas
from survey.physics.curves import LIMITS_PU, NODE_CYCLES, CurveParameters, FloatArray, simulate
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights

PIECE: Final = 18
"""Nodes of b computed as one piece of a column: small, so that no processor waits long at the end."""

MET: Final = 4
ALIKE: Final = 0.985
"""Part of the largest peak from which a sequence counts as having met it."""
CALM_CHARGE_LOSS: Final = 0.15
CALM_XC_XM: Final = 200.0
"""Nothing rings below this charging over loss, or above this Xc/Xm: a few draws are enough."""
JUMP: Final = 1.25
JUMPS_FROM_PU: Final = 2.0
"""Ratio of neighbouring peaks, the lower under this, from which the place of a jump is searched."""
HALVINGS: Final = 3
CONDUCTS_FROM_PU: Final = 1.75
"""An arrester changes nothing of what ends below its knee, 1.805."""
SAVE_EVERY_S: Final = 30.0
LEAST_FILLED: Final = 0.75
"""Part of the nodes from which a circuit is shipped."""


@dataclass(frozen=True)
class Draws:
    """How many draws a node takes.

    Parameters
    ----------
    density
        Draws of a stretch, in multiples of a plan.
    stretches
        After how many stretches to look whether to stop; the last ends it.
    blocks
        Stretches there are; a node takes them round from the one it begins with.
    """

    density: int
    stretches: tuple[int, ...]
    blocks: int


FINE: Final = Draws(6, (1, 2, 4), 4)
LOADED: Final = Draws(3, (1, 2, 4), 4)
FINE_CLAMPED: Final = Draws(3, (1, 2, 4), 4)
LOADED_CLAMPED: Final = Draws(3, (1, 2), 2)
CALM: Final = Draws(1, (1,), 1)


@dataclass(frozen=True)
class Found:
    """What the sequences of a node did: peaks, powers, whether they repeat, weights, and cycles above each limit."""

    peaks: FloatArray
    powers: FloatArray
    cycles: FloatArray
    repeats: npt.NDArray[np.bool_]
    weights: FloatArray

    def share(self, limit: float) -> float:
        """Share of sequences above a limit."""
        return float(self.weights @ (self.peaks > limit) / self.weights.sum())

    def typical(self, limit: float) -> float:
        """Median of those; 0 where there is none."""
        ringing = self.peaks[self.peaks > limit]
        return float(np.median(ringing)) if len(ringing) else 0.0

    def repeating(self) -> float:
        """Largest peak of the responses that repeat; 0 where none does."""
        return float(self.peaks[self.repeats].max(initial=0.0))


def stretch(circuit: Circuit, row: FloatArray, *, density: int, block: int) -> Found:
    """Simulate one stretch of draws at one node."""
    found = simulate(circuit, row, density=density, block=block, cycles=NODE_CYCLES)[0]
    sustained, cycles = found[..., 0], found[..., 3:]
    settled = np.where(sustained[..., None] <= np.array(LIMITS_PU), cycles, 0.0)
    worst = sustained.argmax(axis=1)
    return Found(
        sustained.max(axis=1),
        found[..., 1].max(axis=1),
        settled.max(axis=(0, 1)),
        found[np.arange(len(found)), worst, 2] > 0,
        np.repeat(sequence_weights(circuit), density),
    )


def joined(parts: list[Found]) -> Found:
    """All stretches as one."""
    return Found(
        np.concatenate([part.peaks for part in parts]),
        np.concatenate([part.powers for part in parts]),
        np.max([part.cycles for part in parts], axis=0),
        np.concatenate([part.repeats for part in parts]),
        np.concatenate([part.weights for part in parts]),
    )


def node(circuit: Circuit, row: FloatArray, *, draws: Draws, first: int) -> tuple[Found, Found, int]:
    """Simulate a node; return everything, its first stretch, and how many draws it took in multiples of a plan."""
    parts: list[Found] = []
    for upto in draws.stretches:
        parts += [
            stretch(circuit, row, density=draws.density, block=(first + number) % draws.blocks)
            for number in range(len(parts), upto)
        ]
        found = joined(parts)
        value = found.powers if found.powers.any() else found.peaks
        if (value >= ALIKE * value.max()).sum() >= MET:
            break
    return found, parts[0], len(parts) * draws.density


@dataclass(frozen=True)
class Column:
    """One piece of a column of the atlas to compute: the nodes of b from ``start`` on."""

    circuit: Circuit
    g: int
    im: int
    start: int

    @property
    def key(self) -> Key:
        """What names it in a part file."""
        return int(self.circuit), self.g, self.im, self.start

    @property
    def rank(self) -> int:
        """How soon it is wanted: open deltas, and the ends of im, last."""
        return 2 * (self.im in (0, len(IM_AXIS) - 1)) + (self.circuit is Circuit.OPEN_DELTA)

    def row(self, b: float, *, clamped: bool) -> FloatArray:
        """Parameter row of the kernel at one b."""
        one = (np.array([b]), G_AXIS[self.g : self.g + 1])
        return CurveParameters().rows(*one, im=IM_AXIS[self.im : self.im + 1], clamped=clamped)

    def draws(self, b: float, *, clamped: bool) -> Draws:
        """How many draws its node at b takes."""
        calm = b < CALM_CHARGE_LOSS * G_AXIS[self.g] or IM_AXIS[self.im] > CALM_XC_XM * b
        if calm:
            return CALM
        if clamped:
            return FINE_CLAMPED if self.g < FINE_G else LOADED_CLAMPED
        return FINE if self.g < FINE_G else LOADED

    def first(self, number: int) -> int:
        """Which stretch of draws a node begins with: neighbours begin with different ones."""
        return (number + 2 * self.g + self.im) % 4

    def bare(self, number: int) -> FloatArray:
        """Figures and checks of one node, the edge and what needs arresters left at 0."""
        b = float(B_AXIS[number])
        first = self.first(number)
        found, begin, count = node(
            self.circuit, self.row(b, clamped=False), draws=self.draws(b, clamped=False), first=first
        )
        out = np.zeros(len(FIGURES) + len(CHECKS))
        figures = [found.peaks.max()]
        figures.extend(found.share(limit) for limit in LIMITS_PU)
        figures.extend(found.typical(limit) for limit in LIMITS_PU)
        out[: len(figures)] = figures
        out[len(figures) : len(figures) + len(LIMITS_PU)] = found.cycles
        firm = np.sort(found.peaks)[-MET]
        checks = (count, firm, begin.repeating(), begin.peaks.max(), begin.share(1.25))
        out[len(FIGURES) : len(FIGURES) + len(checks)] = checks
        return out

    def add_arresters(self, number: int, out: FloatArray) -> None:
        """Write peak and power with arresters, and the checks of them."""
        peak = out[FIGURES.index("peak")]
        place = [FIGURES.index("clamped"), FIGURES.index("power")]
        check = [len(FIGURES) + CHECKS.index("first_clamped"), len(FIGURES) + CHECKS.index("first_power")]
        out[place] = peak, 0.0
        if peak > CONDUCTS_FROM_PU:
            b = float(B_AXIS[number])
            draws = self.draws(b, clamped=True)
            found, begin, _ = node(self.circuit, self.row(b, clamped=True), draws=draws, first=self.first(number))
            out[place] = found.peaks.max(), found.powers.max()
            out[check] = begin.peaks.max(), begin.powers.max()

    def edge(self, number: int, low: float, high: float) -> float:
        """Where between a node and the next the peak jumps, as part of the way; 0 where it does not."""
        if max(low, high) < max(LIMITS_PU[0], JUMP * min(low, high)) or min(low, high) > JUMPS_FROM_PU:
            return 0.0
        left, right = 0.0, 1.0
        for _ in range(HALVINGS):
            middle = 0.5 * (left + right)
            b = float(B_AXIS[number] ** (1.0 - middle) * B_AXIS[number + 1] ** middle)
            beyond = self.exceeds(b, limit=(low * high) ** 0.5, first=self.first(number))
            left, right = (left, middle) if beyond == (high > low) else (middle, right)
        return 0.5 * (left + right)

    def exceeds(self, b: float, *, limit: float, first: int) -> bool:
        """Whether any sequence ends above a limit."""
        draws = self.draws(b, clamped=False)
        for number in range(draws.stretches[-1]):
            block = (first + number) % draws.blocks
            found = stretch(self.circuit, self.row(b, clamped=False), density=draws.density, block=block)
            if found.peaks.max() > limit:
                return True
        return False

    def compute(self) -> Part:
        """All nodes of the piece, shape (nodes, figures and checks)."""
        numbers = range(self.start, min(self.start + PIECE, len(B_AXIS)))
        # one more, that a jump on the way to the next piece is found
        beyond = [self.bare(number) for number in range(self.start, min(self.start + PIECE + 1, len(B_AXIS)))]
        peaks = [float(values[FIGURES.index("peak")]) for values in beyond]
        out = np.array(beyond[: len(numbers)])
        for place, number in enumerate(numbers):
            self.add_arresters(number, out[place])
            if place + 1 < len(peaks):
                out[place, FIGURES.index("edge")] = self.edge(number, peaks[place], peaks[place + 1])
        return out.astype(np.float32)


def all_columns() -> list[Column]:
    """Every piece: what most sections need first, in an order that has some of everything early."""
    starts = range(0, len(B_AXIS), PIECE)
    shape = (len(Circuit), len(G_AXIS), len(IM_AXIS), len(starts))
    order = np.random.default_rng(0).permutation(int(np.prod(shape)))
    places = zip(*np.unravel_index(order, shape), strict=True)
    columns = [Column(Circuit(int(c)), int(g), int(im), starts[int(b)]) for c, g, im, b in places]
    return sorted(columns, key=lambda column: column.rank)


def _compute(column: Column) -> tuple[Key, Part, float]:
    begun = time.monotonic()
    return column.key, column.compute(), time.monotonic() - begun


def computed(columns: list[Column], *, workers: int, seconds: float) -> Iterator[tuple[Key, Part]]:
    """Yield pieces as they are finished, until the time is up."""
    begun, busy = time.monotonic(), 0.0
    with mp.get_context("fork").Pool(workers) as pool:
        results = pool.imap_unordered(_compute, columns)
        for _ in columns:
            try:
                key, values, took = results.next(timeout=max(seconds - (time.monotonic() - begun), 0.0))
            except mp.TimeoutError:
                break
            busy += took
            yield key, values
    print(f"{time.monotonic() - begun:.0f} s, {busy:.0f} s of processors")


def fill(folder: Path, *, out: Path, workers: int, seconds: float, columns: list[Column]) -> None:
    """Compute pieces that no part file has, and write them to a part file of their own."""
    have = read_parts(folder)
    columns = [column for column in columns if column.key not in have]
    stretch(Circuit.DELTA, Column(Circuit.DELTA, 0, 0, 0).row(0.01, clamped=True), density=1, block=0)  # compiled once
    done: dict[Key, Part] = {}
    saved = time.monotonic()
    for key, values in computed(columns, workers=workers, seconds=seconds):
        done[key] = values
        if time.monotonic() - saved > SAVE_EVERY_S:
            save_part(out, done)
            saved = time.monotonic()
    if done:
        save_part(out, done)
    print(f"{len(done)} columns now, {len(columns) - len(done)} to do")


def assemble(folder: Path) -> None:
    """Write the files that ship from the parts of a folder; a circuit of which little is filled gets none."""
    done = read_parts(folder)
    for circuit in Circuit:
        nodes = columns_of(circuit, done)
        filled = float(np.isfinite(nodes[:, IM_SHIPPED, :, 0]).mean())
        print(f"{circuit.name.lower()}: {filled:.1%} of the nodes computed")
        if filled >= LEAST_FILLED:
            FOLDER.mkdir(exist_ok=True)
            write_atlas(FOLDER / f"{circuit.name.lower()}.npz", make_atlas(nodes))


def main() -> None:
    """Fill for a given time, or assemble what there is."""
    parser = argparse.ArgumentParser(description="fill the atlas in parts, or assemble the parts")
    parser.add_argument("parts", type=Path, help="folder of finished parts (part-*.npz)")
    parser.add_argument("--out", type=Path, help="part file to write; without it the parts are assembled")
    parser.add_argument("--minutes", type=float, default=1e6, help="stop after")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    if options.out is None:
        assemble(options.parts)
    else:
        seconds = 60.0 * options.minutes
        fill(options.parts, out=options.out, workers=options.workers, seconds=seconds, columns=all_columns())


if __name__ == "__main__":
    main()
