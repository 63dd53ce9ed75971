"""The study's integrator against ngspice, a general-purpose circuit simulator, on netlists written here.

A winding is a subcircuit: its resistance, and a conductance beside a current source that follows the flux; the flux is
the voltage of a capacitor of 1 F charged by the winding voltage. Time is in radians of the supply, so that w = 1.
"""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pytest
from equations import BETWEEN_PHASES, CORE, Case, arrester, by_study, figures_by_study

from survey.physics.families import Circuit

pytestmark = pytest.mark.ngspice
PHASES = "abc"
CYCLES = 150
SQUARE_ROOT_3 = "1.7320508075688772"


def source(phase: int, case: Case) -> str:
    shift = case.angle + (0.0, -2 * np.pi / 3, 2 * np.pi / 3)[phase]
    return f"Bs{phase} {PHASES[phase]} 0 V=cos(time+({shift!r}))"


def curve(flux: str, case: Case, im: float) -> str:
    beyond = f"({flux}-min(max({flux},-{case.knee!r}),{case.knee!r}))"
    return f"({im!r}*({flux})+{beyond}/{case.xs!r})"


def winding(name: str, ends: tuple[str, str], case: Case) -> list[str]:
    """One winding between two nodes; between phases, on the line-to-ground base, r is three times and g a third."""
    third = 3.0 if case.circuit in BETWEEN_PHASES else 1.0
    inner, flux = f"i{name}", f"f{name}"
    x = f"(V({flux})/{SQUARE_ROOT_3})" if third > 1 else f"V({flux})"
    current = curve(x, case, case.im) + (f"/{SQUARE_ROOT_3}" if third > 1 else "")
    return [
        f"R{name} {ends[0]} {inner} {case.r * third!r}",
        f"G{name} {inner} {ends[1]} {inner} {ends[1]} {case.g / third!r}",
        f"Bm{name} {inner} {ends[1]} I={current}",
        f"Bf{name} 0 {flux} I=V({inner},{ends[1]})",
        f"Cf{name} {flux} 0 1 IC=0",
        f"Rf{name} {flux} 0 1e12",
    ]


def five_legged(case: Case) -> list[str]:
    """Four cores side by side: conductances to ground at nodes of voltage core flux, tied by the leg fluxes."""
    lines = []
    for k, phase in enumerate(PHASES):
        lines += [
            f"Rw{k} {phase} w{k} {case.r!r}",
            f"Gw{k} w{k} 0 w{k} 0 {case.g!r}",
            f"Bf{k} 0 leg{k} I=V(w{k})",
            f"Cf{k} leg{k} 0 1 IC=0",
            f"Rf{k} leg{k} 0 1e12",
            f"Btie{k} core{k} core{k + 1} V=V(leg{k})",
        ]
    h = [curve(f"({SQUARE_ROOT_3}*V(core{k}))", case, float(CORE) * case.im) for k in range(4)]
    lines += [f"Bc{k} core{k} 0 I={h[k]}" for k in range(4)]
    lines += [f"Rc{k} core{k} 0 1e9" for k in range(4)]
    currents = (h[0], f"({h[0]}+{h[1]})", f"(-{h[3]})")
    return lines + [f"Bi{k} w{k} 0 I={currents[k]}" for k in range(3)]


def open_phase(phase: int, case: Case) -> list[str]:
    """Capacitance to ground, and beside it single-phase load and an arrester where there is one."""
    name = PHASES[phase]
    lines = [f"C{phase} {name} 0 {case.b!r} IC=0"]
    if case.one_phase:
        lines.append(f"Rone{phase} {name} 0 {1 / case.one_phase!r}")
    if np.isfinite(case.clamp):
        lines.append(f"Barr{phase} {name} 0 I={arrester_current(name, case)}")
    return lines


def arrester_current(name: str, case: Case) -> str:
    return f"((V({name})-min(max(V({name}),-{case.clamp!r}),{case.clamp!r}))/{case.slope!r})"


