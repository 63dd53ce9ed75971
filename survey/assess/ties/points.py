"""Normally open single-pole devices as switching points: the state in which each exposes what is worst."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from survey.arrays import Floats, Ints
from survey.assess.circuits import ShownValues
from survey.network.ties.states import Pairs, pair_sections

if TYPE_CHECKING:
    from survey.assess.ties.verdict import Frame, States, Totals


@dataclass(frozen=True)
class PointRows:
    """Switching points for the table; shape (n_points,), rows of the switches, -1 where there is none.

    ``device``; ``opened``: device that is open in its worst state, -1 for those of the normal state; ``totals`` and
    ``hold_kw`` of the section, ``peak_pu``, ``likelihood`` and ``hazard`` of the worst winding family there; pairs of
    point and site, and of point and piece, each sorted.
    """

    device: Ints
    opened: Ints
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
        opened: Ints,
        sites: tuple[Ints, Ints],
        pieces: tuple[Ints, Ints],
    ) -> PointRows:
        """Rows for some sections; of equal families the first."""
        figures, row = totals.figures, totals.row[:, at]
        hazard = np.append(np.fmax(figures.hazard, figures.loaded), np.nan)
        worst = row[np.argmax(np.nan_to_num(hazard[row], nan=-1.0), axis=0), np.arange(len(at))]
        values = ShownValues(**{f.name: getattr(totals.values, f.name)[..., at] for f in fields(ShownValues)})
        peak, likelihood = (np.append(x, np.nan)[worst] for x in (figures.peak_pu, figures.likelihood))
        return cls(device, opened, values, totals.hold_kw[at], peak, likelihood, hazard[worst], sites, pieces)

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


def tie_points(states: States, frame: Frame) -> PointRows:
    """Worst state of every normally open single-pole device that exposes a site; of two alike that with more cable."""
    loops, pairs, here = states.loops, states.pairs, states.here
    mine = np.flatnonzero(((loops.side == 0) & (loops.tie[loops.loop] >= 0))[pairs.worked] & (here.values.sites > 0))
    hazard = np.append(np.fmax(here.figures.hazard, here.figures.loaded), np.nan)[here.row[:, mine]]
    worst = np.nan_to_num(hazard, nan=-1.0).max(axis=0)
    # as for sites: a section over worst_kva counts where there is no other
    over = here.rating_va[mine] > frame.settings.limits.worst_kva * 1e3
    order = np.lexsort((-here.values.cable_m[mine], -worst, over, pairs.worked[mine]))
    device, first = np.unique(pairs.worked[mine][order], return_index=True)
    at = mine[order[first]]
    few = Pairs(pairs.opened[at], pairs.worked[at], np.empty(0, np.int64))
    sections, every = pair_sections(loops, few, sections=frame.network.sections), np.arange(len(at))
    return PointRows.of(
        here,
        at=at,
        device=loops.device[device],
        opened=loops.device[few.opened],
        sites=sections.members(every, frame.network.site_node),
        pieces=sections.pieces(every),
    )
