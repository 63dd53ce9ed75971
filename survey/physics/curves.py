"""Curves of the study on a grid, computed where needed and kept.

A response depends on the circuit and on (b, g, im), g being core loss and resistive load together: a load is nothing
but a larger core loss. So one grid over the three serves every load and every transformer, and a mix of transformers
too. Single-phase load is a fourth axis, in coarse steps on the safe side; for five-legged cores it adds to g. The grid
is geometric. A voltage or a power between nodes is the largest at the nodes around it (the responses jump), a share of
sequences their mean by nearness. With arresters the same grid holds other curves.
"""

import hashlib
import logging
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future, as_completed
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.memory import thread_pool
from survey.physics.cache import Points, PointStore
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights, switching_plan

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]

NODES_PER_DECADE: Final = (20, 20, 10)
"""Nodes a decade of b, g and im."""
LOWEST: Final = (1e-5, 1e-4, 1e-4)
HIGHEST: Final = (10.0, 1.5, 0.2)
KEY_BASE: Final = 1000
CYCLES: Final = (60, 110, 20, 10)
"""Least and largest number of cycles of a response that does not repeat, and until which cycle the decay of the flux
offset is hastened: 4 free, 16 sevenfold and 40 free ones stand for 156 cycles."""
NODE_CYCLES: Final = (*CYCLES[:3], 40)
"""The same at a node of the grid, where such a response is measured over four times as long: the safe side."""
LIMITS_PU: Final = (1.0, 1.1, 1.25, 1.4, 1.6, 2.0)
"""Voltages that cycles are counted above; another limit takes those of the next lower one."""
ARRESTER_KNEE: Final = 0.95
"""Where the straight line of an arrester begins: an arrester of exponent 30 that has 1.9 per unit at 1 A takes the same
power within a tenth, from 75 to 1500 kVA, as this one whose line begins at 1.8."""
ONE_PHASE_LOWEST: Final = 1e-3
ONE_PHASE_PER_DECADE: Final = 8
ONE_PHASE_NODES: Final = 25
"""Steps of single-phase load: none, then 1e-3 to 1 of rating; a value counts as the step at or below it."""
POINTS_A_TASK: Final = 4
SECONDS_BETWEEN_SAVES: Final = 10.0
_LOG = logging.getLogger(__name__)


@cache
def _tell_not_kept(folder: Path) -> None:
    """Say it once, not for every circuit."""
    _LOG.warning("curve cache %s takes no files; curves are not kept", folder)


@dataclass(frozen=True)
class CurveParameters:
    """What a set of curves holds for.

    Parameters
    ----------
    series_resistance
        Resistance of winding and supply together, r [per unit].
    knee
        Saturation knee [per unit of rated flux].
    air_core_reactance
        Reactance of the saturated winding, xs [per unit].
    saturated_resistance
        Resistance that acts on the saturated part of the current only [per unit].
    arrester_pu
        Voltage of an arrester at a current of about one ampere [per unit of crest to ground].
    arrester_slope
        Resistance of an arrester above its knee, which lies at 0.95 of that voltage [per unit].
    """

    series_resistance: float = 0.02
    knee: float = 1.15
    air_core_reactance: float = 0.2
    saturated_resistance: float = 0.0
    arrester_pu: float = 1.9
    arrester_slope: float = 0.4

    def rows(
        self,
        b: FloatArray,
        g: FloatArray,
        *,
        im: FloatArray,
        one_phase: FloatArray | float = 0.0,
        clamped: bool = False,
    ) -> FloatArray:
        """Parameter rows of the kernel, with an arrester on every open phase or none, shape (n, 10)."""
        knee_pu = ARRESTER_KNEE * self.arrester_pu if clamped else np.inf
        core = (self.knee, self.air_core_reactance, self.series_resistance, self.saturated_resistance)
        return np.column_stack(np.broadcast_arrays(b, g, im, *core, one_phase, knee_pu, self.arrester_slope))


@cache
def code_fingerprint() -> str:
    """Digest of the modules that decide what a point is."""
    digest = hashlib.sha256()
    for name in ("circuits.py", "propagators.py", "knees.py", "kernel.py", "sequences.py", "curves.py"):
        digest.update(Path(__file__).with_name(name).read_bytes())
    return digest.hexdigest()


def store_name(circuit: Circuit, parameters: CurveParameters, *, clamped: bool = False) -> str:
    """Folder name of the points of a circuit: circuit, and a digest of parameters and code."""
    used = parameters if clamped else replace(parameters, arrester_pu=0.0, arrester_slope=0.0)
    digest = hashlib.sha256(f"{used!r} {code_fingerprint()}".encode()).hexdigest()[:20]
    return f"{circuit.name.lower()}{'-clamped' if clamped else ''}-{digest}"


