"""From exposed sections to circuits: capacitance, rating, loss and magnetizing power of each, whole and by family."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.physics.families import FAMILIES
from survey.physics.screening import ScreeningLimits, clears, limit_charging_pu
from survey.physics.screening import limit_capacitance_f as limit_capacitance
from survey.physics.screening import limit_length_m as limit_length

if TYPE_CHECKING:
    from survey.assess.windings import Windings
    from survey.network.model import Network

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class SectionValues:
    """Totals of every exposed section; SI, shape (n_sections,), by family (n_families, n_sections).

    ``cable_m`` phase-weighted shielded cable; ``cap_f`` one phase to ground, cable plus transformers' own;
    ``cable_f`` that of the shielded cable alone; ``sites`` their number, ``rating_va``, ``loss_w``,
    ``magnetizing_va`` of all with a usable rating; ``voltage_v`` their rated voltage (weighted by rating; NaN
    without one); ``family_va, family_loss_w, family_magnetizing_va, family_load_w`` by winding family. Of these
    ``stand_in_f``, ``family_assumed_loss_w`` and ``family_assumed_magnetizing_va`` rest on defaults;
    ``family_doubtful_va`` is the rating of sites that may be of another family, ``family_sites`` the number of all.
    """

    cable_m: Floats
    cable_f: Floats
    cap_f: Floats
    sites: Ints
    rating_va: Floats
    loss_w: Floats
    magnetizing_va: Floats
    voltage_v: Floats
    family_va: Floats
    family_loss_w: Floats
    family_magnetizing_va: Floats
    family_load_w: Floats
    stand_in_f: Floats
    family_assumed_loss_w: Floats
    family_assumed_magnetizing_va: Floats
    family_doubtful_va: Floats
    family_sites: Floats


@dataclass(frozen=True)
class Circuits:
    """One circuit per section and winding family present; shape (n_circuits,).

    ``section``, ``family``; per unit of the family's rating: ``b`` charging, ``p`` core loss, ``im`` magnetizing,
    ``load`` dependable load; ``base_va``; ``clears`` the screening limit; ``over_limit`` charging over the limit
    that clears.
    """

    section: Ints
    family: Ints
    b: Floats
    p: Floats
    im: Floats
    load: Floats
    base_va: Floats
    clears: NDArray[np.bool_]
    over_limit: Floats

    def index(self, section: Ints, family: Ints, *, n_sections: int) -> Ints:
        """Row of the circuit of each section and family, -1 where there is none."""
        table = np.full((len(FAMILIES), n_sections), -1, np.int64)
        table[self.family, self.section] = np.arange(len(self.section))
        there = (section >= 0) & (family >= 0)
        return np.where(there, table[np.maximum(family, 0), np.maximum(section, 0)] if n_sections else -1, -1)


def section_values(
    network: Network, windings: Windings, *, cap_f_m: Floats, stand_in: NDArray[np.bool_]
) -> SectionValues:
    """Total every exposed section.

    Parameters
    ----------
    cap_f_m
        Capacitance of one phase to ground of every cable, F/m, shape (n_cables,).
    stand_in
        It is the voltage class's stand-in.
    """
    sections, pieces, node = network.sections, network.pieces, network.site_node
    shielded = network.tables.cables["shielded"].to_numpy(bool)[pieces.cable]
    piece_f = cap_f_m[pieces.cable] * pieces.length_m
    volts = np.where(windings.usable, network.tables.transformers["voltage_v"].to_numpy(np.float64), 0.0)
    loss, magnetizing = windings.loss_w, windings.magnetizing_va
    whole = [windings.rating_va, windings.rating_va * volts, loss, magnetizing, windings.own_cap_f, np.ones(len(node))]
    split = [windings.rating_va, loss, magnetizing, windings.min_load_w]
    split += [np.where(windings.assumed_loss, loss, 0.0), np.where(windings.assumed_exciting, magnetizing, 0.0)]
    split += [np.where(windings.assumed_connection, windings.rating_va, 0.0), (windings.rating_va > 0).astype(float)]
    of_family = [np.where(windings.family == k, value, 0.0) for value in split for k in range(len(FAMILIES))]
    found = sections.site_totals(node, np.array([*whole, *of_family]))
    rating, weighted, all_loss, all_magnetizing, own, sites = found[: len(whole)]
    by_family = found[len(whole) :].reshape(len(split), len(FAMILIES), -1)
    return SectionValues(
        cable_m=sections.total(np.where(shielded, pieces.length_m, 0.0)),
        cable_f=sections.total(np.where(shielded, piece_f, 0.0)),
        cap_f=sections.total(piece_f) + own,
        sites=np.rint(sites).astype(np.int64),
        rating_va=rating,
        loss_w=all_loss,
        magnetizing_va=all_magnetizing,
        voltage_v=np.divide(weighted, rating, out=np.full(len(rating), np.nan), where=rating > 0),
        family_va=by_family[0],
        family_loss_w=by_family[1],
        family_magnetizing_va=by_family[2],
        family_load_w=by_family[3],
        stand_in_f=sections.total(np.where(stand_in[pieces.cable], piece_f, 0.0)),
        family_assumed_loss_w=by_family[4],
        family_assumed_magnetizing_va=by_family[5],
        family_doubtful_va=by_family[6],
        family_sites=by_family[7],
    )


def make_circuits(values: SectionValues, *, frequency_hz: float, limits: ScreeningLimits) -> Circuits:
    """One circuit per section and family with a usable rating; all of the section's capacitance in each."""
    family, section = np.nonzero(values.family_va > 0)
    base = values.family_va[family, section]
    charging = 2 * np.pi * frequency_hz * values.cap_f[section] * values.voltage_v[section] ** 2
    b = charging / base
    p = values.family_loss_w[family, section] / base
    im = values.family_magnetizing_va[family, section] / base
    names = np.array(FAMILIES)[family]
    allowed = limit_charging_pu(names, magnetizing_pu=im, core_loss_pu=p, limits=limits)
    return Circuits(
        section=section,
        family=family,
        b=b,
        p=p,
        im=im,
        load=values.family_load_w[family, section] / base,
        base_va=base,
        clears=clears(names, charging_pu=b, magnetizing_pu=im, core_loss_pu=p, limits=limits),
        over_limit=np.divide(b, allowed, out=np.full(len(b), np.inf), where=allowed > 0),
    )


def allowed_length_m(
    values: SectionValues, circuits: Circuits, *, frequency_hz: float, limits: ScreeningLimits, class_f_m: Floats
) -> Floats:
    """Cable length at which each circuit meets its screening limit, metres, shape (n_circuits,).

    Parameters
    ----------
    class_f_m
        Capacitance per metre to use on sections without cable, F/m, shape (n_sections,).
    """
    section = circuits.section
    mix = np.divide(values.cable_f, values.cable_m, out=class_f_m.copy(), where=values.cable_m > 0)[section]
    allowed = limit_charging_pu(
        np.array(FAMILIES)[circuits.family], magnetizing_pu=circuits.im, core_loss_pu=circuits.p, limits=limits
    )
    limit = limit_capacitance(
        limit_charging_pu=allowed,
        rating_va=circuits.base_va,
        voltage_v=values.voltage_v[section],
        frequency_hz=frequency_hz,
    )
    other = values.cap_f[section] - values.cable_f[section]
    return np.asarray(limit_length(limit_capacitance_f=limit, own_capacitance_f=other, mix_f_m=mix))
