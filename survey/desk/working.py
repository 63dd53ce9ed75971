"""The chain of numbers of one transformer, a line each, in the order in which one follows from the other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from survey.assess.action import BALANCED
from survey.desk.lengths import LONGEST_M
from survey.physics.cable import capacitive_reactance_ohm
from survey.physics.families import FAMILY_TABLE

if TYPE_CHECKING:
    from survey.desk.site import SiteAnswer

FOOT_M = 0.3048
SHORTEST_M = 0.05
"""Lengths under this are none."""
LEFT_OUT = (
    "Left out: source impedance, stray capacitance of bushings, remanence beyond the sweep, core loss rising with "
    "frequency, single-phase load on the section. Peaks are without arresters."
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
    transformer = answer.request.transformer
    connection, core = str(answer.row["connection"]).replace("_", " "), str(answer.row["core"]).replace("_", "-")
    kind = f"{connection} primary" + (f", {core} core" if core else "")
    length = answer.request.length_m
    return (
        f"{transformer.rating_va / 1e3:g} kVA, {transformer.voltage_v / 1e3:g} kV, {kind}, behind {length:.4g} m "
        f"({length / FOOT_M:.0f} ft) of cable"
    )


def chain_numbers(answer: SiteAnswer) -> ChainNumbers:
    """Numbers from cable to charge_loss of a susceptible site; the ``alone`` ones leave out the own capacitance."""
    row, values = answer.row, answer.values
    cable_f = answer.request.cable.cap_f_m * answer.request.length_m
    alone = capacitive_reactance_ohm(capacitance_f=cable_f, frequency_hz=answer.settings.electrical.frequency_hz)
    return ChainNumbers(
        cable_f_m=answer.request.cable.cap_f_m,
        cable_f=cable_f,
        own_f=float(values.cap_f[0] - values.cable_f[0]),
        total_f=float(values.cap_f[0]),
        xc_ohm=row["xc_ohm"],
        xc_alone_ohm=float(alone),
        xm_ohm=row["xm_ohm"],
        xc_xm=row["xc_xm"],
        xc_xm_alone=float(alone) / row["xm_ohm"],
        charging_va=row["charging_kvar"] * 1e3,
        charge_loss=row["charge_loss"],
        loss_w=float(values.loss_w[0]),
        magnetizing_pu=float(answer.circuits.im[0]),
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
    lengths = answer.lengths
    assert lengths is not None
    return [
        ChainLine("screen", "Screening", answer.row["screen"], "", f"limit: {screen_rule(answer)}"),
        ChainLine("screen_length", "Allowed length by screen", *_length(lengths.screen_m),
                  f"with the own capacitance left out: {lengths.screen_alone_m:.3g} m "
                  f"({lengths.screen_alone_m / FOOT_M:.3g} ft)"),
    ]  # fmt: skip


def screen_rule(answer: SiteAnswer) -> str:
    """The screening limit that applies, in words."""
    family = FAMILY_TABLE[answer.circuits.family[0]]
    limit = getattr(answer.settings.limits, family.limit)
    if family.screen == "charge_loss":
        return f"charging over no-load loss at or under {limit:g}"
    return f"Xc/Xm at or above {limit:g}"


def _study_lines(answer: SiteAnswer) -> list[ChainLine]:
    row, lengths = answer.row, answer.lengths
    assert lengths is not None
    load_kw, limit = answer.request.transformer.load_w / 1e3, answer.settings.limits.voltage_pu
    lines = [
        ChainLine("peak", "Sustained peak, no load", f"{row['peak_pu']:.2f}", "pu",
                  "largest open-phase voltage of all operations, of the crest to ground"),
        *_simulated_lines(answer),
        ChainLine("typical", "Typical peak", *_known(row["typical_pu"], "pu"), "median of the sequences that ring"),
        ChainLine("arrester", "Arrester", *_known(row["arrester_w"], "W"), _limit_words(row["arrester_s"])),
        *_loaded_lines(load_kw, f"{row['peak_loaded_pu']:.2f}"),
        ChainLine("likelihood", "Likelihood", f"{row['likelihood']:.2f}", "",
                  f"share of simulated switching sequences at no load that end above {limit:g} pu"),
        ChainLine("cycles_above", "Cycles above", f"{row['cycles_above']:.0f}", "",
                  f"most above {limit:g} pu before a response settles under it"),
        *_hold_lines(answer),
        ChainLine("study_length", "Allowed length by study", *_length(lengths.study_m),
                  f"no load; {every_shorter(lengths.study_m, limit)}"),
    ]  # fmt: skip
    if load_kw > 0:
        lines.append(ChainLine("loaded_length", f"Allowed length at {load_kw:g} kW", *_length(lengths.loaded_m)))
    return [*lines, ChainLine("hazard", "Hazard", f"{row['hazard']:.0f}", "of 100", f"band {row['band']}")]


def _simulated_lines(answer: SiteAnswer) -> list[ChainLine]:
    """What the circuit itself does, where it was simulated beside the look-up."""
    found = answer.simulated
    if found is None:
        return []
    words = (
        f"largest of {found.operations:,} operations of this circuit itself; {found.share:.2f} of the sequences end "
        f"above {answer.settings.limits.voltage_pu:g} pu"
    )
    return [ChainLine("simulated", "Simulated directly", f"{found.peak_pu:.2f}", "pu", words)]


def _loaded_lines(load_kw: float, peak: str) -> list[ChainLine]:
    return [ChainLine("peak_loaded", f"Sustained peak at {load_kw:g} kW", peak, "pu")] if load_kw > 0 else []


def _known(value: float, unit: str) -> tuple[str, str]:
    return ("none", "") if math.isnan(value) else (three_figures(value), unit)


def _limit_words(seconds: float) -> str:
    """What the power of the worst arrester, if there are any, means."""
    if math.isnan(seconds):
        return "one on every open phase would take nothing"
    return f"mean power of the worst one, if there are any; at its thermal limit after {three_figures(seconds)} s"


def _hold_lines(answer: SiteAnswer) -> list[ChainLine]:
    """The study's least load, and the load to hold."""
    row, rule = answer.row, answer.settings.limits.load_rule * 100
    least, hold = (("none", "") if math.isnan(kw) else (f"{kw:.3g}", "kW")
                   for kw in (row["load_needed_kw"], row["hold_kw"]))  # fmt: skip
    words = "a figure of the study: keeps every simulated operation under the limit" if least[1] else "no load cures"
    return [
        ChainLine("load_needed", "Least load of the study", *least, words),
        ChainLine("hold", "Load to hold", *hold, f"{BALANCED}; the larger of that and {rule:g} % of rating"),
    ]  # fmt: skip