def simulate(
    circuit: Circuit,
    rows: FloatArray,
    *,
    density: int = 1,
    block: int = 0,
    cycles: tuple[int, int, int, int] = CYCLES,
) -> FloatArray:
    """Simulate every switching sequence at every operating point.

    Parameters
    ----------
    circuit
        Winding family.
    rows
        As :meth:`CurveParameters.rows` makes them, shape (n, 10).
    density
        Multiplies the number of draws.
    block
        Which block of draws (:func:`~survey.physics.sequences.switching_plan`).
    cycles
        Least and largest number of cycles of one operation, and cycles with a hastened decay of the flux offset.

    Returns
    -------
    numpy.ndarray
        Of every operation: sustained peak [per unit], largest mean power of one arrester [per unit of rating], period
        [cycles, 0 where it does not repeat], cycles above each of :data:`LIMITS_PU`; shape
        (n, sequences, 2, 3 + limits).
    """
    from survey.physics.kernel import STEPS_PER_CYCLE, solve_points

    states, draws = switching_plan(circuit, density=density, block=block)
    # one memory layout only, or the kernel is compiled twice
    rows = np.ascontiguousarray(rows)
    clock, limits = np.array(cycles, dtype=np.int64), np.array(LIMITS_PU)
    return np.asarray(solve_points(int(circuit), rows, states, draws, STEPS_PER_CYCLE, clock, limits))


def node_bounds(values: npt.ArrayLike, axis: int) -> tuple[IntArray, IntArray]:
    """Numbers of the grid nodes at or below and at or above each value, held within the grid."""
    per_decade = NODES_PER_DECADE[axis]
    held = np.clip(np.asarray(values, dtype=np.float64), LOWEST[axis], HIGHEST[axis])
    place = per_decade * np.log10(held / LOWEST[axis])
    # a value that is meant to be a node must not be pushed to its neighbour by a rounding error
    place = np.where(np.abs(place - np.rint(place)) < 1e-9, np.rint(place), place)
    return np.floor(place).astype(np.int64), np.ceil(place).astype(np.int64)


def node_value(numbers: IntArray, axis: int) -> FloatArray:
    """Value of grid nodes."""
    return np.asarray(LOWEST[axis] * 10.0 ** (numbers / NODES_PER_DECADE[axis]))


def make_keys(b: IntArray, g: IntArray, *, im: IntArray, one_phase: IntArray | int = 0) -> IntArray:
    """One number for a place on the grid."""
    return np.asarray(((one_phase * KEY_BASE + b) * KEY_BASE + g) * KEY_BASE + im)


