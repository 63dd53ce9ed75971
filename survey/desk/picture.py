"""Picture of one transformer: the worst waveform of the study, and the peak against cable length."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from survey.arrays import Floats
from survey.assess.behaviour import curve_parameters
from survey.assess.waveform import worst_waveform
from survey.desk.circuit import section_circuits, with_cable, without_cable
from survey.desk.lengths import LONGEST_M
from survey.desk.working import FOOT_M, LEFT_OUT, SHORTEST_M, site_title
from survey.memory import thread_pool
from survey.physics.curves import BLOCKS
from survey.physics.families import Circuit
from survey.result import CAUTION

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matplotlib.axes import Axes

    from survey.assess.circuits import Circuits
    from survey.assess.waveform import Waveform
    from survey.desk.site import SiteAnswer
    from survey.settings import Settings

INK, QUIET, PALE, ACCENT, LIMIT = "#26241f", "#6f6b64", "#d9d5cc", "#20567a", "#9c3d1f"
CURVE_POINTS = 26
LEAST_SPAN_M = 100.0
STYLE: Any = {
    "svg.hashsalt": "survey",
    "font.size": 9,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
}


@dataclass(frozen=True)
class PeakCurve:
    """Sustained peak of the circuit itself against cable length: metres, per unit at no load and at the load."""

    length_m: Floats
    peak_pu: Floats
    loaded_pu: Floats | None


def peak_curve(answer: SiteAnswer, *, progress: Callable[[int, int], None] | None = None) -> PeakCurve:
    """Simulate the circuit itself, not its neighbours on the grid, at lengths that lie closer together when short."""
    lengths, asked = answer.lengths, answer.request.length_m
    assert lengths is not None
    span = min(max(2.0 * asked, 3.0 * lengths.study_m, 1.3 * min(lengths.loaded_m, 8 * asked), LEAST_SPAN_M), LONGEST_M)
    length = span * np.linspace(0.0, 1.0, CURVE_POINTS) ** 2
    circuits = circuits_at(answer, length)
    bare = np.zeros(len(length))
    if circuits.load[0] <= 0:
        return PeakCurve(length, direct_peaks(circuits, bare, settings=answer.settings, progress=progress), None)
    twice = np.concatenate([bare, circuits.load])
    doubled = replace(circuits, **{f.name: np.tile(getattr(circuits, f.name), 2) for f in fields(circuits)})
    both = direct_peaks(doubled, twice, settings=answer.settings, progress=progress)
    return PeakCurve(length, both[: len(length)], both[len(length) :])


def circuits_at(answer: SiteAnswer, length_m: Floats) -> Circuits:
    """The transformer behind that much of its cable [m], one circuit for each length."""
    cap_f_m = np.full(len(length_m), answer.request.cable.cap_f_m)
    rows = np.zeros(len(length_m), np.int64)
    return section_circuits(
        with_cable(without_cable(answer.values), rows, length_m=length_m, cap_f_m=cap_f_m), settings=answer.settings
    )


def direct_peaks(
    circuits: Circuits, load: Floats, *, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> Floats:
    """Largest sustained peak of every circuit, simulated as it is [per unit], shape (n,)."""
    from survey.physics.study import direct

    parameters = curve_parameters(settings)

    def one(row: int) -> float:
        return float(
            direct(
                Circuit(int(circuits.family[row])),
                b=float(circuits.b[row]),
                p=float(circuits.p[row]),
                im=float(circuits.im[row]),
                load=float(load[row]),
                parameters=parameters,
                density=BLOCKS,
            )[:, 0].max()
        )

    peaks = np.empty(len(load))
    with thread_pool(2) as pool:
        for row, peak in enumerate(pool.map(one, range(len(load)))):
            peaks[row] = peak
            if progress is not None:
                progress(row + 1, len(load))
    return peaks


def draw_site(answer: SiteAnswer, *, progress: Callable[[int, int], None] | None = None) -> Callable[[Path], None]:
    """Simulate what the picture shows; what is returned draws it into a file (.png or .svg)."""
    wave = worst_waveform(answer.circuits, settings=answer.settings)
    curve = peak_curve(answer, progress=progress)

    def write(path: Path) -> None:
        _draw(answer, wave, curve, path)

    return write


def _draw(answer: SiteAnswer, wave: Waveform, curve: PeakCurve, path: Path) -> None:
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.2, 9.4), layout="constrained")
        FigureCanvasAgg(figure)
        top, upper, lower = figure.subplots(3, 1, height_ratios=(0.22, 1.0, 1.15))
        draw_strip(top, answer)
        draw_waveform(upper, wave, answer)
        draw_curve(lower, curve, answer)
        title = _wrapped(site_title(answer), letters=80)
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
        figure.supxlabel(f"{CAUTION}\n{_wrapped(LEFT_OUT)}", x=0.01, ha="left", fontsize=6.5, color=QUIET)
        stamp: dict[str, Any] = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
        figure.savefig(path, dpi=150, metadata=stamp)


def _wrapped(text: str, *, letters: int = 150) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, letters))


def draw_strip(axes: Axes, answer: SiteAnswer) -> None:
    """The section on one line, as a crew draws it: the point, metres of cable, the transformer, the load to hold."""
    asked, row = answer.request, answer.row
    axes.set_xlim(0, 1)
    axes.set_ylim(-1, 1)
    axes.axis("off")
    axes.plot([0.08, 0.8], [0, 0], color=INK, linewidth=3.0 if asked.length_m else 1.0, solid_capstyle="butt")
    axes.plot([0.08], [0], marker="s", markersize=11, color=INK, markerfacecolor="white")
    axes.plot([0.072, 0.088], [-0.13, 0.13], color=INK, linewidth=1.0)
    axes.plot([0.8], [0], marker="o", markersize=12, color=INK, markerfacecolor="white")
    hold = row["hold_kw"]
    words = f"hold {hold:,.0f} kW" if np.isfinite(hold) else "three-pole only"
    texts = (
        (0.08, 0.4, "single-pole point", "left"),
        (0.08, -0.75, words, "left"),
        (0.47, 0.4, f"{asked.length_m:,.0f} m ({asked.length_m / FOOT_M:,.0f} ft) of cable", "center"),
        (0.8, 0.4, f"{row['kva']:,g} kVA {row['connection'].replace('_', ' ')}", "center"),
    )
    for x, y, text, side in texts:
        axes.text(x, y, text, ha=side, fontweight="bold" if text == words else "normal")


def draw_waveform(axes: Axes, wave: Waveform, answer: SiteAnswer) -> None:
    """Voltages to ground in time: open phases in ink, the supply pale."""
    looks = iter(({"color": ACCENT, "linestyle": "-"}, {"color": INK, "linestyle": (0, (4, 1.5))}))
    for phase, name in enumerate("abc"):
        if wave.closed[phase]:
            axes.plot(wave.time_cycles, wave.voltage_pu[phase], color=QUIET, linewidth=0.8, alpha=0.7,
                      label=f"phase {name}, closed")  # fmt: skip
        else:
            look = next(looks)
            axes.plot(wave.time_cycles, wave.voltage_pu[phase], linewidth=1.4, label=f"phase {name}, open", **look)
            axes.plot(wave.time_cycles, wave.held_pu[phase], linewidth=0.9, alpha=0.8,
                      label=f"{name} with an arrester", color=LIMIT, linestyle=look["linestyle"])  # fmt: skip
    for sign in (-1, 1):
        axes.axhline(sign * answer.settings.limits.voltage_pu, color=LIMIT, linewidth=1.0, linestyle="--")
    axes.set_title(
        _wrapped(f"Worst operation of the study, no load: {wave.words}", letters=92), loc="left", fontsize=9.5
    )
    axes.set_xlabel("Time once settled, cycles")
    axes.set_ylabel("Voltage to ground, pu of crest")
    axes.margins(x=0)
    axes.legend(loc="upper left", ncols=3, frameon=True, framealpha=0.85, edgecolor="none", fontsize=8)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.18 * (high - low))  # room for the legend
    crest_kv = answer.request.transformer.voltage_v / 1e3 * float(np.sqrt(2 / 3))
    kilovolts = axes.secondary_yaxis("right", functions=_scaled(crest_kv))
    kilovolts.set_ylabel("kV, crest")


def _scaled(factor: float) -> Any:  # noqa: ANN401 - the pair of functions that an axis wants
    return lambda value: value * factor, lambda value: value / factor


def draw_curve(axes: Axes, curve: PeakCurve, answer: SiteAnswer) -> None:
    """Sustained peak against cable length, with the limit, the allowed length and the site itself."""
    peak_pu, lengths, limit = answer.row["peak_pu"], answer.lengths, answer.settings.limits.voltage_pu
    assert lengths is not None
    axes.plot(curve.length_m, curve.peak_pu, color=ACCENT, marker="o", markersize=3, linewidth=1.3, label="no load")
    if curve.loaded_pu is not None:
        axes.plot(curve.length_m, curve.loaded_pu, color=INK, marker="s", markersize=3, linewidth=1.0, linestyle=":",
                  label=f"{answer.request.transformer.load_w / 1e3:g} kW on the secondary")  # fmt: skip
    axes.axhline(limit, color=LIMIT, linewidth=1.2, linestyle="--", label=f"limit, {limit:g} pu")
    allowed = f"allowed by the study at no load: {lengths.study_m:.0f} m"
    none = "no length is allowed by the study at no load"
    axes.axvspan(0, min(lengths.study_m, curve.length_m[-1]), facecolor=PALE, alpha=0.6, hatch="///", edgecolor="white",
                 linewidth=0, label=allowed if lengths.study_m >= SHORTEST_M else none)  # fmt: skip
    here = f"this site: {peak_pu:.2f} pu at {answer.request.length_m:.0f} m, rounded up to the curves kept"
    axes.plot([answer.request.length_m], [peak_pu], marker="D", markersize=8, linestyle="none", color=LIMIT,
              label=here)  # fmt: skip
    axes.set_title("Largest sustained open-phase voltage of all operations", loc="left", fontsize=9.5)
    axes.set_ylabel("Sustained peak, pu of crest")
    axes.set_xlim(0, curve.length_m[-1])
    axes.set_ylim(bottom=0)
    feet = axes.secondary_xaxis(-0.09, functions=_scaled(1 / FOOT_M))
    feet.set_xlabel("Length of cable: m above, ft below")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.22), borderaxespad=0.0, ncols=2, frameon=False, fontsize=8)
