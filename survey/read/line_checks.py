"""Drawn lines that can be used but should be looked at, and recorded against drawn lengths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from survey.read.columns import Rows
    from survey.read.geometry import RawLines
    from survey.settings import NetworkSettings


def report_line_shapes(rows: Rows, drawn: RawLines, *, settings: NetworkSettings) -> None:
    """Name cables drawn in pieces, closed on themselves, or crossing themselves."""
    in_pieces = np.zeros(len(rows), np.bool_)
    in_pieces[drawn.problems.get("in_pieces", [])] = True
    rows.report(
        "warning",
        "in_pieces",
        where=in_pieces,
        message="{count} of {all} cables are drawn in pieces that do not join; every piece is kept; "
        f"draw them through, or raise network.snap_m ({settings.snap_m:g})",
    )
    bent = _bent(drawn)
    rows.report(
        "warning",
        "closed_line",
        where=_of_rows(rows, bent, bent.closed),
        message="{count} of {all} cables end where they begin; they lead nowhere; draw them from end to end",
    )
    rows.report(
        "warning",
        "self_crossing",
        where=_of_rows(rows, bent, bent.crossing),
        message="{count} of {all} cables cross or retrace themselves; used as drawn, no joint at the crossing; "
        "check the drawing",
    )


BLOCK = 16_384


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
    """Compare recorded with drawn lengths (rule ``length_differs``).

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
    worst = int(np.argmax(np.where(differs, off, -1.0)))
    rows.report(
        "warning",
        "length_differs",
        where=differs,
        message=f"{{count}} of {{all}} cables are recorded with a length that differs from the drawn one by more than "
        f"{settings.length_tolerance:.0%} and {settings.length_tolerance_m:g} m; worst: {rows.ids[worst].as_py()}, "
        f"recorded {recorded_m[worst]:.1f} m, drawn {drawn_m[worst]:.1f} m; the recorded length is used; "
        "check the unit of length_m, then these cables",
    )
