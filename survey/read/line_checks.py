"""Drawn lines that can be used but should be looked at, and recorded against drawn lengths."""

from __future__ import annotations

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
    rows.report(
        "warning",
        "closed_line",
        where=_of_rows(rows, drawn, _closed(drawn)),
        message="{count} of {all} cables end where they begin; they lead nowhere; draw them from end to end",
    )
    rows.report(
        "warning",
        "self_crossing",
        where=_of_rows(rows, drawn, _self_crossing(drawn)),
        message="{count} of {all} cables cross or retrace themselves; used as drawn, no joint at the crossing; "
        "check the drawing",
    )


def _of_rows(rows: Rows, drawn: RawLines, lines: NDArray[np.bool_]) -> NDArray[np.bool_]:
    mask = np.zeros(len(rows), np.bool_)
    mask[drawn.owner[lines]] = True
    return mask


def _closed(drawn: RawLines) -> NDArray[np.bool_]:
    first, last = drawn.xy[drawn.start[:-1]], drawn.xy[drawn.start[1:] - 1]
    return np.asarray((first == last).all(axis=1))


def _self_crossing(drawn: RawLines) -> NDArray[np.bool_]:
    """Lines that are not simple. One that always goes on in the direction of its chord cannot be; few are left to try."""
    crossing = np.zeros(len(drawn.owner), np.bool_)
    doubtful = np.flatnonzero(_turns_back(drawn) & ~_closed(drawn))
    for i in doubtful.tolist():
        crossing[i] = not shapely.is_simple(shapely.LineString(drawn.xy[drawn.start[i] : drawn.start[i + 1]]))
    return crossing


def _turns_back(drawn: RawLines) -> NDArray[np.bool_]:
    if not len(drawn.owner):
        return np.zeros(0, np.bool_)
    count = np.diff(drawn.start)
    chord = np.repeat(drawn.xy[drawn.start[1:] - 1] - drawn.xy[drawn.start[:-1]], count, axis=0)
    step = np.zeros_like(drawn.xy)
    step[:-1] = np.diff(drawn.xy, axis=0)
    step[drawn.start[1:] - 1] = 0.0
    back = np.einsum("ij,ij->i", step, chord) < 0
    return np.add.reduceat(back, drawn.start[:-1], dtype=np.int64) > 0


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
