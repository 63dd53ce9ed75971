"""From exposed sections to circuits: capacitance, rating, loss and magnetizing power of each, whole and by family."""

from dataclasses import dataclass, fields, replace

import numpy as np

from survey.arrays import Bools, Floats, Ints, ratio
from survey.assess.capacitance import CableCapacitance
from survey.assess.score import NO, UNKNOWN, YES
from survey.assess.windings import Windings
from survey.findings import FindingList
from survey.network import Network
from survey.physics.catalogue import Catalogue
from survey.physics.families import FAMILIES, FAMILY_TABLE
from survey.physics.screening import ScreeningLimits, clears, limit_charging_pu
from survey.physics.screening import limit_capacitance_f as limit_capacitance
from survey.physics.screening import limit_length_m as limit_length
from survey.read.tables import PHASE_A, PHASE_B, PHASE_C
from survey.settings import Settings


@dataclass(frozen=True)
class ShownValues:
    """What tables tell of every exposed section; SI, shape (n_sections,).

    ``cable_m`` phase-weighted shielded cable; ``cap_f`` one phase to ground, cable, line and transformers' own;
    ``sites`` their number, ``rating_va``, ``loss_w``, ``magnetizing_va`` of all with a usable rating; ``voltage_v``
    that of the section (NaN where nothing tells it).
    """

    cable_m: Floats
    cap_f: Floats
    sites: Ints
    rating_va: Floats
    loss_w: Floats
    magnetizing_va: Floats
    voltage_v: Floats


@dataclass(frozen=True)
class SectionValues(ShownValues):
    """Totals of every exposed section; SI, shape (n_sections,), by family (n_families, n_sections).

    ``cable_f`` of ``cap_f`` that of the shielded cable alone; ``one_phase_va`` rating of the single-phase units of
    the phase that has least, ``between_units`` number of those between two phases; ``arrester`` one of ``YES,
    UNKNOWN, NO`` of :mod:`survey.assess.score`. By winding family ``family_va, family_loss_w,
    family_magnetizing_va``, ``family_load_w`` the least load and ``family_held_w`` what of it is declared balanced,
    ``family_sites`` the number of all. Of these ``stand_in_f``, ``overhead_f``, ``family_assumed_loss_w`` and
    ``family_assumed_magnetizing_va`` rest on defaults; ``family_doubtful_va`` is the rating of sites that may be of
    another family.
    """

    cable_f: Floats
    family_va: Floats
    family_loss_w: Floats
    family_magnetizing_va: Floats
    family_load_w: Floats
    family_held_w: Floats
    stand_in_f: Floats
    overhead_f: Floats
    one_phase_va: Floats
    between_units: Floats
    arrester: Ints
    family_assumed_loss_w: Floats
    family_assumed_magnetizing_va: Floats
    family_doubtful_va: Floats
    family_sites: Floats


@dataclass(frozen=True)
class Circuits:
    """One circuit per section and winding family present; shape (n_circuits,).

    ``section``, ``family``; per unit of the family's rating: ``b`` charging, ``p`` core loss, ``im`` magnetizing,
    ``load`` least load, ``held`` what of it is declared balanced, ``one_phase`` dependable conductance to ground of the
    weakest phase (three times its load over the rating); ``arrester`` of the section; ``base_va``, ``voltage_v``;
    ``clears`` the screening limit; ``over_limit`` charging over the limit that clears.
    """

    section: Ints
    family: Ints
    b: Floats
    p: Floats
    im: Floats
    load: Floats
    held: Floats
    one_phase: Floats
    arrester: Ints
    base_va: Floats
    voltage_v: Floats
    clears: Bools
    over_limit: Floats

    def index(self, section: Ints, family: Ints, *, n_sections: int) -> Ints:
        """Row of the circuit of each section and family, -1 where there is none."""
        table = np.full((len(FAMILIES), n_sections), -1, np.int64)
        table[self.family, self.section] = np.arange(len(self.section))
        there = (section >= 0) & (family >= 0)
        return np.where(there, table[np.maximum(family, 0), np.maximum(section, 0)] if n_sections else -1, -1)


def section_values(
    network: Network, windings: Windings, cables: CableCapacitance, *, voltage_v: Floats
) -> SectionValues:
    """Total every exposed section.

    ``voltage_v``: of every section, see :func:`survey.assess.odd_records.section_voltages`.
    """
    arrester = recorded_arresters(network)[network.sections.device]
    return values_of(section_totals(network, windings, cables), arrester=arrester, voltage_v=voltage_v)


