"""Drawn lines that can be used but should be looked at, and recorded against drawn lengths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from survey.read.columns import Rows
    from survey.read.geometry import RawLines
    from survey.settings import NetworkSettings


PROBLEMS = ("null_geometry", "empty_geometry", "wrong_geometry", "unreadable_geometry", "not_finite", "zero_length")


def report_drawing(
    rows: Rows, problems: Mapping[str, Sequence[int]], *, has_nodes: NDArray[np.bool_], done: str
) -> None:
    """Name the assets without a usable geometry.

    Parameters
    ----------
    problems
        Rows by rule.
    has_nodes
        What its node ids place all the same, shape (n,).
    done
        What became of the others, in words.
    """
    for rule in PROBLEMS:
        listed = np.zeros(len(rows), np.bool_)
        listed[list(problems.get(rule, ()))] = True
        rows.report(rule, severity="error", where=listed & ~has_nodes, done=done)
        if rule != "null_geometry":  # no geometry at all is how a network by node ids is recorded, no fault
            rows.report(rule, severity="warning", where=listed & has_nodes)


def report_line_shapes(rows: Rows, drawn: RawLines, *, settings: NetworkSettings) -> None:
    """Name cables drawn in pieces, closed on themselves, or crossing themselves."""
    in_pieces = np.zeros(len(rows), np.bool_)
    in_pieces[drawn.problems.get("in_pieces", [])] = True
    rows.report("in_pieces", where=in_pieces, snap_m=settings.snap_m)
    bent = _bent(drawn)
    rows.report("closed_line", where=_of_rows(rows, bent, bent.closed))
    rows.report("self_crossing", where=_of_rows(rows, bent, bent.crossing))


BLOCK = 16_384
SLACK = (0.8, 1.25)
"""Recorded over drawn length that slack, risers and a coarse drawing explain (judgement, no source)."""
FEWEST = 20
"""Cables below which no length is called usual (judgement)."""


@dataclass(frozen=True)
class _Bent:
    """Lines of more than two vertices: owner, whether closed, whether crossing themselves; all shape (n_bent,)."""

    owner: NDArray[np.int64]
    closed: NDArray[np.bool_]
    crossing: NDArray[np.bool_]


def _of_rows(rows: Rows, bent: _Bent, lines: NDArray[np.bool_]) -> NDArray[np.bool_]:
    mask = np.zeros(len(rows), np.bool_)
    mask[bent.owner[lines]] = True
    return mask


def _bent(drawn: RawLines) -> _Bent:
    """Look at lines of more than two vertices; one that always goes on towards its end is simple, few are tried."""
    count = np.diff(drawn.start)
    bent = np.flatnonzero(count > 2)
    first, count = drawn.start[bent], count[bent]
    chord = drawn.xy[first + count - 1] - drawn.xy[first]
    closed = (chord[:, 0] == 0) & (chord[:, 1] == 0)
    blocks = [slice(i, i + BLOCK) for i in range(0, len(bent), BLOCK)]  # small ones stay in the processor's cache
    back = [_turns_back(drawn.xy, first=first[i], count=count[i], chord=chord[i]) for i in blocks]
    doubtful = np.flatnonzero(np.concatenate([np.zeros(0, np.bool_), *back]) & ~closed)
    crossing = np.zeros(len(bent), np.bool_)
    if len(doubtful):
        count = count[doubtful]
        vertices = _runs(first[doubtful], count)
        shapes = shapely.linestrings(drawn.xy[vertices], indices=np.repeat(np.arange(len(doubtful)), count))
        crossing[doubtful] = ~shapely.is_simple(shapes)
    return _Bent(drawn.owner[bent], closed, crossing)


def _runs(first: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Numbers ``first[i], first[i] + 1, ...``, ``count[i]`` of them, one run after the other."""
    shift = first - (np.cumsum(count) - count)
    return np.repeat(shift, count) + np.arange(count.sum())


def _turns_back(
    xy: NDArray[np.float64], *, first: NDArray[np.int64], count: NDArray[np.int64], chord: NDArray[np.float64]
) -> NDArray[np.bool_]:
    steps = count - 1
    vertices = _runs(first, steps)
    step = xy[vertices + 1] - xy[vertices]
    ahead = step[:, 0] * np.repeat(chord[:, 0], steps) + step[:, 1] * np.repeat(chord[:, 1], steps)
    lowest: NDArray[np.float64] = np.minimum.reduceat(ahead, np.cumsum(steps) - steps)
    return lowest < 0


def report_lengths(
    rows: Rows, *, recorded_m: NDArray[np.float64], drawn_m: NDArray[np.float64], settings: NetworkSettings
) -> None:
    """Compare recorded with drawn lengths (rules ``length_slack``, ``length_differs``).

    Parameters
    ----------
    rows
        The cables.
    recorded_m, drawn_m
        Lengths, NaN where there is none, shape (n,).
    settings
        ``length_tolerance`` (share of the longer one) and ``length_tolerance_m``; the larger one counts.
    """
    off = np.abs(recorded_m - drawn_m)
    limit = np.maximum(settings.length_tolerance * np.fmax(recorded_m, drawn_m), settings.length_tolerance_m)
    differs = off > limit
    if not differs.any():
        return
    beyond: dict[str, Any] = {"share": settings.length_tolerance, "metres": settings.length_tolerance_m}
    ratio = np.divide(recorded_m, drawn_m, out=np.full(len(rows), np.nan), where=drawn_m > 0)
    known = ratio[np.isfinite(ratio)]
    low, high = _usual_slack(known)
    usual = differs & (ratio >= low) & (ratio <= high)
    least, middle, most = np.quantile(known, [0.05, 0.5, 0.95]) if len(known) else np.full(3, np.nan)
    rows.report("length_slack", where=usual, **beyond, low=least, middle=middle, high=most)
    differs &= ~usual
    worst = int(np.argmax(np.where(differs, off, -1.0)))
    cable, recorded, drawn = rows.ids[worst].as_py(), recorded_m[worst], drawn_m[worst]
    rows.report("length_differs", where=differs, **beyond, cable=cable, recorded=recorded, drawn=drawn)


def _usual_slack(ratio: NDArray[np.float64]) -> tuple[float, float]:
    """Ends of what is ordinary among recorded over drawn lengths: Tukey's fences, never beyond :data:`SLACK`.

    Nothing is ordinary, ``(1, 1)``, among too few, or where the export as a whole is off (feet taken for metres).
    """
    if len(ratio) < FEWEST:
        return 1.0, 1.0
    first, middle, third = np.quantile(ratio, [0.25, 0.5, 0.75])
    if not SLACK[0] <= middle <= SLACK[1]:
        return 1.0, 1.0
    reach = 1.5 * (third - first)
    return max(first - reach, SLACK[0]), min(third + reach, SLACK[1])
