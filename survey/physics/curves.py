"""Curves of the study on a grid, computed where needed and kept.

A response depends on the circuit and on (b, g, im), g being core loss and resistive load together: a load is nothing
but a larger core loss. So one grid over the three serves every load and every transformer, and a mix of transformers
too. The grid is geometric; a value between nodes is the largest at the nodes around it (the responses jump, so nothing
is interpolated).
"""

from __future__ import annotations

import hashlib
import logging
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future, as_completed
from dataclasses import dataclass
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
        Voltage up to which an arrester takes nothing [per unit of crest to ground].
    arrester_slope
        Resistance of an arrester above that [per unit].
    """

    series_resistance: float = 0.02
    knee: float = 1.15
    air_core_reactance: float = 0.2
    saturated_resistance: float = 0.0
    arrester_pu: float = 1.9
    arrester_slope: float = 0.4

    def rows(self, b: FloatArray, g: FloatArray, im: FloatArray) -> FloatArray:
        """Parameter rows of the kernel, shape (n, 6)."""
        rest = np.array([self.knee, self.air_core_reactance, self.series_resistance])
        return np.column_stack([b, g, im, np.broadcast_to(rest, (len(b), 3))])


@cache
def code_fingerprint() -> str:
    """Digest of the modules that decide what a point is."""
    digest = hashlib.sha256()
    for name in ("circuits.py", "propagators.py", "knees.py", "kernel.py", "sequences.py", "curves.py"):
        digest.update(Path(__file__).with_name(name).read_bytes())
    return digest.hexdigest()


def store_name(circuit: Circuit, parameters: CurveParameters) -> str:
    """Folder name of the points of a circuit: circuit, and a digest of parameters and code."""
    text = f"{parameters!r} {code_fingerprint()}"
    return f"{circuit.name.lower()}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"


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
        b, g, im, knee, xs, r [per unit], shape (n, 6).
    density
        Multiplies the number of draws.
    block
        Which block of draws (:func:`~survey.physics.sequences.switching_plan`).
    cycles
        Least and largest number of cycles of one operation, and cycles with a hastened decay of the flux offset.

    Returns
    -------
    numpy.ndarray
        Sustained peak, temporary peak [per unit] and period [cycles, 0 where it does not repeat] of every operation,
        shape (n, operations, 3).
    """
    from survey.physics.kernel import STEPS_PER_CYCLE, solve_points

    states, draws = switching_plan(circuit, density=density, block=block)
    # one memory layout only, or the kernel is compiled twice
    rows = np.ascontiguousarray(rows)
    found = solve_points(int(circuit), rows, states, draws, STEPS_PER_CYCLE, np.array(cycles, dtype=np.int64))
    return np.asarray(found).reshape(len(rows), -1, 3)


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


def make_keys(b: IntArray, g: IntArray, im: IntArray) -> IntArray:
    """One number for a place on the grid."""
    return np.asarray((b * KEY_BASE + g) * KEY_BASE + im)


def split_keys(keys: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Inverse of :func:`make_keys`."""
    return keys // KEY_BASE**2, keys // KEY_BASE % KEY_BASE, keys % KEY_BASE


BLOCKS: Final = 8
"""Blocks of draws that a section rests on."""


def draw_block(keys: IntArray) -> IntArray:
    """Block of draws of a node, 0-7: the eight nodes around a place have eight different ones.

    A section then rests on eight times the draws of a node, and a rare state on one draw in two hundred is met.
    """
    b, g, im = split_keys(keys)
    return np.asarray(b % 2 * 4 + g % 2 * 2 + im % 2)


def corner_keys(b: npt.ArrayLike, g: npt.ArrayLike, im: npt.ArrayLike) -> IntArray:
    """Keys of the eight nodes around each place, shape (8, n)."""
    bounds = [node_bounds(values, axis) for axis, values in enumerate((b, g, im))]
    return np.stack([make_keys(*corner) for corner in product(*bounds)])


class CurveTable:
    """Points of one circuit, in memory and on disk.

    Parameters
    ----------
    circuit
        Winding family.
    parameters
        Resistance and magnetizing curve.
    cache_dir
        Folder of the cache; None keeps nothing on disk.
    workers
        Threads that compute.
    """

    def __init__(
        self, circuit: Circuit, *, parameters: CurveParameters, cache_dir: Path | None, workers: int = 2
    ) -> None:
        self.circuit = circuit
        self.parameters = parameters
        self.workers = workers
        operations = 2 * len(switching_plan(circuit)[0])
        folder = None if cache_dir is None else cache_dir / store_name(circuit, parameters)
        self._store = None if folder is None else PointStore(folder, operations=operations)
        self.points = Points.empty(operations) if self._store is None else self._store.load()

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
        fresh = Points(
            np.concatenate([part.keys for part in parts]),
            np.concatenate([part.sustained for part in parts]),
            np.concatenate([part.temporary for part in parts]),
        )
        fresh = Points.empty(fresh.sustained.shape[1]).merged(fresh)
        self.points = self.points.merged(fresh)
        if self._store is not None and not self._store.save(fresh):
            _tell_not_kept(self._store.folder.parent)
            self._store = None

    def _compute(self, keys: IntArray) -> Points:
        nodes = [node_value(numbers, axis) for axis, numbers in enumerate(split_keys(keys))]
        found = simulate(
            self.circuit, self.parameters.rows(*nodes), block=int(draw_block(keys[:1])[0]), cycles=NODE_CYCLES
        )
        return Points(keys, found[..., 0].astype(np.float32), found[..., 1].max(axis=1).astype(np.float32))

    def peaks(self, keys: IntArray) -> FloatArray:
        """Largest sustained peak at each key, shape of ``keys``."""
        return self.points.sustained.max(axis=1, initial=0.0)[self.points.rows(keys)].astype(np.float64)

    def sequence_peaks(self, keys: IntArray) -> FloatArray:
        """Sustained peak of every sequence at each key, shape of ``keys`` and one more."""
        found = self.points.sustained[self.points.rows(keys)]
        return np.asarray(found.reshape(*keys.shape, -1, 2).max(axis=-1), dtype=np.float64)

    def shares(self, keys: IntArray, *, limit: float) -> FloatArray:
        """Share of sequences above the limit at each key."""
        return np.asarray((self.sequence_peaks(keys) > limit) @ sequence_weights(self.circuit))

    def typical(self, keys: IntArray, *, limit: float) -> FloatArray:
        """Median of the sequences above the limit at each key; NaN where there is none."""
        found = self.sequence_peaks(keys)
        ringing = np.where(found > limit, found, np.nan)
        none = ~(found > limit).any(axis=-1)
        ringing[none] = 0.0
        return np.where(none, np.nan, np.nanmedian(ringing, axis=-1))

    def temporary(self, keys: IntArray) -> FloatArray:
        """Largest temporary peak at each key."""
        return self.points.temporary[self.points.rows(keys)].astype(np.float64)