def recorded_arresters(network: Network) -> Ints:
    """What the record of each switch says of arresters: ``YES, UNKNOWN`` or ``NO``."""
    record = network.tables.switches["arrester"]
    return np.where(record == "yes", YES, np.where(record == "no", NO, UNKNOWN))


def section_totals(network: Network, windings: Windings, cables: CableCapacitance) -> dict[str, Floats]:
    """All that adds up over a section, by name; the last axis is the section, the one before it family or phase."""
    sections, pieces, units = network.sections, network.pieces, network.tables.one_phase
    shielded = network.tables.cables["shielded"].to_numpy(bool)[pieces.cable]
    piece_f = cables.cap_f_m[pieces.cable] * pieces.length_m
    phases, unit_va = units["phases"].to_numpy(np.int64), units["rating_va"].to_numpy(np.float64)
    # units between two phases damp none of them
    between = ~np.isin(phases, (PHASE_A, PHASE_B, PHASE_C))
    cable = [shielded, np.ones(len(shielded), bool), cables.stand_in[pieces.cable], cables.overhead[pieces.cable]]
    of_cables = sections.total(np.array([np.where(shielded, pieces.length_m, 0.0), *np.where(cable, piece_f, 0.0)]))
    return _site_totals(network, windings) | {
        **dict(zip(("cable_m", "cable_f", "piece_f", "stand_in_f", "overhead_f"), of_cables, strict=True)),
        "unit_va": sections.phase_totals(network.unit_node, phases, unit_va),
        "between_units": sections.site_totals(network.unit_node, between[None].astype(float))[0],
    }


def _site_totals(network: Network, windings: Windings) -> dict[str, Floats]:
    """Totals of sites on each section: whole, and each of shape (n_families, n_sections) by winding family."""
    loss, magnetizing, rating = windings.loss_w, windings.magnetizing_va, windings.rating_va
    arrester = network.tables.transformers["arrester"]
    whole = {
        "rating_va": rating,
        "loss_w": loss,
        "magnetizing_va": magnetizing,
        "own_f": windings.own_cap_f,
        "sites": np.ones(len(rating)),
        "guarded": (arrester == "yes").to_numpy(np.float64),
        "maybe": (arrester != "no").to_numpy(np.float64),
    }
    split = {
        "family_va": rating,
        "family_loss_w": loss,
        "family_magnetizing_va": magnetizing,
        "family_load_w": windings.min_load_w,
        "family_held_w": np.where(windings.balanced_load, windings.min_load_w, 0.0),
        "family_assumed_loss_w": np.where(windings.assumed_loss, loss, 0.0),
        "family_assumed_magnetizing_va": np.where(windings.assumed_exciting, magnetizing, 0.0),
        "family_doubtful_va": np.where(windings.assumed_connection, rating, 0.0),
        "family_sites": (rating > 0).astype(float),
    }
    values = np.zeros((len(whole) + len(split) * len(FAMILIES), len(rating)))
    values[: len(whole)] = [*whole.values()]
    by_family = values[len(whole) :].reshape(len(split), len(FAMILIES), -1)
    for k in np.unique(windings.family[windings.family >= 0]):
        for rows, value in zip(by_family, split.values(), strict=True):
            np.copyto(rows[k], value, where=windings.family == k)
    found = network.sections.site_totals(network.site_node, values)
    totals = found[len(whole) :].reshape(len(split), len(FAMILIES), -1)
    return dict(zip(whole, found, strict=False)) | dict(zip(split, totals, strict=True))


def values_of(totals: dict[str, Floats], *, arrester: Ints, voltage_v: Floats) -> SectionValues:
    """What follows from the totals of sections.

    ``arrester``: of each section's device, see :func:`recorded_arresters`.
    """
    guarded, maybe = totals["guarded"] > 0.5, totals["maybe"] > 0.5
    names = {field.name for field in fields(SectionValues)}
    return SectionValues(
        **{name: value for name, value in totals.items() if name in names - {"sites"}},
        cap_f=totals["piece_f"] + totals["own_f"],
        sites=np.rint(totals["sites"]).astype(np.int64),
        voltage_v=voltage_v,
        # of the phase that has least
        one_phase_va=totals["unit_va"].min(axis=0),
        # by the device's record or a site's; none where every site has none
        arrester=np.where(guarded | (arrester == YES), YES, np.where(maybe & (arrester != NO), UNKNOWN, NO)),
    )


