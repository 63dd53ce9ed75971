"""Single-pole devices that expose sites in states only, as switching points: the state in which each is worst."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.assess.circuits import ShownValues
from survey.network.ties.states import Pairs, pair_sections

if TYPE_CHECKING:
    from survey.assess.ties.verdict import Frame, States, Totals


@dataclass(frozen=True)
class PointRows:
    """Switching points for the table; shape (n_points,), rows of the switches, -1 where there is none.

    ``device``; ``closed`` and ``opened``: other devices that are closed and open in its worst state, -1 for those of
    the normal state; ``over`` the rating of the section beyond which some load is always on; ``totals`` and ``hold_kw``
    of the section, ``peak_pu``, ``likelihood`` and ``hazard`` of the worst winding family there; pairs of point and
    site, and of point and piece, each sorted.
    """

    device: Ints
    closed: Ints
    opened: Ints
    over: Bools
    totals: ShownValues
    hold_kw: Floats
    peak_pu: Floats
    likelihood: Floats
    hazard: Floats
    sites: tuple[Ints, Ints]
    pieces: tuple[Ints, Ints]

    @classmethod
    def of(
        cls,
        totals: Totals,
        *,
        at: Ints,
        device: Ints,
        closed: Ints,
        opened: Ints,
        most_va: float,
        sites: tuple[Ints, Ints],
        pieces: tuple[Ints, Ints],
    ) -> PointRows:
        """Rows for some sections; of equal families the first."""
        figures, row = totals.figures, totals.row[:, at]
        hazard = np.append(np.fmax(figures.hazard, figures.loaded), np.nan)
        worst = row[np.argmax(np.nan_to_num(hazard[row], nan=-1.0), axis=0), np.arange(len(at))]
        values = ShownValues(**{f.name: getattr(totals.values, f.name)[..., at] for f in fields(ShownValues)})
        peak, likelihood = (np.append(x, np.nan)[worst] for x in (figures.peak_pu, figures.likelihood))
        over, hold_kw = totals.rating_va[at] > most_va, totals.hold_kw[at]
        return cls(device, closed, opened, over, values, hold_kw, peak, likelihood, hazard[worst], sites, pieces)

    @classmethod
    def joined(cls, parts: list[PointRows]) -> PointRows:
        """One after the other."""
        first = np.cumsum([0, *(len(part.device) for part in parts)])
        values = {
            f.name: np.concatenate([getattr(part.totals, f.name) for part in parts], axis=-1)
            for f in fields(ShownValues)
        }
        columns = {f.name: [getattr(part, f.name) for part in parts] for f in fields(cls)}
        one = [name for name in columns if name not in {"totals", "sites", "pieces"}]
        made: dict[str, Any] = {name: np.concatenate(columns[name]) for name in one}
        for name in ("sites", "pieces"):
            shifted = [(owner + k, member) for (owner, member), k in zip(columns[name], first, strict=False)]
            made[name] = tuple(np.concatenate(part) for part in zip(*shifted, strict=True))
        return cls(totals=ShownValues(**values), **made)

    def taken(self, which: Ints) -> PointRows:
        """Some of them."""
        place = np.full(len(self.device), -1, np.int64)
        place[which] = np.arange(len(which))
        values = {f.name: getattr(self.totals, f.name)[..., which] for f in fields(ShownValues)}
        made: dict[str, Any] = {f.name: getattr(self, f.name) for f in fields(self)} | {"totals": ShownValues(**values)}
        for name in ("sites", "pieces"):
            owner, member = made[name]
            kept = np.flatnonzero(place[owner] >= 0)
            order = kept[np.argsort(place[owner[kept]], kind="stable")]
            made[name] = place[owner[order]], member[order]
        columns = {n: value[which] for n, value in made.items() if n not in {"totals", "sites", "pieces"}}
        return PointRows(**made | columns)

    @classmethod
    def worst(cls, parts: list[PointRows]) -> list[PointRows]:
        """All of them as one part, of every device its worst state."""
        if not parts:
            return []
        rows = cls.joined(parts)
        return [rows.taken(worst_first(rows.device, over=rows.over, hazard=rows.hazard, cable_m=rows.totals.cable_m))]


def worst_first(device: Ints, *, over: Bools, hazard: Floats, cable_m: Floats) -> Ints:
    """One place for every device, rising by device: its worst state; of two alike that with more cable.

    As for sites, a section that is ``over`` the rating counts where there is no other.
    """
    order = np.lexsort((-cable_m, -np.nan_to_num(hazard, nan=-1.0), over, device))
    return order[np.unique(device[order], return_index=True)[1]]


def tie_points(states: States, frame: Frame) -> PointRows:
    """Worst state of every single-pole device that exposes a site in one of these states and in the normal one none."""
    loops, pairs, here = states.loops, states.pairs, states.here
    most_va = frame.settings.limits.worst_kva * 1e3
    device = loops.device[pairs.worked]
    mine = np.flatnonzero(~frame.listed[device] & (here.values.sites > 0))
    hazard = np.append(np.fmax(here.figures.hazard, here.figures.loaded), np.nan)[here.row[:, mine]]
    worst = np.nan_to_num(hazard, nan=-1.0).max(axis=0)
    over, cable_m = here.rating_va[mine] > most_va, here.values.cable_m[mine]
    at = mine[worst_first(device[mine], over=over, hazard=worst, cable_m=cable_m)]
    few = Pairs(pairs.opened[at], pairs.worked[at], np.empty(0, np.int64))
    sections, every = pair_sections(loops, few, sections=frame.network.sections), np.arange(len(at))
    tie = loops.tie[loops.loop[few.worked]]
    return PointRows.of(
        here,
        at=at,
        device=device[at],
        closed=np.where(tie == device[at], -1, tie),
        opened=loops.device[few.opened],
        most_va=most_va,
        sites=sections.members(every, frame.network.site_node),
        pieces=sections.pieces(every),
    )