def split_keys(keys: IntArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Inverse of :func:`make_keys`: b, g, im, one_phase."""
    return keys // KEY_BASE**2 % KEY_BASE, keys // KEY_BASE % KEY_BASE, keys % KEY_BASE, keys // KEY_BASE**3


def one_phase_node(values: npt.ArrayLike) -> IntArray:
    """Number of the step of single-phase load at or below each value; 0 is none."""
    held = np.maximum(np.asarray(values, dtype=np.float64), 0.1 * ONE_PHASE_LOWEST)
    step = np.floor(ONE_PHASE_PER_DECADE * np.log10(held / ONE_PHASE_LOWEST) + 1.0 + 1e-9)
    return np.clip(step, 0, ONE_PHASE_NODES).astype(np.int64)


def one_phase_value(numbers: IntArray) -> FloatArray:
    """Single-phase load of steps [per unit]."""
    step = ONE_PHASE_LOWEST * 10.0 ** ((numbers - 1) / ONE_PHASE_PER_DECADE)
    return np.where(numbers > 0, step, 0.0)


BLOCKS: Final = 8
"""Blocks of draws that a section rests on."""


def draw_block(keys: IntArray) -> IntArray:
    """Block of draws of a node, 0-7: the eight nodes around a place have eight different ones.

    A section then rests on eight times the draws of a node, and a rare state on one draw in two hundred is met.
    """
    b, g, im, _ = split_keys(keys)
    return np.asarray(b % 2 * 4 + g % 2 * 2 + im % 2)


def corner_keys(b: npt.ArrayLike, g: npt.ArrayLike, *, im: npt.ArrayLike, one_phase: npt.ArrayLike = 0.0) -> IntArray:
    """Keys of the eight nodes around each place, shape (8, n)."""
    bounds = [node_bounds(values, axis) for axis, values in enumerate((b, g, im))]
    step = one_phase_node(one_phase)
    return np.stack([make_keys(*corner[:2], im=corner[2], one_phase=step) for corner in product(*bounds)])


def corner_weights(b: npt.ArrayLike, g: npt.ArrayLike, *, im: npt.ArrayLike) -> FloatArray:
    """Weight of each of those nodes, by nearness in ratio; they add up to one, shape (8, n)."""
    sides = []
    for axis, values in enumerate((b, g, im)):
        low, high = node_bounds(values, axis)
        held = np.clip(np.asarray(values, dtype=np.float64), LOWEST[axis], HIGHEST[axis])
        part = np.clip(NODES_PER_DECADE[axis] * np.log10(held / node_value(low, axis)), 0.0, 1.0)
        part = np.where(high > low, part, 0.0)
        sides.append((1.0 - part, part))
    return np.stack([one * two * three for one, two, three in product(*sides)])


class CurveTable:
    """Points of one circuit, in memory and on disk.

    ``circuit`` winding family; ``parameters`` resistance and magnetizing curve; ``cache_dir`` folder of the cache; None
    keeps nothing on disk; ``workers`` threads that compute; ``clamped`` with an arrester on every open phase.
    """

    def __init__(
        self,
        circuit: Circuit,
        *,
        parameters: CurveParameters,
        cache_dir: Path | None,
        workers: int = 2,
        clamped: bool = False,
    ) -> None:
        self.circuit = circuit
        self.parameters = parameters
        self.workers = workers
        self.clamped = clamped
        size = {"sequences": len(switching_plan(circuit)[0]), "limits": len(LIMITS_PU)}
        folder = None if cache_dir is None else cache_dir / store_name(circuit, parameters, clamped=clamped)
        self._store = None if folder is None else PointStore(folder, **size)
        self.points = Points.empty(**size) if self._store is None else self._store.load()

    def ensure(self, keys: IntArray, *, progress: Progress | None = None) -> None:
        """Compute the points that are missing; those finished are kept even when interrupted."""
        missing = self.points.missing(keys)
        if not len(missing):
            return
        blocks = [missing[draw_block(missing) == block] for block in range(BLOCKS)]
        tasks = [part[at : at + POINTS_A_TASK] for part in blocks for at in range(0, len(part), POINTS_A_TASK)]
        pool = thread_pool(self.workers)
        try:
            self._collect([pool.submit(self._compute, task) for task in tasks], total=len(missing), progress=progress)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)

    def _collect(self, futures: Iterable[Future[Points]], *, total: int, progress: Progress | None) -> None:
        fresh: list[Points] = []
        done, saved = 0, time.monotonic()
        try:
            for future in as_completed(futures):
                fresh.append(future.result())
                done += len(fresh[-1].keys)
                if progress is not None:
                    progress(done, total)
                if time.monotonic() - saved > SECONDS_BETWEEN_SAVES:
                    self._keep(fresh)
                    fresh, saved = [], time.monotonic()
        finally:
            self._keep(fresh)

    def _keep(self, parts: list[Points]) -> None:
        if not parts:
            return
        fresh = Points.joined(parts)
        self.points = self.points.merged(fresh)
        if self._store is not None and not self._store.save(fresh):
            _tell_not_kept(self._store.folder.parent)
            self._store = None

    def _compute(self, keys: IntArray) -> Points:
        *nodes, step = split_keys(keys)
        b, g, im = (node_value(numbers, axis) for axis, numbers in enumerate(nodes))
        rows = self.parameters.rows(b, g, im=im, one_phase=one_phase_value(step), clamped=self.clamped)
        found = simulate(self.circuit, rows, block=int(draw_block(keys[:1])[0]), cycles=NODE_CYCLES)
        sustained, power, cycles = found[..., 0], found[..., 1], found[..., 3:]
        # a response that ends above a limit does not settle below it: its share tells of it
        settled = np.where(sustained[..., None] <= np.array(LIMITS_PU), cycles, 0.0)
        figures = (sustained.max(axis=2), power.max(axis=2), settled.max(axis=(1, 2)))
        return Points(keys, *(figure.astype(np.float32) for figure in figures))

    def peaks(self, keys: IntArray) -> FloatArray:
        """Largest sustained peak at each key, shape of ``keys``."""
        return self.points.sustained.max(axis=1, initial=0.0)[self.points.rows(keys)].astype(np.float64)

    def powers(self, keys: IntArray) -> FloatArray:
        """Largest mean power of one arrester at each key [per unit of rating]."""
        return self.points.power.max(axis=1, initial=0.0)[self.points.rows(keys)].astype(np.float64)

    def shares(self, keys: IntArray, *, limit: float) -> FloatArray:
        """Share of sequences above the limit at each key."""
        above = (self.points.sustained > limit) @ sequence_weights(self.circuit)
        return np.asarray(above[self.points.rows(keys)])

    def typical(self, keys: IntArray, *, limit: float) -> FloatArray:
        """Median of the sequences above the limit at each key; NaN where there is none."""
        ringing = self.points.sustained > limit
        # sequences that do not ring sort behind all others, and are left out of the middle
        order = np.sort(np.where(ringing, self.points.sustained, np.inf), axis=1)
        count, row = ringing.sum(axis=1), np.arange(len(order))
        middle = [order[row, np.maximum(place, 0)] for place in ((count - 1) // 2, count // 2 - (count == 0))]
        median = np.where(count > 0, 0.5 * (middle[0] + middle[1]), np.nan)
        return median[self.points.rows(keys)].astype(np.float64)

    def cycles_above(self, keys: IntArray, *, limit: float) -> FloatArray:
        """Largest number of cycles above the limit while a response settles under it, at each key."""
        column = max(int(np.searchsorted(LIMITS_PU, limit + 1e-9)) - 1, 0)
        return self.points.cycles[self.points.rows(keys), column].astype(np.float64)