def make_circuits(values: SectionValues, *, settings: Settings) -> Circuits:
    """One circuit per section and family with a usable rating; all of the section's capacitance in each."""
    family, section = np.nonzero(values.family_va > 0)
    base = values.family_va[family, section]
    charging = 2 * np.pi * settings.electrical.frequency_hz * values.cap_f[section] * values.voltage_v[section] ** 2
    b = charging / base
    p = values.family_loss_w[family, section] / base
    im = values.family_magnetizing_va[family, section] / base
    return screened(
        Circuits(
            section=section,
            family=family,
            b=b,
            p=p,
            im=im,
            load=values.family_load_w[family, section] / base,
            held=values.family_held_w[family, section] / base,
            one_phase=3.0 * settings.limits.one_phase_share * values.one_phase_va[section] / base,
            arrester=values.arrester[section],
            base_va=base,
            voltage_v=values.voltage_v[section],
            clears=np.zeros(len(b), bool),
            over_limit=b,
        ),
        settings=settings,
    )


def screening_limits(settings: Settings) -> ScreeningLimits:
    """The screening limits of the settings."""
    return {family.limit: getattr(settings.limits, family.limit) for family in FAMILY_TABLE}


def screened(circuits: Circuits, *, settings: Settings) -> Circuits:
    """Circuits with what the screening limits say of them."""
    names, b = np.array(FAMILIES)[circuits.family], circuits.b
    powers = {"magnetizing_pu": circuits.im, "core_loss_pu": circuits.p}
    limits = screening_limits(settings)
    allowed = limit_charging_pu(names, **powers, limits=limits)
    return replace(
        circuits,
        clears=clears(names, charging_pu=b, **powers, limits=limits),
        over_limit=ratio(b, allowed, none=np.inf),
    )


def allowed_length_m(values: SectionValues, circuits: Circuits, *, settings: Settings) -> Floats:
    """Cable length at which each circuit meets its screening limit, metres, shape (n_circuits,).

    It is of the section's own mix of cable; without any of what the voltage's class is taken for.
    """
    section = circuits.section
    usual = np.nan_to_num(Catalogue.load().class_capacitance_f_m(values.voltage_v))
    mix = np.divide(values.cable_f, values.cable_m, out=usual, where=values.cable_m > 0)[section]
    allowed = limit_charging_pu(
        np.array(FAMILIES)[circuits.family],
        magnetizing_pu=circuits.im,
        core_loss_pu=circuits.p,
        limits=screening_limits(settings),
    )
    limit = limit_capacitance(
        limit_charging_pu=allowed,
        rating_va=circuits.base_va,
        voltage_v=values.voltage_v[section],
        frequency_hz=settings.electrical.frequency_hz,
    )
    other = values.cap_f[section] - values.cable_f[section]
    return np.asarray(limit_length(limit_capacitance_f=limit, own_capacitance_f=other, mix_f_m=mix))


def report_overhead(
    network: Network, values: SectionValues, cables: CableCapacitance, *, settings: Settings, findings: FindingList
) -> None:
    """Overhead line that counts with the default, and what part of the exposed capacitance it makes."""
    line = np.flatnonzero(cables.overhead)
    exposing = network.sections.exposes & (values.sites > 0)
    if len(line):
        pieces, table = network.pieces, network.tables.cables
        total_f = values.cap_f[exposing].sum()
        findings.report(
            "overhead_capacitance",
            ids=table["cable_id"].iloc[line],
            km=pieces.length_m[cables.overhead[pieces.cable]].sum() / 1e3,
            nf_km=settings.electrical.overhead_nf_km,
            share=values.overhead_f[exposing].sum() / total_f if total_f > 0 else 0.0,
        )


def report_between(network: Network, findings: FindingList) -> None:
    """Single-phase units between two phases on an exposed section: they can ring and are not modelled."""
    units = network.tables.one_phase
    between = np.flatnonzero(np.isin(units["phases"].to_numpy(np.int64), (3, 5, 6)))
    if len(between):
        exposing = np.flatnonzero(network.sections.exposes)
        _, member = network.sections.members(exposing, network.unit_node[between])
        found = between[np.unique(member)]
        if len(found):
            findings.report("between_two_phases", ids=units["site_id"].iloc[found])