def every_shorter(length_m: float, limit: float) -> str:
    """What an allowed length means, that of nothing too."""
    if length_m < SHORTEST_M:
        return f"over {limit:g} pu with the transformer's own capacitance alone, so no cable is short enough"
    return f"every shorter length stays at or under {limit:g} pu"


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


def verdict(answer: SiteAnswer) -> str:
    """What to do: the survey's own action, and what only a desk can add."""
    row, limit, lengths = answer.row, answer.settings.limits.voltage_pu, answer.lengths
    if lengths is None or row["peak_pu"] <= limit:
        return str(row["action"])
    short = cut_off(lengths.study_m, 0)
    shorten = (
        f" With no load, {short:.0f} m of this cable stay under the limit."
        if short >= 1
        else " No cable is short enough."
    )
    screened = " The screening limit clears it, the study does not: go by the study."
    return f"{row['action']}{shorten}{_load_given(answer)}{screened if row['screen'] == 'clears' else ''}"


def _load_given(answer: SiteAnswer) -> str:
    load_kw = answer.request.transformer.load_w / 1e3
    if load_kw <= 0:
        return ""
    enough = answer.row["peak_loaded_pu"] <= answer.settings.limits.voltage_pu and load_kw >= answer.row["hold_kw"]
    return f" The {load_kw:g} kW given {'is enough while it is really there, balanced' if enough else 'is not enough'}."
