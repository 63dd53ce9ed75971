"""Placing labels on a page so that none lies on another, on a mark or on a leader line.

Greedy, in the order given: each label tries places around its mark, close ones first and then farther off with a
leader line, and takes the cheapest free one. Cheap is near, and clear of drawn lines. What finds no place is left to
the caller (who may draw at a larger scale).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.report.sheets.paper import Rect

Box = tuple[float, float, float, float]

GAP, MARK_GAP, TOUCH = 1.2, 0.4, 1.2
APART = 5.0
"""A label farther than this from its mark, points, has a line that leads to it."""
RINGS = (7.0, 12.0, 18.0, 26.0, 36.0, 48.0, 64.0, 84.0, 110.0, 142.0, 182.0, 230.0, 290.0, 360.0)
LEAST_DIRECTIONS, MOST_DIRECTIONS, DIRECTION_STEP = 24, 240, 5.0
INK_COST = 14.0
LEADER_COST, FAR_COST = 6.0, 0.55
CROSSED_MARK_COST = 9.0
_NEAR = np.deg2rad([0, 45, 90, 180, 135, 315, 225, 270])
_NEAR_COST = np.array([0.0, 0.2, 0.8, 0.6, 0.9, 0.5, 1.0, 1.2])


@dataclass(frozen=True)
class Placed:
    """A label that has its place.

    ``box``: where its text goes, (x0, y0, x1, y1). ``leader``: line from mark to label, (x0, y0, x1, y1); ``None`` when
    the label touches its mark.
    """

    box: Box
    leader: Box | None


@dataclass
class LabelField:
    """What is taken on a page already.

    ``frame``: labels stay inside it. ``marks``: boxes of the marks, shape (n, 4). ``ink``: points along the drawn
    lines, shape (n, 2): places to avoid where possible.
    """

    frame: Rect
    marks: Floats
    ink: Floats
    boxes: list[Box] = field(default_factory=list)
    leaders: list[Box] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._sums = _ink_sums(self.ink, self.frame)

    def place(
        self, anchor: tuple[float, float], size: tuple[float, float], *, radius: float, reach: float, start: float = 0.0
    ) -> Placed | None:
        """Find a place for a label of a ``size`` (width, height) beside a mark of a ``radius``.

        Rings of places from ``start`` to ``reach`` points away are tried outwards, until no farther one can be cheaper
        than the best so far.
        """
        best, best_cost = None, np.inf
        for away in (start, *(ring for ring in RINGS if start < ring <= reach)):
            if _ring_cost(away) >= best_cost:
                break
            ring = _candidates(np.array(anchor), np.array(size), radius=radius, away=away)
            found = self._cheapest(ring, anchor)
            if found is not None and found[1] < best_cost:
                best, best_cost = found
        return None if best is None else self._take(best)

    def take_if_free(self, boxes: Floats) -> bool:
        """Take the room of a text, boxes (n, 4), if all of it is inside the frame and free."""
        marks = _overlap(boxes, self.marks, gap=MARK_GAP).any()
        taken = (
            _overlap(boxes, _rows(self.boxes), gap=GAP).any() or segments_cross_boxes(_rows(self.leaders), boxes).any()
        )
        if marks or taken or not _inside(boxes, self.frame).all():
            return False
        self.boxes += [(x0, y0, x1, y1) for x0, y0, x1, y1 in boxes.tolist()]
        return True

    def _cheapest(self, ring: _Ring, anchor: tuple[float, float]) -> tuple[Placed, float] | None:
        ring = ring.kept(_inside(ring.boxes, self.frame))
        corners = np.concatenate([ring.boxes.reshape(-1, 2), np.array([anchor])])
        reached = np.concatenate([corners.min(axis=0), corners.max(axis=0)])
        marks = _near(self.marks, reached)
        ring = ring.kept(np.asarray(~_overlap(ring.boxes, marks, gap=MARK_GAP).any(axis=1)))
        ring = ring.kept(self._clear(ring, reached))
        if len(ring.cost) == 0:
            return None
        others = marks[~np.asarray(((marks[:, :2] <= anchor) & (marks[:, 2:] >= anchor)).all(axis=1))]
        cost = ring.cost + INK_COST * self._inked(ring.boxes)
        cost = cost + CROSSED_MARK_COST * segments_cross_boxes(ring.leaders, others).sum(axis=1)
        first = int(np.argmin(cost))
        return _placed(ring.boxes[first], ring.leaders[first]), float(cost[first])

    def _clear(self, ring: _Ring, reached: Floats) -> Bools:
        taken, lines = _near(_rows(self.boxes), reached), _near(_rows(self.leaders), reached)
        blocked = _overlap(ring.boxes, taken, gap=GAP).any(axis=1)
        blocked |= segments_cross_boxes(lines, ring.boxes).any(axis=0)
        blocked |= segments_cross_boxes(ring.leaders, taken).any(axis=1)
        return np.asarray(~(blocked | _segments_cross(ring.leaders, lines).any(axis=1)))

    def _inked(self, boxes: Floats) -> Floats:
        """Share of each box that lines cover."""
        low = np.floor(boxes[:, :2] - (self.frame.x0, self.frame.y0)).astype(int)
        high = np.ceil(boxes[:, 2:] - (self.frame.x0, self.frame.y0)).astype(int)
        (x0, y0), (x1, y1) = low.T, high.T
        sums = self._sums
        covered = sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]
        return np.asarray(covered / np.maximum((x1 - x0) * (y1 - y0), 1), dtype=np.float64)

    def _take(self, placed: Placed) -> Placed:
        self.boxes.append(placed.box)
        if placed.leader is not None:
            self.leaders.append(placed.leader)
        return placed


@dataclass(frozen=True)
class _Ring:
    """Places to choose from: boxes (n, 4), leader lines (n, 4; of no length where a label touches its mark), costs."""

    boxes: Floats
    leaders: Floats
    cost: Floats

    def kept(self, keep: Bools) -> _Ring:
        return _Ring(self.boxes[keep], self.leaders[keep], self.cost[keep])


def _placed(box: Floats, leader: Floats) -> Placed:
    (x0, y0, x1, y1), (a, b, c, d) = box.tolist(), leader.tolist()
    return Placed((x0, y0, x1, y1), None if (a, b) == (c, d) else (a, b, c, d))


def _ring_cost(away: float) -> float:
    return LEADER_COST + FAR_COST * away if away else 0.0


def _near(rows: Floats, hull: Floats) -> Floats:
    """Those boxes or lines (n, 4) whose own rectangle comes near the hull."""
    low, high = np.minimum(rows[:, :2], rows[:, 2:]), np.maximum(rows[:, :2], rows[:, 2:])
    apart = (low > hull[2:] + GAP) | (high < hull[:2] - GAP)
    return rows[~apart.any(axis=1)]


def _rows(values: list[Box]) -> Floats:
    return np.array(values, dtype=np.float64).reshape(-1, 4)


def _ink_sums(ink: Floats, frame: Rect) -> Ints:
    """Summed-area table of the cells, one point wide, that drawn lines touch."""
    columns, rows = int(np.ceil(frame.width)) + 2, int(np.ceil(frame.height)) + 2
    cells = np.floor(ink - (frame.x0, frame.y0)).astype(int)
    kept = cells[((cells >= 0) & (cells < (columns - 1, rows - 1))).all(axis=1)]
    grid = np.zeros((rows, columns), dtype=np.int64)
    grid[kept[:, 1] + 1, kept[:, 0] + 1] = 1
    return grid.cumsum(axis=0).cumsum(axis=1)


def _candidates(anchor: Floats, size: Floats, *, radius: float, away: float) -> _Ring:
    """Places around a mark at one distance; at none they touch it, but for wide ones askew: a line leads to these."""
    count = int(np.clip(2 * np.pi * away / DIRECTION_STEP, LEAST_DIRECTIONS, MOST_DIRECTIONS))
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False) if away else _NEAR
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    middle = anchor + direction * (radius + (away or TOUCH) + np.abs(direction) @ size / 2)[:, None]
    boxes = np.concatenate([middle - size / 2, middle + size / 2], axis=1)
    end = np.clip(anchor, boxes[:, :2], boxes[:, 2:])
    apart = np.hypot(*(end - anchor).T) - radius
    led = (apart > APART) | (away > 0)
    toward = direction if away else (end - anchor) / np.maximum(apart + radius, 1e-9)[:, None]
    start = np.where(led[:, None], anchor + toward * radius, end)
    cost = np.full(len(angle), _ring_cost(away)) if away else _NEAR_COST + led * (LEADER_COST + FAR_COST * apart)
    return _Ring(boxes, np.concatenate([start, end], axis=1), cost)


def _inside(boxes: Floats, frame: Rect) -> Bools:
    low = (boxes[:, :2] >= (frame.x0 + 1, frame.y0 + 1)).all(axis=1)
    return np.asarray(low & (boxes[:, 2:] <= (frame.x1 - 1, frame.y1 - 1)).all(axis=1))


def _overlap(first: Floats, second: Floats, *, gap: float) -> Bools:
    """Which boxes of ``first`` (n, 4) come nearer than ``gap`` to which of ``second`` (m, 4); shape (n, m)."""
    one, other = first[:, None, :], second[None, :, :]
    apart = (one[..., :2] >= other[..., 2:] + gap) | (other[..., :2] >= one[..., 2:] + gap)
    return np.asarray(~apart.any(axis=2))


def segments_cross_boxes(segments: Floats, boxes: Floats) -> Bools:
    """Which segments (n, 4) pass through which boxes (m, 4), by clipping (Liang and Barsky, 1984); shape (n, m)."""
    start, step = segments[:, None, :2], (segments[:, 2:] - segments[:, :2])[:, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = (boxes[None, :, :2] - start) / step, (boxes[None, :, 2:] - start) / step
    still = step == 0
    within = (start > boxes[None, :, :2]) & (start < boxes[None, :, 2:])
    enter = np.where(still, np.where(within, -np.inf, np.inf), np.fmin(one, other)).max(axis=2)
    leave = np.where(still, np.where(within, np.inf, -np.inf), np.fmax(one, other)).min(axis=2)
    long = (segments[:, :2] != segments[:, 2:]).any(axis=1)
    return np.asarray((enter < leave) & (leave > 0) & (enter < 1) & long[:, None])


def _segments_cross(first: Floats, second: Floats) -> Bools:
    """Which segments of ``first`` (n, 4) cross which of ``second`` (m, 4); shape (n, m)."""
    a, b = first[:, None, :2], first[:, None, 2:]
    c, d = second[None, :, :2], second[None, :, 2:]
    return (_side(a, b, c) * _side(a, b, d) < 0) & (_side(c, d, a) * _side(c, d, b) < 0)


def _side(start: Floats, end: Floats, point: Floats) -> Floats:
    along, to = end - start, point - start
    return np.asarray(along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0])
