"""The worst operation of the study, drawn out in time; of the leading sites for their cards."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from survey.arrays import Floats, Ints
from survey.assess.assess import Assessment
from survey.assess.behaviour import curve_parameters
from survey.assess.circuits import Circuits
from survey.physics.curves import BLOCKS, CYCLES
from survey.physics.families import Circuit
from survey.physics.sequences import switching_plan
from survey.settings import Settings

SHOWN_CYCLES: Final = 6
RECORDED_CYCLES: Final = 60
"""One that repeats is watched this long from then on; one that never does over the cycles that the study measures."""
SAMPLES_PER_CYCLE: Final = 256
PHASES: Final = "abc"
STEP: Final = 4
"""A page gets one sample in so many."""


@dataclass(frozen=True)
class Waveform:
    """Open-phase voltages of one operation once it has settled.

    ``time_cycles``: from the start of what is shown, shape (n,). ``voltage_pu``: phases a, b, c to ground [crest, per
    unit], shape (3, n). ``closed``: whether each pole is closed. ``opening``: whether the poles were opened one at a
    time (else closed). ``sustained_pu``: sustained peak that the study gives for this operation. ``period``: cycles
    after which it repeats; 0 where it does not. ``held_pu``: the same operation with an arrester on every open phase,
    shape (3, n).
    """

    time_cycles: Floats
    voltage_pu: Floats
    closed: tuple[bool, bool, bool]
    opening: bool
    sustained_pu: float
    period: int
    held_pu: Floats

    @property
    def still_open(self) -> list[int]:
        """Phases whose pole is open."""
        return [phase for phase in range(3) if not self.closed[phase]]

    @property
    def words(self) -> str:
        """What is seen, in words."""
        names = [PHASES[k] for k in range(3) if self.closed[k]]
        poles = f"pole {names[0]}" if len(names) == 1 else f"poles {' and '.join(names)}"
        again = {0: "never quite repeating", 1: "the same every cycle"}.get(
            self.period, f"repeating after {self.period} cycles"
        )
        return f"{poles} closed, after {'opening' if self.opening else 'closing'} pole by pole; {again}"


def worst_waveform(circuits: Circuits, *, settings: Settings, row: int = 0) -> Waveform:
    """Simulate every operation of a circuit at no load, and record the one with the largest sustained peak."""
    from survey.physics.study import direct

    kind = Circuit(int(circuits.family[row]))
    b, p, im = (float(values[row]) for values in (circuits.b, circuits.p, circuits.im))
    parameters = curve_parameters(settings)
    found = direct(kind, b=b, p=p, im=im, parameters=parameters, density=BLOCKS)
    worst = int(found[:, 0].argmax())
    states, draws = switching_plan(kind, density=BLOCKS)
    sequence, operation = divmod(worst, 2)
    closed = int(states[sequence, 1 + operation])

    def shown(*, clamped: bool) -> Floats:
        point = parameters.rows(np.array([b]), np.array([p]), im=np.array([im]), clamped=clamped)[0]
        seen = record(kind, point, states=states[sequence], draw=draws[sequence], operation=operation)
        return highest_part(seen, closed)

    voltage = shown(clamped=False)
    return Waveform(
        time_cycles=np.arange(voltage.shape[1]) / SAMPLES_PER_CYCLE,
        voltage_pu=voltage,
        closed=(bool(closed & 1), bool(closed & 2), bool(closed & 4)),
        opening=bool(states[sequence, 0]),
        sustained_pu=float(found[worst, 0]),
        period=int(found[worst, 2]),
        held_pu=shown(clamped=True),
    )


def leading_waveforms(
    assessment: Assessment, sites: Iterable[int], *, settings: Settings, progress: Callable[[int, int], None] | None
) -> list[dict[str, Any]]:
    """Waveforms at the worst points of some sites, a circuit once, for a page.

    ``sites``: rows of the network's sites, those by rank. Returns for each circuit ``sites`` (places in ``sites``),
    ``words``, ``closed``, ``cycles`` (of what is shown), and voltages of the phases ``plain`` and ``held``, the latter
    with arresters, in hundredths of normal crest.
    """
    circuit = assessment.choice.worst[np.fromiter(sites, np.int64)]
    rows = [row for row in dict.fromkeys(circuit.tolist()) if row >= 0]
    made = []
    for number, row in enumerate(rows, start=1):
        wave = worst_waveform(assessment.circuits, settings=settings, row=row)
        made.append({"sites": np.flatnonzero(circuit == row).tolist(), **_for_a_page(wave)})
        if progress is not None:
            progress(number, len(rows))
    return made


def _for_a_page(wave: Waveform) -> dict[str, Any]:
    """Every fourth sample, the highest one of an open phase among them."""
    kept = slice(int(np.abs(wave.voltage_pu[wave.still_open]).max(axis=0).argmax()) % STEP, None, STEP)
    plain, held = ((100 * voltage[:, kept]).round().astype(int).tolist() for voltage in (wave.voltage_pu, wave.held_pu))
    return {"words": wave.words, "closed": list(wave.closed), "cycles": SHOWN_CYCLES, "plain": plain, "held": held}


def record(circuit: Circuit, point: Floats, *, states: Ints, draw: Floats, operation: int) -> Floats:
    """Run a switching sequence as the study does, and record the cycles that its sustained peak is that of.

    ``point``: as :meth:`survey.physics.curves.CurveParameters.rows` makes it. ``states``, ``draw``: one sequence and
    its draw, as in :func:`survey.physics.sequences.switching_plan`. ``operation``: 0 or 1: after which of the two
    operations to record. Returns phase voltages [per unit], shape (3, n).
    """
    from survey.physics import kernel

    clock, hastened = _clock(point), 0 if states[0] else CYCLES[2]
    tables, work, code = kernel.make_tables(kernel.STEPS_PER_CYCLE), kernel.make_work(clock[2]), int(circuit)
    tables.coarsest[:] = -1
    y, segment = np.zeros(kernel.SIZE), np.zeros(kernel.CURVES, dtype=np.int64)
    kernel.start_state(int(circuit), draw[0], draw[2:5], y, states[0] != 0)
    for number in range(operation + 1):
        closed = int(states[1 + number])
        kernel.change_poles(y, int(states[number]), closed)
        figures, before = np.zeros(kernel.CYCLES), (y.copy(), segment.copy())
        kernel.operate(tables, work, code, point, closed, y, segment, clock, hastened, np.zeros(0), figures)
        if number < operation:
            wait = int(draw[1] * clock[0])
            kernel.advance(tables, work, code, point, closed, y, segment, wait, 0.0)
    cycles = RECORDED_CYCLES
    if figures[kernel.PERIOD] == 0:  # measured over its last cycles: again, up to where these begin
        (y, segment), cycles = before, int(clock[2])
        shorter = clock - np.array([0, cycles, 0])
        kernel.operate(tables, work, code, point, closed, y, segment, shorter, hastened, np.zeros(0), figures)
    seen = np.empty((3, cycles * SAMPLES_PER_CYCLE + 1))
    seen[:, 0] = phase_voltages(y, closed)
    for sample in range(1, seen.shape[1]):
        kernel.advance(tables, work, code, point, closed, y, segment, int(clock[0]) // SAMPLES_PER_CYCLE, 0.0)
        seen[:, sample] = phase_voltages(y, closed)
    return seen


def highest_part(voltage: Floats, closed: int) -> Floats:
    """The cycles around the highest open-phase voltage, shape (3, n)."""
    still_open = [phase for phase in range(3) if not closed >> phase & 1]
    place = int(np.abs(voltage[still_open]).max(axis=0).argmax())
    last = voltage.shape[1] // SAMPLES_PER_CYCLE - SHOWN_CYCLES
    start = min(max(place // SAMPLES_PER_CYCLE - SHOWN_CYCLES // 2, 0), last) * SAMPLES_PER_CYCLE
    return voltage[:, start : start + SHOWN_CYCLES * SAMPLES_PER_CYCLE + 1]


def _clock(point: Floats) -> Ints:
    """Ticks a cycle, largest number of cycles and how many are measured, as the study takes them here."""
    from survey.physics import kernel

    ring = int(3.0 * point[0] / (np.pi * point[1])) if point[1] > 0 else CYCLES[1]
    longest = min(CYCLES[0] + ring, max(CYCLES[0], CYCLES[1]))
    return np.array([kernel.TICKS_PER_CYCLE, longest, CYCLES[3]], dtype=np.int64)


def phase_voltages(y: Floats, closed: int) -> Floats:
    """Voltages to ground of the three phases in a state of the integrator, shape (3,)."""
    from survey.physics.circuits import terminal_voltages

    rows = np.zeros((3, len(y)))
    terminal_voltages(closed, rows)
    return np.asarray(rows @ y)