def netlist(case: Case, *, cycles: int = CYCLES, last: int = 10) -> str:
    lines = ["* open phases behind a transformer"]
    for k in range(3):
        if case.closed >> k & 1:
            lines.append(source(k, case))
        else:
            lines += open_phase(k, case)
    if case.circuit in BETWEEN_PHASES:
        for k in range(3 if case.circuit is Circuit.DELTA else 2):
            lines += winding(str(k), (PHASES[k], PHASES[(k + 1) % 3]), case)
    elif case.circuit is Circuit.FLOATING_WYE:
        # a delta secondary holds the sum of the winding voltages at zero: the neutral stands at the mean
        lines.append("Bn n 0 V=(V(a)+V(b)+V(c))/3")
        lines += [line for k in range(3) for line in winding(str(k), (PHASES[k], "n"), case)]
        # the neutral source takes the sum of the winding currents; line currents are winding currents less their mean
        lines += [f"Bd{k} {PHASES[k]} 0 I=-I(Bn)/3" for k in range(3)]
    else:
        lines += five_legged(case)
    end, start = 2 * np.pi * cycles, 2 * np.pi * (cycles - last)
    # an arrester's current is at its height for a few milliradians
    step = 0.02 if not np.isfinite(case.clamp) else 0.002
    probes = " ".join(f"v({PHASES[k]})" for k in case.open_phases)
    lines += [
        ".options method=gear reltol=1e-5 abstol=1e-10 vntol=1e-8 itl4=200",
        f".tran {step} {end!r} {start!r} {step} uic",
        ".control",
        "run",
        f"wrdata out.txt {probes}",
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def simulate(case: Case, folder, **span: int):
    """Table of ngspice: a time and a voltage for every open phase, side by side."""
    binary = shutil.which("ngspice")
    assert binary, "install Debian's ngspice (tests/check.sh does)"
    (folder / "case.cir").write_text(netlist(case, **span))
    done = subprocess.run(
        [binary, "-b", "case.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    assert (folder / "out.txt").exists(), done.stdout[-2000:] + done.stderr[-2000:]
    return np.loadtxt(folder / "out.txt")


def by_ngspice(case: Case, folder) -> float:
    return float(np.abs(simulate(case, folder)[:, 1::2]).max())


def waveform_by_ngspice(case: Case, folder, *, cycles: int):
    """First open phase from dead: times [rad] and voltages."""
    return simulate(case, folder, cycles=cycles, last=cycles)[:, :2].T


CASES = [
    Case(Circuit.DELTA, 1, b=0.0005, g=0.002, im=0.005),
    Case(Circuit.DELTA, 1, b=0.0002, g=0.004, im=0.008),
    Case(Circuit.DELTA, 3, b=0.002, g=0.05, im=0.005),
    Case(Circuit.DELTA, 3, b=0.02, g=0.15, im=0.005, angle=1.0),
    Case(Circuit.FLOATING_WYE, 1, b=0.0005, g=0.002, im=0.005),
    Case(Circuit.FLOATING_WYE, 1, b=0.003, g=0.05, im=0.006),
    Case(Circuit.FLOATING_WYE, 1, b=0.001, g=0.02, im=0.005),
    Case(Circuit.FLOATING_WYE, 3, b=0.05, g=0.15, im=0.005, angle=2.0),
    Case(Circuit.FIVE_LEGGED, 1, b=0.002, g=0.002, im=0.005),
    Case(Circuit.FIVE_LEGGED, 1, b=0.01, g=0.03, im=0.005),
    Case(Circuit.FIVE_LEGGED, 3, b=0.002, g=0.01, im=0.005),
    Case(Circuit.FIVE_LEGGED, 5, b=0.004, g=0.02, im=0.006),
    Case(Circuit.FIVE_LEGGED, 5, b=0.02, g=0.1, im=0.005, angle=0.5),
    # deep in saturation, every cycle or every second or third one the same
    Case(Circuit.DELTA, 1, b=0.0021, g=0.003, im=0.005, angle=5.9),
    Case(Circuit.DELTA, 1, b=0.0078, g=0.002, im=0.005, angle=5.0),
    Case(Circuit.FLOATING_WYE, 3, b=0.01, g=0.15, im=0.005),
    Case(Circuit.FLOATING_WYE, 1, b=0.2731, g=0.002, im=0.005, angle=1.8),
    Case(Circuit.FLOATING_WYE, 3, b=0.9741, g=0.019, im=0.005, angle=3.0),
    Case(Circuit.FLOATING_WYE, 5, b=0.7337, g=0.01, im=0.005, angle=0.3),
    Case(Circuit.FIVE_LEGGED, 3, b=0.1413, g=0.003, im=0.005, angle=4.1),
    Case(Circuit.FIVE_LEGGED, 3, b=0.9419, g=0.002, im=0.005, angle=5.9),
    Case(Circuit.FIVE_LEGGED, 5, b=0.735, g=0.044, im=0.005, angle=3.8),
    # open delta: each of its corners left open, and closed alone
    Case(Circuit.OPEN_DELTA, 3, b=0.00116, g=0.0044, im=0.004, angle=2.4),
    Case(Circuit.OPEN_DELTA, 3, b=0.00156, g=0.0032, im=0.004, angle=2.7),
    Case(Circuit.OPEN_DELTA, 2, b=0.00324, g=0.0021, im=0.004, angle=3.1),
    Case(Circuit.OPEN_DELTA, 2, b=0.00131, g=0.0024, im=0.004, angle=2.4),
    Case(Circuit.OPEN_DELTA, 6, b=0.0008, g=0.0044, im=0.004, angle=1.0),
    Case(Circuit.OPEN_DELTA, 1, b=0.0006, g=0.004, im=0.004),
    # single-phase load on the open phase
    Case(Circuit.DELTA, 1, b=0.0021, g=0.003, im=0.005, angle=5.9, one_phase=0.001),
    Case(Circuit.FLOATING_WYE, 1, b=0.003, g=0.02, im=0.006, one_phase=0.01),
]
CLAMPED = [
    Case(Circuit.DELTA, 1, b=0.00349, g=0.0022, im=0.004, angle=1.2, clamp=1.8),
    Case(Circuit.DELTA, 4, b=0.00416, g=0.002, im=0.004, angle=1.9, clamp=1.8),
    Case(Circuit.DELTA, 2, b=0.00236, g=0.0023, im=0.004, angle=1.8, clamp=1.9),
    Case(Circuit.DELTA, 1, b=0.00109, g=0.0021, im=0.004, angle=4.6, clamp=1.8),
    Case(Circuit.FLOATING_WYE, 4, b=0.0716, g=0.0038, im=0.004, angle=2.8, clamp=1.8),
    Case(Circuit.FLOATING_WYE, 2, b=0.0372, g=0.0059, im=0.004, angle=3.9, clamp=1.8),
    Case(Circuit.FLOATING_WYE, 2, b=0.00362, g=0.0025, im=0.004, angle=4.5, clamp=1.8),
    Case(Circuit.FLOATING_WYE, 1, b=0.0094, g=0.0029, im=0.004, angle=4.5, clamp=1.8),
    Case(Circuit.FIVE_LEGGED, 3, b=0.22, g=0.038, im=0.004, angle=2.6, clamp=1.8),
    Case(Circuit.FIVE_LEGGED, 1, b=0.936, g=0.0021, im=0.004, angle=3.6, clamp=1.8),
    Case(Circuit.FIVE_LEGGED, 4, b=0.985, g=0.0035, im=0.004, angle=2.5, clamp=1.8),
    Case(Circuit.FIVE_LEGGED, 3, b=0.538, g=0.065, im=0.004, angle=2.6, clamp=1.8),
    Case(Circuit.OPEN_DELTA, 2, b=0.00234, g=0.0021, im=0.004, angle=1.5, clamp=1.8),
    Case(Circuit.OPEN_DELTA, 2, b=0.00501, g=0.0022, im=0.004, angle=0.8, clamp=1.8),
    Case(Circuit.OPEN_DELTA, 6, b=0.00135, g=0.0022, im=0.004, angle=1.7, clamp=1.8),
    Case(Circuit.OPEN_DELTA, 2, b=0.00307, g=0.0021, im=0.004, angle=4.4, clamp=1.8),
]


@pytest.mark.by_turns(3)
@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.circuit.name} {c.closed} b={c.b} g={c.g}")
def test_sustained_peak_equals_the_circuit_simulators(case, tmp_path):
    ours, period = by_study(case)
    theirs = by_ngspice(case, tmp_path)
    assert ours == pytest.approx(theirs, rel=0.01 if period else 0.15)


@pytest.mark.by_turns(4)
@pytest.mark.parametrize("case", CLAMPED, ids=lambda c: f"{c.circuit.name} {c.closed} b={c.b} g={c.g}")
def test_with_arresters_peak_and_power_equal_the_circuit_simulators(case, tmp_path):
    peak, power, period = figures_by_study(case)
    assert period > 0
    table = simulate(case, tmp_path, cycles=90, last=2)
    time, voltage = table[:, 0], table[:, 1::2]
    mean = np.trapezoid(voltage * arrester(voltage, case), time, axis=0).max() / (time[-1] - time[0]) / 1.5
    assert peak == pytest.approx(np.abs(voltage).max(), rel=0.01)
    assert power == pytest.approx(mean, rel=0.02)
