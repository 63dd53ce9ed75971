"""Drawn lines that can be used but should be looked at, and recorded against drawn lengths."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from survey.read.columns import Rows
from survey.read.geometry import RawLines
from survey.settings import NetworkSettings

BLOCK = 65_536
SLACK = (0.8, 1.25)
"""Recorded over drawn length that slack, risers and a coarse drawing explain (judgement, no source)."""
FEWEST = 20
"""Cables below which no length is called usual (judgement)."""
PROBLEMS = ("null_geometry", "empty_geometry", "wrong_geometry", "unreadable_geometry", "not_finite", "zero_length")


def report_drawing(
    rows: Rows, problems: Mapping[str, Sequence[int]], *, has_nodes: NDArray[np.bool_], done: str
) -> None:
    """Name the assets without a usable geometry.

    ``problems``: rows by rule. ``has_nodes``: what its node ids place all the same, shape (n,). ``done``: what became
    of the others, in words.
    """
    for rule in PROBLEMS:
        listed = _mask(rows, problems.get(rule, ()))
        rows.report(rule, severity="error", where=listed & ~has_nodes, done=done)
        if rule != "null_geometry":  # no geometry at all is how a network by node ids is recorded, no fault
            rows.report(rule, severity="warning", where=listed & has_nodes)


def report_line_shapes(rows: Rows, drawn: RawLines, *, settings: NetworkSettings) -> None:
    """Name cables drawn in pieces, closed on themselves, or crossing themselves."""
    rows.report("in_pieces", where=_mask(rows, drawn.problems.get("in_pieces", ())), snap_m=settings.snap_m)
    bent = np.flatnonzero(np.diff(drawn.start) > 2)
    closed = (drawn.xy[drawn.start[bent]] == drawn.xy[drawn.start[bent + 1] - 1]).all(axis=1)
    rows.report("closed_line", where=_mask(rows, drawn.owner[bent[closed]]))
    bent = bent[~closed & _turns_back(drawn)[bent]]
    rows.report("self_crossing", where=_mask(rows, drawn.owner[bent[_crossing(drawn, bent)]]))


def _mask(rows: Rows, places: Sequence[int] | NDArray[np.int64]) -> NDArray[np.bool_]:
    mask = np.zeros(len(rows), np.bool_)
    mask[np.asarray(places, np.int64)] = True
    return mask


def _turns_back(drawn: RawLines) -> NDArray[np.bool_]:
    """Lines with a step that does not lead on from the first to the last point: no other line can cross itself."""
    count, step = np.diff(drawn.start), np.diff(drawn.xy, axis=0, append=np.nan)
    whole = drawn.xy[drawn.start[1:] - 1] - drawn.xy[drawn.start[:-1]]
    on = np.einsum("ij,ij->i", step, np.repeat(whole, count, axis=0))
    on[drawn.start[1:] - 1] = np.inf
    return np.minimum.reduceat(on, drawn.start[:-1]) <= 0 if len(count) else np.zeros(0, np.bool_)


def _crossing(drawn: RawLines, lines: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which of some lines (rising) cross themselves; looked at in blocks, as shapes need room."""
    crossing = np.zeros(len(lines), np.bool_)
    for i in range(0, len(lines), BLOCK):
        some = lines[i : i + BLOCK]
        start = drawn.start[some[0] : some[-1] + 2]
        chosen, count = np.isin(np.arange(some[0], some[-1] + 1), some), np.diff(start)
        xy = drawn.xy[start[0] : start[-1]][np.repeat(chosen, count)]
        shapes = shapely.linestrings(xy, indices=np.repeat(np.arange(len(some)), count[chosen]))
        crossing[i : i + BLOCK] = ~shapely.is_simple(shapes)
    return crossing


def report_lengths(
    rows: Rows, *, recorded_m: NDArray[np.float64], drawn_m: NDArray[np.float64], settings: NetworkSettings
) -> None:
    """Compare recorded with drawn lengths (rules ``length_slack``, ``length_differs``).

    ``rows``: the cables. ``recorded_m``, ``drawn_m``: lengths, NaN where there is none, shape (n,). ``settings``:
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
