"""The overvoltage study: what the open phases of a section reach, how often, and how much load prevents it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from survey.arrays import taken
from survey.cache_folder import default_cache_dir
from survey.physics.atlas import Atlas, shipped_atlas
from survey.physics.atlas_answer import answer_from_atlas, neutral_pulled, share_of
from survey.physics.curves import (
    HIGHEST,
    LIMITS_PU,
    LOWEST,
    CurveParameters,
    CurveTable,
    FloatArray,
    IntArray,
    Progress,
    corner_keys,
    corner_weights,
    make_keys,
    node_bounds,
    node_value,
    simulate,
)
from survey.physics.families import Circuit
from survey.physics.study_figures import PerUnitSections, StudyResult, distinct, inside_model

__all__ = ["Circuit", "CurveLibrary", "CurveParameters", "StudyResult", "direct", "inside_model"]

FULL_LOAD: Final = 1.0
GOOD_NODES_ABOVE: Final = 2
"""Nodes above the least load that must be good as well, since a response is not always calmer at more load."""
NODES_IN_HAND: Final = 1
"""Nodes above the least good one at which the load needed is taken: at the edge a state that one draw in a hundred
meets may still be there (four of 72 random delta sections), one node further it was not."""


def nearest_node(values: npt.ArrayLike, axis: int) -> IntArray:
    """Number of the grid node nearest to each value (by ratio), held within the grid."""
    low, high = node_bounds(values, axis)
    held = np.clip(np.asarray(values, dtype=np.float64), LOWEST[axis], HIGHEST[axis])
    middle = np.sqrt(node_value(low, axis) * node_value(high, axis))
    return np.where(held > middle, high, low)


class CurveLibrary:
    """Answers for any number of sections from curves that are computed once and kept.

    Parameters
    ----------
    parameters
        Resistance and magnetizing curve.
    voltage_limit
        Limit of the sustained open-phase voltage [per unit].
    cache_dir
        Folder of the cache; ``"user"`` is the user's cache folder (or ``SURVEY_CACHE_DIR``), None keeps nothing.
    workers
        Threads that compute.
    use_atlas
        Look up the curves that ship with the package where they hold (default parameters, a limit of 1 to 2 per unit);
        else, and without, curves are computed.
    """

    def __init__(
        self,
        parameters: CurveParameters | None = None,
        *,
        voltage_limit: float = 1.25,
        cache_dir: Path | Literal["user"] | None = "user",
        workers: int = 2,
        use_atlas: bool = True,
    ) -> None:
        self.parameters = CurveParameters() if parameters is None else parameters
        self.voltage_limit = voltage_limit
        self.cache_dir = default_cache_dir() if cache_dir == "user" else cache_dir
        self.workers = workers
        self.use_atlas = (
            use_atlas and self.parameters == CurveParameters() and LIMITS_PU[0] <= voltage_limit <= LIMITS_PU[-1]
        )
        self._tables: dict[tuple[Circuit, bool], CurveTable] = {}

    def look_up(
        self,
        circuit: npt.ArrayLike,
        *,
        b: npt.ArrayLike,
        p: npt.ArrayLike,
        im: npt.ArrayLike,
        load: npt.ArrayLike,
        one_phase: npt.ArrayLike = 0.0,
        progress: Progress | None = None,
    ) -> StudyResult:
        """Figures of many sections; computes the curves that are missing.

        Parameters
        ----------
        circuit
            :class:`Circuit` values, shape (n,).
        b, p, im, load
            Charging, core loss, magnetizing current and dependable load [per unit of the section's rating], shape (n,).
        one_phase
            Dependable conductance to ground of the weakest open phase, by single-phase load on the section: three times
            the load of that phase over the section's rating [per unit], shape (n,).
        progress
            Called with points done and points to do, anew for every batch.

        Returns
        -------
        StudyResult
            Arrays of shape (n,), all finite.
        """
        kinds = np.atleast_1d(np.asarray(circuit, dtype=np.int64))
        columns = [np.broadcast_to(np.asarray(v, dtype=np.float64), kinds.shape) for v in (b, p, im, load, one_phase)]
        first, again = distinct(kinds, columns)
        kinds, columns = kinds[first], [column[first] for column in columns]
        good = inside_model(b=columns[0], p=columns[1], im=columns[2], load=columns[3])
        answer = StudyResult.blank(len(kinds))
        for kind in Circuit:
            where = np.flatnonzero(good & (kinds == kind))
            if len(where):
                self._put(answer, kind, where=where, columns=columns, progress=progress)
        return taken(answer, again)

    def _put(
        self,
        answer: StudyResult,
        circuit: Circuit,
        *,
        where: IntArray,
        columns: list[FloatArray],
        progress: Progress | None,
    ) -> None:
        """Write the answers of one circuit's sections: from the atlas where it covers them, else from own curves."""
        sections = PerUnitSections(*(column[where] for column in columns))
        atlas = self._atlas(circuit)
        inside = np.zeros(len(where), bool)
        if atlas is not None:
            inside = atlas.covers(b=sections.b, p=sections.p, im=sections.im)
            answer.put(where[inside], self._from_atlas(atlas, circuit, sections.of(inside), progress=progress))
        if not inside.all():
            answer.put(where[~inside], self._answer(circuit, sections.of(~inside), progress=progress))

    def _from_atlas(
        self, atlas: Atlas, circuit: Circuit, sections: PerUnitSections, *, progress: Progress | None
    ) -> StudyResult:
        """Figures from the atlas; those at load from own curves where the atlas has none."""
        found = answer_from_atlas(atlas, sections, limit=self.voltage_limit)
        pulled = np.flatnonzero(neutral_pulled(circuit, sections))
        if len(pulled):
            _, loaded = corners_of(circuit, sections.of(pulled))
            found.peak_loaded_pu[pulled] = (
                self._own(circuit, loaded.keys, progress=progress).peaks(loaded.keys).max(axis=0)
            )
            shares = self._table(circuit).shares(loaded.keys, limit=self.voltage_limit)
            found.likelihood_loaded[pulled] = loaded.mean(shares)
            clamped = self._own(circuit, loaded.keys, clamped=True, progress=progress)
            found.arrester_power_loaded_pu[pulled] = clamped.powers(loaded.keys).max(axis=0)
        return found

    def _own(self, circuit: Circuit, keys: IntArray, *, clamped: bool = False, progress: Progress | None) -> CurveTable:
        """Curves of a circuit with these points computed."""
        table = self._table(circuit, clamped=clamped)
        table.ensure(np.unique(keys), progress=progress)
        return table

    def _atlas(self, circuit: Circuit) -> Atlas | None:
        return shipped_atlas(circuit, self.voltage_limit) if self.use_atlas else None

    def peaks(
        self,
        circuit: npt.ArrayLike,
        *,
        b: FloatArray,
        g: FloatArray,
        im: FloatArray,
        progress: Progress | None = None,
    ) -> FloatArray:
        """Sustained peak at each place as :meth:`look_up` has it, and nothing else of it.

        Parameters
        ----------
        circuit
            :class:`Circuit` values, shape (n,).
        b, g, im
            Charging, core loss and load together, magnetizing current [per unit of the section's rating], shape (n,).
        """
        kinds = np.atleast_1d(np.asarray(circuit, dtype=np.int64))
        peak, own = np.zeros(len(kinds)), np.ones(len(kinds), bool)
        for atlas, where, held in self._in_atlas(kinds, b=b, p=g, im=im):
            inside = atlas.covers(b=held["b"], p=held["g"], im=held["im"])
            peak[where], own[where] = atlas.fine.find("peak", **held)[1], ~inside
        for kind in Circuit:
            where = np.flatnonzero(own & (kinds == kind))
            if len(where):
                keys = corner_keys(b[where], g[where], im=im[where])
                peak[where] = self._own(kind, keys, progress=progress).peaks(keys).max(axis=0)
        return peak

    def near(
        self,
        circuit: npt.ArrayLike,
        *,
        b: npt.ArrayLike,
        p: npt.ArrayLike,
        im: npt.ArrayLike,
        progress: Progress | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Peak and likelihood at no load at each place, from the atlas or the nearest grid node: not on the safe side.

        Parameters
        ----------
        circuit
            :class:`Circuit` values, shape (n,).
        b, p, im
            Charging, core loss, magnetizing current [per unit of the section's rating], shape (n,), any finite values;
            they are held within the grid.

        Returns
        -------
        Sustained peak [per unit] and share of operations above the limit, shape (n,).
        """
        kinds = np.atleast_1d(np.asarray(circuit, dtype=np.int64))
        peak, share = np.zeros(len(kinds)), np.zeros(len(kinds))
        own = kinds >= 0
        for atlas, where, held in self._in_atlas(kinds, b=b, p=p, im=im):
            place, peak[where] = atlas.fine.find("peak", **held)
            share[where] = share_of(atlas, place, peak=peak[where], limit=self.voltage_limit)
            own[where] = False
        for table, where, keys in self._nearest(kinds, own, b=b, p=p, im=im, clamped=False, progress=progress):
            peak[where] = table.peaks(keys)
            share[where] = table.shares(keys, limit=self.voltage_limit)
        return peak, share

    def near_power(
        self,
        circuit: npt.ArrayLike,
        *,
        b: npt.ArrayLike,
        p: npt.ArrayLike,
        im: npt.ArrayLike,
        progress: Progress | None = None,
    ) -> FloatArray:
        """Mean power of one arrester in the same way [per unit of the section's rating], shape (n,)."""
        kinds = np.atleast_1d(np.asarray(circuit, dtype=np.int64))
        power, own = np.zeros(len(kinds)), kinds >= 0
        for atlas, where, held in self._in_atlas(kinds, b=b, p=p, im=im):
            power[where], own[where] = atlas.coarse.find("power", **held)[1], False
        for table, where, keys in self._nearest(kinds, own, b=b, p=p, im=im, clamped=True, progress=progress):
            power[where] = table.powers(keys)
        return power

    def _in_atlas(
        self, kinds: IntArray, *, b: npt.ArrayLike, p: npt.ArrayLike, im: npt.ArrayLike
    ) -> Iterator[tuple[Atlas, IntArray, dict[str, FloatArray]]]:
        """Yield, for every circuit with an atlas, it, the places it is at, and the values there."""
        columns = [np.broadcast_to(np.asarray(values, dtype=np.float64), kinds.shape) for values in (b, p, im)]
        for kind in Circuit:
            where, atlas = np.flatnonzero(kinds == kind), self._atlas(kind)
            if atlas is not None and len(where):
                yield atlas, where, dict(zip(("b", "g", "im"), (column[where] for column in columns), strict=True))

    def _nearest(
        self,
        kinds: IntArray,
        own: npt.NDArray[np.bool_],
        *,
        b: npt.ArrayLike,
        p: npt.ArrayLike,
        im: npt.ArrayLike,
        clamped: bool,
        progress: Progress | None,
    ) -> Iterator[tuple[CurveTable, IntArray, IntArray]]:
        """Yield, for every circuit among those wanted, its curves, the places it is at, and the nearest nodes."""
        node_b, node_p, node_im = (nearest_node(values, axis) for axis, values in enumerate((b, p, im)))
        keys = np.broadcast_to(make_keys(node_b, node_p, im=node_im), kinds.shape)
        for kind in Circuit:
            where = np.flatnonzero(own & (kinds == kind))
            if len(where):
                table = self._table(kind, clamped=clamped)
                table.ensure(keys[where], progress=progress)
                yield table, where, keys[where]

    def _table(self, circuit: Circuit, *, clamped: bool = False) -> CurveTable:
        if (circuit, clamped) not in self._tables:
            self._tables[circuit, clamped] = CurveTable(
                circuit, parameters=self.parameters, cache_dir=self.cache_dir, workers=self.workers, clamped=clamped
            )
        return self._tables[circuit, clamped]

    def _answer(self, circuit: Circuit, sections: PerUnitSections, *, progress: Progress | None) -> StudyResult:
        bare, loaded = corners_of(circuit, sections)
        table, clamped = self._table(circuit), self._table(circuit, clamped=True)
        for curves in (table, clamped):
            curves.ensure(np.union1d(bare.keys, loaded.keys), progress=progress)
        peak = table.peaks(bare.keys).max(axis=0)
        needed, cures = self._load_needed(table, sections, peak=peak, progress=progress)
        limit = self.voltage_limit
        return StudyResult(
            peak_pu=peak,
            peak_loaded_pu=table.peaks(loaded.keys).max(axis=0),
            typical_pu=bare.mean_of_some(table.typical(bare.keys, limit=limit)),
            likelihood=bare.mean(table.shares(bare.keys, limit=limit)),
            likelihood_loaded=loaded.mean(table.shares(loaded.keys, limit=limit)),
            load_needed_pu=needed,
            clamped_pu=clamped.peaks(bare.keys).max(axis=0),
            arrester_power_pu=clamped.powers(bare.keys).max(axis=0),
            arrester_power_loaded_pu=clamped.powers(loaded.keys).max(axis=0),
            cycles_above=table.cycles_above(bare.keys, limit=limit).max(axis=0),
            load_cures=cures,
            in_model=np.ones(len(peak), dtype=bool),
        )

    def _load_needed(
        self, table: CurveTable, sections: PerUnitSections, *, peak: FloatArray, progress: Progress | None
    ) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        needed, cures = np.zeros(len(peak)), np.ones(len(peak), dtype=bool)
        ring = np.flatnonzero(peak > self.voltage_limit)
        if not len(ring):
            return needed, cures
        start, _ = node_bounds(sections.p[ring], 1)
        top, _ = node_bounds(FULL_LOAD + sections.p[ring], 1)
        worst = start.copy()
        for side_b, side_im in _sides(sections.b[ring], sections.im[ring]):
            # one corner after the other: a corner that is calm from the load found so far on needs no search
            column = np.column_stack([side_b, side_im, worst, top])
            distinct, back = np.unique(column, axis=0, return_inverse=True)
            found = LeastGood(table, distinct, limit=self.voltage_limit).search(progress)
            worst = np.maximum(worst, found[back.ravel()])
        cures[ring] = worst <= top
        needed[ring] = np.clip(node_value(worst + NODES_IN_HAND, 1) - sections.p[ring], 0.0, FULL_LOAD)
        needed[ring[worst > top]] = FULL_LOAD
        return needed, cures


@dataclass(frozen=True)
class Corners:
    """The eight nodes around each section, and how near each is: keys and weights, shape (8, n)."""

    keys: IntArray
    weights: FloatArray

    @classmethod
    def around(cls, b: FloatArray, g: FloatArray, *, im: FloatArray, one_phase: FloatArray | float = 0.0) -> Corners:
        """Nodes around b, g, im at a step of single-phase load."""
        return cls(corner_keys(b, g, im=im, one_phase=one_phase), corner_weights(b, g, im=im))

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean of values at the nodes, by nearness; within their range whatever the rounding."""
        found = (self.weights * values).sum(axis=0)
        return np.asarray(np.clip(found, values.min(axis=0), values.max(axis=0)))

    def mean_of_some(self, values: FloatArray) -> FloatArray:
        """The same of those that are there; NaN where none is."""
        weights = np.where(np.isfinite(values), self.weights + 1e-12, 0.0)
        total, weight = (weights * np.nan_to_num(values)).sum(axis=0), weights.sum(axis=0)
        return np.divide(total, weight, out=np.full(total.shape, np.nan), where=weight > 0.0)


def corners_of(circuit: Circuit, sections: PerUnitSections) -> tuple[Corners, Corners]:
    """Nodes around each section at no load, and with its load; in five-legged cores single-phase load is load."""
    in_core = circuit is Circuit.FIVE_LEGGED
    load = sections.load + (sections.one_phase if in_core else 0.0)
    g = sections.p + np.minimum(load, FULL_LOAD)
    bare = Corners.around(sections.b, sections.p, im=sections.im)
    return bare, Corners.around(sections.b, g, im=sections.im, one_phase=0.0 if in_core else sections.one_phase)


def _sides(b: FloatArray, im: FloatArray) -> Iterator[tuple[IntArray, IntArray]]:
    """Yield the four nodes of (b, im) around each section, upper b first: it asks for most load, as a rule."""
    for side_b in reversed(node_bounds(b, 0)):
        for side_im in node_bounds(im, 2):
            yield side_b, side_im


class LeastGood:
    """Search, for many (b, im) at once, the least g from which on every node is under the limit.

    ``table`` curves of the circuit; ``columns`` node numbers b, im, first g, last g, shape (n, 4); ``limit`` voltage
    limit [per unit].
    """

    def __init__(self, table: CurveTable, columns: IntArray, *, limit: float) -> None:
        self.table = table
        self.columns = columns
        self.limit = limit

    def search(self, progress: Progress | None) -> IntArray:
        """Node number of the least good g of each column; last + 1 where even the last is not good."""
        first, last = self.columns[:, 2], self.columns[:, 3]
        low, high = first - 1, first.copy()
        # the first node alone often settles it: every corner after the first one starts at what the others need
        bad = (first <= last) & self._bad(np.minimum(first, last), progress)
        low, high = np.where(bad, first, low), np.where(bad, last + 1, high)
        at_last = bad & self._bad(last, progress, where=bad)
        low = np.where(at_last, last, low)
        while True:
            while (open_ := high - low > 1).any():
                middle = np.where(open_, dyadic_between(low, high), high)
                bad = self._bad(middle, progress, where=open_)
                low, high = np.where(open_ & bad, middle, low), np.where(open_ & ~bad, middle, high)
            slip = self._slip(high, progress)
            if not (slip > high).any():
                return high
            low = np.where(slip > high, slip, low)
            high = np.where(slip > high, last + 1, high)

    def _slip(self, high: IntArray, progress: Progress | None) -> IntArray:
        """Highest bad node just above ``high``, or ``high`` itself."""
        slip = high.copy()
        for ahead in range(1, GOOD_NODES_ABOVE + 1):
            node = high + ahead
            inside = node <= self.columns[:, 3]
            bad = self._bad(np.minimum(node, self.columns[:, 3]), progress, where=inside)
            slip = np.where(inside & bad, node, slip)
        return slip

    def _bad(
        self, g: IntArray, progress: Progress | None, *, where: npt.NDArray[np.bool_] | None = None
    ) -> npt.NDArray[np.bool_]:
        chosen = np.ones(len(g), dtype=bool) if where is None else where
        keys = make_keys(self.columns[chosen, 0], g[chosen], im=self.columns[chosen, 1])
        self.table.ensure(keys, progress=progress)
        bad = np.zeros(len(g), dtype=bool)
        bad[chosen] = self.table.peaks(keys) > self.limit
        return bad


def dyadic_between(low: IntArray, high: IntArray) -> IntArray:
    """Multiple of the largest power of two strictly between two numbers that lie two or more apart, else ``low + 1``.

    Searches that start from different ends then try the same nodes, which are computed once.
    """
    answer = low + 1
    for power in range(10):
        candidate = (high - 1) >> power << power
        answer = np.where(candidate > low, candidate, answer)
    return answer


def direct(  # noqa: PLR0913  # one section's figures
    circuit: Circuit,
    *,
    b: float,
    p: float,
    im: float,
    load: float = 0.0,
    one_phase: float = 0.0,
    clamped: bool = False,
    parameters: CurveParameters | None = None,
    density: int = 1,
) -> FloatArray:
    """Simulate one section itself, without grid or cache.

    Parameters
    ----------
    circuit
        Winding family.
    b, p, im, load, one_phase
        Charging, core loss, magnetizing current, load and single-phase load [per unit of the section's rating].
    clamped
        With an arrester on every open phase.
    parameters
        Resistances, magnetizing curve, arrester.
    density
        Multiplies the number of draws.

    Returns
    -------
    numpy.ndarray
        Of every operation of every sequence: sustained peak [per unit], largest mean power of one arrester [per unit
        of rating], period [cycles, 0 where it does not repeat], cycles above each of ``curves.LIMITS_PU``; shape
        (operations, 3 + limits), two operations a sequence.
    """
    chosen = CurveParameters() if parameters is None else parameters
    of_core = one_phase if circuit is Circuit.FIVE_LEGGED else 0.0
    rows = chosen.rows(
        np.array([b]), np.array([p + load + of_core]), im=np.array([im]), one_phase=one_phase - of_core, clamped=clamped
    )
    found = simulate(circuit, rows, density=density)[0]
    return np.asarray(found.reshape(-1, found.shape[-1]))
