"""The pictures of survey/data/model.md: what the study must reproduce, and what it does; run it as a script.

``python tests/figures/make_model_figures.py [FOLDER [NAME ...]]``; takes a minute or two and needs ngspice for the
waveforms.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests" / folder) for folder in ("physics", "benchmarks")]

from bench_atlas import compared, read_table, settled  # noqa: E402
from equations import Case, by_study, waveform_by_solve_ivp, waveform_by_study  # noqa: E402
from test_ngspice import waveform_by_ngspice  # noqa: E402
from test_study_table import ONSET, TYPICAL  # noqa: E402

from survey.desk.picture import ACCENT, INK, LIMIT, QUIET, STYLE  # noqa: E402
from survey.physics.catalogue import Catalogue  # noqa: E402
from survey.physics.families import FAMILY_TABLE  # noqa: E402
from survey.physics.screening import charging_pu  # noqa: E402
from survey.physics.study import Circuit, direct  # noqa: E402
from survey.physics.transformer import magnetizing_pu, own_capacitance_f  # noqa: E402

IM, P = 0.005, 0.002
DRAWS = 4
OTHER = "#8a6d1f"
VOLTAGE_LIMIT = 1.25
NAMES = {row.circuit: row.title for row in FAMILY_TABLE}


def closed_forms(axes: list[Axes]) -> None:
    """Unsaturated peaks against 1/(1 - 3/K) and 0.5/(1 - 1.5/K)."""
    fine, ratios = np.linspace(8, 60, 200), np.array([10.0, 12, 15, 20, 25, 30, 40, 50, 60])
    forms = {1: ("one pole closed", lambda k: 1 / (1 - 3 / k)), 3: ("two poles closed", lambda k: 0.5 / (1 - 1.5 / k))}
    for place, circuit in enumerate((Circuit.DELTA, Circuit.FLOATING_WYE)):
        for closed, colour in ((1, ACCENT), (3, OTHER)):
            words, form = forms[closed]
            axes[place].plot(fine, form(fine), color=colour, linewidth=1.2, label=f"{words}, closed form")
            peaks = [
                by_study(
                    Case(circuit, closed, b=IM / k, g=1e-4, im=IM, r=0.001, knee=50.0, xs=1.0),
                    cycles=(12_000, 12_000, 0, 10),
                )[0]
                for k in ratios
            ]
            axes[place].plot(ratios, peaks, "o", color=colour, markersize=4, label=f"{words}, study")
        axes[place].set_title(f"{NAMES[circuit]}, no saturation".capitalize(), loc="left", fontsize=9.5)
        axes[place].set_xlabel("Xc/Xm")
    axes[0].set_ylabel("Open phase, pu of crest")
    axes[1].legend(fontsize=7.5, frameon=False)


WAVES = (
    Case(Circuit.DELTA, 1, b=0.0021, g=0.003, im=IM, angle=5.9),
    Case(Circuit.FLOATING_WYE, 3, b=0.9741, g=0.019, im=IM, angle=3.0),
    Case(Circuit.FIVE_LEGGED, 5, b=0.735, g=0.044, im=IM, angle=3.8),
)


WAVE_CYCLES = 4
"""Afterwards the smallest difference grows from cycle to cycle until the response repeats."""


def waveforms(axes: list[Axes]) -> None:
    """Three saturated responses by three integrators that share nothing but the circuit."""
    for place, case in zip(axes, WAVES, strict=True):
        with tempfile.TemporaryDirectory() as folder:
            simulator = waveform_by_ngspice(case, Path(folder), cycles=WAVE_CYCLES)
        looks: tuple[tuple[str, tuple[np.ndarray, np.ndarray], Any], ...] = (
            ("study", waveform_by_study(case, cycles=WAVE_CYCLES), {"color": ACCENT, "linewidth": 2.6, "alpha": 0.55}),
            ("ngspice", simulator, {"color": INK, "linewidth": 0.9}),
            ("scipy solve_ivp", waveform_by_solve_ivp(case, cycles=WAVE_CYCLES), {"color": LIMIT, "linestyle": ":"}),
        )
        for name, (time, voltage), look in looks:
            place.plot(time / (2 * np.pi), voltage, label=name, **look)
        poles = "one pole" if bin(case.closed).count("1") == 1 else "two poles"
        short = NAMES[case.circuit].removesuffix(" grounded wye").capitalize()
        place.set_title(f"{short}, {poles} closed", loc="left", fontsize=9.5)
        place.set_xlabel("Cycles from closing")
        place.margins(x=0)
    axes[0].set_ylabel("Open phase, pu of crest")
    axes[1].legend(fontsize=7.5, frameon=False, loc="upper left")


def onset(axes: list[Axes]) -> None:
    """Five-legged: peak against charging over loss, at no load and a little."""
    ratios = np.geomspace(0.5, 20, 26)
    for load, colour in ((0.0, ACCENT), (0.01, OTHER), (0.02, QUIET)):
        peaks = [largest(Circuit.FIVE_LEGGED, r * TYPICAL["p"], load, **TYPICAL) for r in ratios]
        words = "no load" if load == 0 else f"{100 * load:.0f} % of load"
        axes[0].plot(ratios, peaks, "o-", color=colour, markersize=3, linewidth=1.1, label=words)
    derived = [pair for core, row in ONSET if core is TYPICAL for pair in row.items()]
    axes[0].plot(*zip(*derived, strict=True), "x", color=INK, markersize=6, label="derived figures, no load")
    axes[0].axvline(1.0, color=INK, linewidth=0.9, linestyle=":")
    axes[0].annotate("published onset", (1.04, 3.5), fontsize=8)
    axes[0].axhline(VOLTAGE_LIMIT, color=LIMIT, linewidth=1.0, linestyle="--")
    axes[0].set_xscale("log")
    axes[0].set_xticks([0.5, 1, 2, 5, 10, 20], ["0.5", "1", "2", "5", "10", "20"])
    axes[0].set_title("Five-legged grounded wye: largest of all operations", loc="left", fontsize=9.5)
    axes[0].set_xlabel("Charging power over core loss")
    axes[0].set_ylabel("Open phase, pu of crest")
    axes[0].legend(fontsize=7.5, frameon=False, loc="upper left")


def load_rule(axes: list[Axes]) -> None:
    """Peak against charging at several loads: where 15 % calms, and where it stops."""
    charging = np.geomspace(1e-3, 1.0, 31)
    for place, circuit in enumerate((Circuit.DELTA, Circuit.FLOATING_WYE)):
        for load, colour, width in ((0.0, QUIET, 0.9), (0.05, OTHER, 1.1), (0.15, ACCENT, 2.0), (0.3, INK, 0.9)):
            peaks = [largest(circuit, b, load) for b in charging]
            words = "no load" if load == 0 else f"{100 * load:.0f} % of load"
            axes[place].plot(charging, peaks, "o-", color=colour, markersize=2.5, linewidth=width, label=words)
        axes[place].axhline(VOLTAGE_LIMIT, color=LIMIT, linewidth=1.0, linestyle="--")
        axes[place].set_xscale("log")
        axes[place].set_title(NAMES[circuit].capitalize(), loc="left", fontsize=9.5)
        axes[place].set_xlabel("Charging b, pu of rating")
    axes[0].set_ylabel("Open phase, pu of crest")
    axes[0].legend(fontsize=7.5, frameon=False)


def look_up(axes: list[Axes]) -> None:
    """Largest voltage from the atlas over the settled one of 30,000 simulated operations."""
    table = read_table()
    ratio = compared(table).peak_pu / settled(table)
    for place, circuit in zip(axes, Circuit, strict=True):
        for chosen, colour, words in (
            (ratio > 0, QUIET, "all"),
            (table["near_onset"] == 1, ACCENT, "near onset"),
        ):
            own = ratio[(table["circuit"] == circuit) & chosen]
            place.hist(np.clip(own, 0.8, 1.3), bins=np.arange(0.8, 1.31, 0.02), color=colour, label=words)
        place.axvline(1.0, color=INK, linewidth=0.9)
        place.set_title(NAMES[circuit].capitalize(), loc="left", fontsize=9.5)
        place.set_xlabel("Atlas over simulation")
    axes[0].set_ylabel("Sections of 600")
    axes[0].legend(fontsize=7.5, frameon=False)


LENGTHS_M = (10.0, 20.0, 30.0, 60.0, 100.0, 150.0, 300.0, 600.0, 1200.0)
CABLES = ((12.47, 175.5e-12, ACCENT), (24.9, 142e-12, OTHER), (34.5, 115e-12, INK))
"""Voltage [kV] and capacitance of 1/0 cable of its class [F/m] (published feeders; 25 kV: coaxial formula)."""
RATING_VA = 300e3


def watts(circuit: Circuit, kv: float, cable_f_m: float, length_m: float) -> tuple[float, float]:
    """Largest mean power of an arrester [W] and largest voltage [per unit] behind a 300 kVA unit of default losses."""
    catalogue = Catalogue.load()
    loss = float(catalogue.default_no_load_loss_w(RATING_VA, kv * 1e3)) / RATING_VA
    exciting = catalogue.default_exciting_pu(RATING_VA, kv * 1e3, core_loss_pu=loss)
    own = own_capacitance_f(rating_va=RATING_VA, voltage_v=kv * 1e3)
    b = charging_pu(capacitance_f=own + cable_f_m * length_m, voltage_v=kv * 1e3, rating_va=RATING_VA, frequency_hz=60)
    im = float(magnetizing_pu(exciting_pu=exciting, core_loss_pu=loss))
    found = direct(circuit, b=float(b), p=loss, im=im, clamped=True, density=2)
    return float(found[:, 1].max()) * RATING_VA, float(found[:, 0].max())


def arresters(axes: list[Axes]) -> None:
    """Watts of the hardest-worked arrester against cable length."""
    for place, circuit in zip(axes, (Circuit.DELTA, Circuit.FLOATING_WYE, Circuit.FIVE_LEGGED), strict=True):
        for kv, cable_f_m, colour in CABLES:
            power = [max(watts(circuit, kv, cable_f_m, length)[0], 0.1) for length in LENGTHS_M]
            place.plot(LENGTHS_M, power, "o-", color=colour, markersize=3, linewidth=1.1, label=f"{kv:g} kV")
        place.set_xscale("log")
        place.set_yscale("log")
        place.set_title(f"{NAMES[circuit]}, 300 kVA".capitalize().replace("kva", "kVA"), loc="left", fontsize=9.5)
        place.set_xlabel("Cable, m")
    axes[0].set_ylabel("Largest mean power of one arrester, W")
    axes[0].legend(fontsize=7.5, frameon=False)


def largest(circuit: Circuit, b: float, load: float, *, p: float = P, im: float = IM) -> float:
    """Largest sustained peak of all operations of one circuit."""
    return float(direct(circuit, b=b, p=p, im=im, load=load, density=DRAWS)[:, 0].max())


FIGURES = {
    "closed_forms": (closed_forms, 2),
    "waveforms": (waveforms, 3),
    "five_legged_onset": (onset, 1),
    "load_rule": (load_rule, 2),
    "look_up": (look_up, len(Circuit)),
    "arresters": (arresters, 3),
}


def main(folder: Path, names: list[str]) -> None:
    """Draw every picture, or those named, into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (draw, panels) in FIGURES.items():
        if names and name not in names:
            continue
        with mpl.rc_context(STYLE):
            figure = Figure(figsize=(5.2 if panels == 1 else 9.0, 3.4), layout="constrained")
            FigureCanvasAgg(figure)
            draw(list(np.atleast_1d(figure.subplots(1, panels, sharey=name not in {"waveforms", "look_up"}))))
            figure.savefig(folder / f"{name}.png", dpi=130, metadata={"Software": None})


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "reports" / "model", sys.argv[2:])
