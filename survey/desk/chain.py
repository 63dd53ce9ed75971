"""The chain of numbers of one transformer, a line each, in the order in which one follows from the other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from survey.assess.action import NO_LOAD, OPERATING, THREE_POLE
from survey.assess.score import BANDS, band_of
from survey.desk.lengths import LONGEST_M
from survey.physics.cable import capacitive_reactance_ohm, charging_power_va
from survey.physics.screening import FAMILIES, charge_loss, xc_xm
from survey.physics.transformer import magnetizing_reactance_ohm

if TYPE_CHECKING:
    from survey.desk.site import SiteAnswer

FOOT_M = 0.3048
LEFT_OUT = (
    "Left out: source impedance, arresters, stray capacitance of bushings, remanence beyond the sweep, core loss "
    "rising with frequency, single-phase load on the section."
)
PER_PHASE = (
    "Xc, Xm and their ratio are per phase with Xm wye-equivalent; a delta leg is three times that, so a ratio taken "
    "with the delta leg is a third of this one."
)


@dataclass(frozen=True)
class ChainLine:
    """One number of the chain: its key, what it is, value and unit as text, and how it comes about."""

    key: str
    name: str
    value: str
    unit: str
    words: str = ""


@dataclass(frozen=True)
class ChainNumbers:
    """The electrical numbers of one section, SI; ratios per phase, Xm wye-equivalent."""

    cable_f_m: float
    cable_f: float
    own_f: float
    total_f: float
    xc_ohm: float
    xc_alone_ohm: float
    xm_ohm: float
    xc_xm: float
    xc_xm_alone: float
    charging_va: float
    charge_loss: float
    loss_w: float
    magnetizing_pu: float


def site_title(answer: SiteAnswer) -> str:
    """What was worked out, in one line."""
    transformer, windings = answer.request.transformer, answer.bench.windings
    connection, core = str(windings.connection[0]).replace("_", " "), str(windings.core[0]).replace("_", "-")
    kind = f"{connection} primary" + (f", {core} core" if core else "")
    length = answer.request.length_m
    return (
        f"{transformer.rating_va / 1e3:g} kVA, {transformer.voltage_v / 1e3:g} kV, {kind}, behind {length:.4g} m "
        f"({length / FOOT_M:.0f} ft) of cable"
    )


def chain_numbers(answer: SiteAnswer) -> ChainNumbers:
    """Numbers from cable to charge_loss of a susceptible site; the ``alone`` ones leave out the own capacitance."""
    values, circuits = answer.values, answer.circuits
    assert values is not None
    assert circuits is not None
    hertz, volts = answer.settings.electrical.frequency_hz, values.voltage_v[0]
    cable_f, total_f = float(values.cable_f[0]), float(values.cap_f[0])
    xm = magnetizing_reactance_ohm(rating_va=values.rating_va[0], voltage_v=volts, magnetizing_pu=circuits.im[0])
    xc = capacitive_reactance_ohm(capacitance_f=np.array([total_f, cable_f]), frequency_hz=hertz)
    return ChainNumbers(
        cable_f_m=answer.request.cable.cap_f_m,
        cable_f=cable_f,
        own_f=total_f - cable_f,
        total_f=total_f,
        xc_ohm=float(xc[0]),
        xc_alone_ohm=float(xc[1]),
        xm_ohm=float(xm),
        xc_xm=float(xc_xm(magnetizing_pu=circuits.im[0], charging_pu=circuits.b[0])),
        xc_xm_alone=float(xc[1]) / float(xm),
        charging_va=float(charging_power_va(capacitance_f=total_f, voltage_v=volts, frequency_hz=hertz)),
        charge_loss=float(charge_loss(charging_pu=circuits.b[0], core_loss_pu=circuits.p[0])),
        loss_w=float(values.loss_w[0]),
        magnetizing_pu=float(circuits.im[0]),
    )


def chain_lines(answer: SiteAnswer) -> list[ChainLine]:
    """All lines of a susceptible site, from the cable to the band."""
    return [*_electrical_lines(answer), *_screen_lines(answer), *_study_lines(answer)]


def _electrical_lines(answer: SiteAnswer) -> list[ChainLine]:
    n, hertz = chain_numbers(answer), answer.settings.electrical.frequency_hz
    rating = answer.request.transformer.rating_va
    length = answer.request.length_m
    return [
        ChainLine("cable_per_km", "Cable capacitance per km", three_figures(n.cable_f_m * 1e12), "nF/km",
                  f"one phase to ground; {answer.request.cable.words}"),
        ChainLine("cable_total", "Cable capacitance, whole", three_figures(n.cable_f * 1e9), "nF",
                  f"x {length:.4g} m ({length / FOOT_M:.0f} ft)"),
        ChainLine("own", "Transformer's own", three_figures(n.own_f * 1e9), "nF", "469 kVA^0.4 / kV^0.25 pF a phase"),
        ChainLine("total", "C", three_figures(n.total_f * 1e9), "nF", "cable and transformer, one phase to ground"),
        ChainLine("xc", "Xc", three_figures(n.xc_ohm / 1e3), "kohm", f"1 / (2 pi f C), f = {hertz} Hz"
                  f"{_alone(n.xc_alone_ohm / 1e3, 'kohm')}"),
        ChainLine("loss", "No-load loss", three_figures(n.loss_w), "W", f"{n.loss_w / rating * 100:.3g} % of rating"),
        ChainLine("xm", "Xm", three_figures(n.xm_ohm / 1e3), "kohm",
                  f"kV^2 / (kVA im), magnetizing current im = {n.magnetizing_pu * 100:.3g} % of rated"),
        ChainLine("xc_xm", "Xc/Xm", three_figures(n.xc_xm), "",
                  f"per phase, Xm wye-equivalent{_alone(n.xc_xm_alone, '')}"),
        ChainLine("charging", "Charging power", three_figures(n.charging_va / 1e3), "kvar",
                  "2 pi f C kV^2, three phases"),
        ChainLine("charge_loss", "Charging over no-load loss", three_figures(n.charge_loss), ""),
    ]  # fmt: skip


def _alone(value: float, unit: str) -> str:
    return f"; of the cable alone {three_figures(value)} {unit}".rstrip() if math.isfinite(value) else ""


def _screen_lines(answer: SiteAnswer) -> list[ChainLine]:
    circuits, lengths = answer.circuits, answer.lengths
    assert circuits is not None
    assert lengths is not None
    verdict = "clears" if circuits.clears[0] else "does not clear"
    return [
        ChainLine("screen", "Screening", verdict, "", f"limit: {screen_rule(answer)}"),
        ChainLine("screen_length", "Allowed length by screen", *_length(lengths.screen_m),
                  f"with the own capacitance left out: {lengths.screen_alone_m:.3g} m "
                  f"({lengths.screen_alone_m / FOOT_M:.3g} ft)"),
    ]  # fmt: skip


def screen_rule(answer: SiteAnswer) -> str:
    """The screening limit that applies, in words."""
    assert answer.circuits is not None
    limits = answer.settings.limits
    return {
        "delta": f"Xc/Xm at or above {limits.delta_xc_xm:g}",
        "floating_wye": f"Xc/Xm at or above {limits.floating_wye_xc_xm:g}",
        "five_legged": f"charging over no-load loss at or under {limits.five_legged_charge_loss:g}",
    }[FAMILIES[answer.circuits.family[0]]]


def _study_lines(answer: SiteAnswer) -> list[ChainLine]:
    figures, lengths = answer.figures, answer.lengths
    assert figures is not None
    assert lengths is not None
    load_kw, rating_kva = answer.request.transformer.load_w / 1e3, answer.request.transformer.rating_va / 1e3
    limit = answer.settings.limits.voltage_pu
    lines = [
        ChainLine("peak", "Sustained peak, no load", f"{figures.peak_pu[0]:.2f}", "pu",
                  "largest open-phase voltage of all operations, of the crest to ground"),
        *_loaded_lines(load_kw, f"{figures.peak_loaded_pu[0]:.2f}"),
        ChainLine("likelihood", "Likelihood", f"{figures.likelihood[0]:.2f}", "",
                  f"share of operations at no load that end above {limit:g} pu"),
        ChainLine("temporary", "Temporary peak", f"{figures.temporary_pu[0]:.2f}", "pu",
                  "while the response settles, inrush included; not the sustained one"),
        _load_line(float(figures.load_needed_pu[0]), rating_kva),
        ChainLine("study_length", "Allowed length by study", *_length(lengths.study_m),
                  f"no load; every shorter length stays at or under {limit:g} pu"),
    ]  # fmt: skip
    if load_kw > 0:
        lines.append(ChainLine("loaded_length", f"Allowed length at {load_kw:g} kW", *_length(lengths.loaded_m)))
    return [*lines, _hazard_line(answer)]


def _loaded_lines(load_kw: float, peak: str) -> list[ChainLine]:
    return [ChainLine("peak_loaded", f"Sustained peak at {load_kw:g} kW", peak, "pu")] if load_kw > 0 else []


def _load_line(needed_pu: float, rating_kva: float) -> ChainLine:
    if math.isinf(needed_pu):
        return ChainLine(
            "load_needed", "Load needed", "none helps", "", "not even rated load keeps every operation under"
        )
    words = "least resistive secondary load that keeps every operation under the limit"
    return ChainLine("load_needed", "Load needed", f"{rounded_up(needed_pu * rating_kva):g}", "kW", words)


def _hazard_line(answer: SiteAnswer) -> ChainLine:
    assert answer.figures is not None
    hazard = float(np.fmax(answer.figures.hazard, answer.figures.loaded)[0])
    band = BANDS[int(band_of(hazard, settings=answer.settings.score))]
    return ChainLine("hazard", "Hazard", f"{hazard:.0f}", "of 100", f"band {band}")


def _length(length_m: float) -> tuple[str, str]:
    """Metres and feet, cut off, so that what is read out is never too long."""
    if length_m >= LONGEST_M:
        return f"over {LONGEST_M:g}", "m"
    return f"{cut_off(length_m, 1 if length_m < 100 else 0):g}", f"m ({math.floor(length_m / FOOT_M + 1e-9)} ft)"


def three_figures(value: float) -> str:
    """A number in three figures, whole from 100 up."""
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def cut_off(value: float, decimals: int) -> float:
    """Rounded towards zero."""
    scale = 10.0**decimals
    return math.floor(value * scale + 1e-9) / scale


def rounded_up(value: float) -> float:
    """Rounded up to two digits, so that what is read out is never too little."""
    if value <= 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.10g}")


def verdict(answer: SiteAnswer) -> str:
    """What to do, in one sentence."""
    if answer.reason:
        return f"Not susceptible: {answer.reason}. Nothing needed."
    figures, circuits, limit = answer.figures, answer.circuits, answer.settings.limits.voltage_pu
    assert figures is not None
    assert circuits is not None
    if figures.peak_pu[0] <= limit:
        said = "clears it as well" if circuits.clears[0] else "does not clear it, but is the coarser of the two"
        stays = f"the study stays at or under {limit:g} per unit even at no load"
        return f"Nothing needed: {stays}; the screening limit {said}."
    screened = " The screening limit clears it, the study does not: go by the study." if circuits.clears[0] else ""
    return f"{_what_to_do(answer)}.{_load_given(answer)}{screened}"


def _what_to_do(answer: SiteAnswer) -> str:
    assert answer.figures is not None
    assert answer.lengths is not None
    needed = float(answer.figures.load_needed_pu[0])
    load = NO_LOAD
    if math.isfinite(needed):
        kw = rounded_up(needed * answer.request.transformer.rating_va / 1e3)
        load = f"; or keep at least {kw:g} kW of load on the secondary {OPERATING}"
    short = cut_off(answer.lengths.study_m, 0)
    shorten = f"; or keep the cable to {short:.0f} m" if short >= 1 else "; no cable is short enough"
    return f"{THREE_POLE[0].upper()}{THREE_POLE[1:]}{load}{shorten}"


def _load_given(answer: SiteAnswer) -> str:
    assert answer.figures is not None
    load_kw = answer.request.transformer.load_w / 1e3
    if load_kw <= 0:
        return ""
    enough = bool(answer.figures.peak_loaded_pu[0] <= answer.settings.limits.voltage_pu)
    return f" The {load_kw:g} kW given {'is enough while it is really there' if enough else 'is not enough'}."
