"""The circuits as linear equations on one straight segment of each magnetizing curve.

Everything is per unit on the section's own base: voltages in crest line-to-ground, time in radians of the supply, flux
in crest voltage per radian. Phases are a, b, c = 0, 1, 2; legs of a five-legged core likewise, b in the middle. The
state is

    y = (cos t, sin t, 1, flux 1, flux 2, flux 3, first open phase, second open phase).

A closed pole is an ideal source ``cos(t + angle)``. At an open phase ``b dv/dt = -(current leaving into the
transformer)``. A winding holds ``e = (u - r m - r_sat s) / (1 + r g)``, ``dflux/dt = e``, and draws
``m + gamma e``: u its terminal voltage, m its magnetizing current, s the saturated part of that, g core loss and
resistive load together. An open phase also feeds a conductance to ground, single-phase load on the section, and an
arrester if it has one: nothing up to ``CLAMP``, a resistance ``SLOPE`` above.

``segment`` holds the segment of every curve, -1, 0 or 1: of up to four magnetizing curves, then of two arresters.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from survey.compiled import njit
from survey.physics.families import Circuit

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


DELTA: Final = int(Circuit.DELTA)
FLOATING_WYE: Final = int(Circuit.FLOATING_WYE)
FIVE_LEGGED: Final = int(Circuit.FIVE_LEGGED)
OPEN_DELTA: Final = int(Circuit.OPEN_DELTA)

ROOT3: Final = 3.0**0.5
CORE_EXCITING: Final = 6.0 / (3.0 + ROOT3)
PHASE_ANGLE_RAD: Final = (0.0, -2.0 * np.pi / 3.0, 2.0 * np.pi / 3.0)

# places in the parameter vector of one operating point
B: Final = 0
G: Final = 1
IM: Final = 2
KNEE: Final = 3
XS: Final = 4
R: Final = 5
R_SAT: Final = 6
ONE_PHASE: Final = 7
CLAMP: Final = 8
SLOPE: Final = 9
PARAMETERS: Final = 10

CURVES: Final = 6
FLUX_CURVES: Final = 4


@njit(cache=True, error_model="numpy")
def terminal_voltages(closed: int, out: Array) -> None:
    """Write the three phase voltages to ground as rows over the state; ``closed`` is a bit mask of closed poles."""
    out[:] = 0.0
    slot = 6
    for phase in range(3):
        if closed >> phase & 1:
            out[phase, 0] = np.cos(PHASE_ANGLE_RAD[phase])
            out[phase, 1] = -np.sin(PHASE_ANGLE_RAD[phase])
        else:
            out[phase, slot] = 1.0
            slot += 1


@njit(cache=True, error_model="numpy")
def between_phases(circuit: int) -> bool:
    """Whether windings lie between phases: on the line-to-ground base r is three times, g a third."""
    return circuit in (DELTA, OPEN_DELTA)


@njit(cache=True, error_model="numpy")
def winding_map(circuit: int, out: Array) -> None:
    """Write the matrix that makes winding voltages of phase voltages; its transpose makes line currents.

    An open delta has windings a-b and b-c; its third row is empty.
    """
    for k in range(3):
        for j in range(3):
            out[k, j] = 1.0 if k == j else 0.0
            if circuit == FLOATING_WYE:
                out[k, j] -= 1.0 / 3.0
            elif circuit == DELTA and j == (k + 1) % 3:
                out[k, j] -= 1.0
            elif circuit == OPEN_DELTA:
                out[k, j] = 0.0 if k == 2 else out[k, j] - (1.0 if j == k + 1 else 0.0)


@njit(cache=True, error_model="numpy")
def winding_count(circuit: int) -> int:
    """Number of windings."""
    return 2 if circuit == OPEN_DELTA else 3


@njit(cache=True, error_model="numpy")
def core_fluxes(parameters: Array, segment: IntArray, out: Array) -> None:
    """Write, for a five-legged core, the four core fluxes as rows (flux 1..3, constant) over the state.

    Leg fluxes are differences of core fluxes, ``F_a = f1 - f2`` and so on, and the four magnetomotive forces add up to
    zero; on straight segments ``h(f) = k f + o`` that is one linear equation for f1.
    """
    total = 0.0
    out[:] = 0.0
    for core in range(4):
        slope, offset = core_segment(parameters, segment[core], parameters[IM])
        total += slope
        out[0, 3] -= offset
        for leg in range(core):
            out[0, leg] += slope
    for column in range(4):
        out[0, column] /= total
    for core in range(1, 4):
        for column in range(4):
            out[core, column] = out[core - 1, column]
        out[core, core - 1] -= 1.0


@njit(cache=True, error_model="numpy")
def core_segment(parameters: Array, segment: int, exciting: float) -> tuple[float, float]:
    """Slope and offset of a core of the five-legged transformer, ``h(f) = i(sqrt3 f)`` with 1.27 im.

    A core carries about 1/sqrt3 of a leg's flux at rated voltage. With c im in the curve the phase currents at rated
    voltage come out at 0.75 c im (outer legs) and sqrt3/2 c im (middle leg): c makes their mean the recorded im.
    """
    slope = CORE_EXCITING * exciting + abs(segment) / parameters[XS]
    return ROOT3 * slope, -segment * parameters[KNEE] / parameters[XS]


@njit(cache=True, error_model="numpy")
def magnetizing_rows(circuit: int, parameters: Array, segment: IntArray, exciting: float, out: Array) -> None:
    """Write the three magnetizing currents as rows over the state; their saturated part where ``exciting`` is 0."""
    out[:] = 0.0
    if circuit == FIVE_LEGGED:
        five_legged_rows(parameters, segment, exciting, out)
        return
    scale = 1.0 / ROOT3 if between_phases(circuit) else 1.0
    for k in range(winding_count(circuit)):
        slope = exciting + abs(segment[k]) / parameters[XS]
        out[k, 3 + k] = slope * scale * scale
        out[k, 2] = -segment[k] * parameters[KNEE] / parameters[XS] * scale


@njit(cache=True, error_model="numpy")
def five_legged_rows(parameters: Array, segment: IntArray, exciting: float, out: Array) -> None:
    """Write the phase currents ``h(f1), h(f1) + h(f2), -h(f4)`` as rows over the state."""
    flux = np.empty((4, 4))
    core_fluxes(parameters, segment, flux)
    for core in range(4):
        slope, offset = core_segment(parameters, segment[core], exciting)
        for column in range(4):
            current = slope * flux[core, column] + (offset if column == 3 else 0.0)
            place = 2 if column == 3 else 3 + column
            if core == 0:
                out[0, place] += current
            if core <= 1:
                out[1, place] += current
            if core == 3:
                out[2, place] -= current


@njit(cache=True, error_model="numpy")
def lost_rows(circuit: int, parameters: Array, segment: IntArray, out: Array) -> None:
    """Write what the resistances take of every winding's voltage, as rows over the state."""
    saturated = np.empty((3, 8))
    magnetizing_rows(circuit, parameters, segment, parameters[IM], out)
    magnetizing_rows(circuit, parameters, segment, 0.0, saturated)
    third = 3.0 if between_phases(circuit) else 1.0
    for k in range(3):
        for column in range(8):
            out[k, column] = third * (parameters[R] * out[k, column] + parameters[R_SAT] * saturated[k, column])


@njit(cache=True, error_model="numpy")
def shunt_rows(parameters: Array, segment: int, slot: int, out: Array) -> None:
    """Add what an open phase feeds beside the transformer: single-phase load and the arrester."""
    out[slot, slot] -= parameters[ONE_PHASE] / parameters[B]
    if segment != 0:
        out[slot, slot] -= 1.0 / (parameters[SLOPE] * parameters[B])
        out[slot, 2] += segment * parameters[CLAMP] / (parameters[SLOPE] * parameters[B])


@njit(cache=True, error_model="numpy")
def fill_generator(circuit: int, parameters: Array, closed: int, segment: IntArray, out: Array) -> None:
    """Write the matrix A of ``dy/dt = A y`` for one state of the poles and one segment of every curve."""
    voltages, windings = np.empty((3, 8)), np.empty((3, 3))
    magnetizing, lost = np.empty((3, 8)), np.empty((3, 8))
    terminal_voltages(closed, voltages)
    winding_map(circuit, windings)
    magnetizing_rows(circuit, parameters, segment, parameters[IM], magnetizing)
    lost_rows(circuit, parameters, segment, lost)
    conductance = parameters[G] / (3.0 if between_phases(circuit) else 1.0)
    out[:] = 0.0
    out[0, 1] = -1.0
    out[1, 0] = 1.0
    for k in range(3):
        for column in range(8):
            value = -lost[k, column]
            for phase in range(3):
                value += windings[k, phase] * voltages[phase, column]
            out[3 + k, column] = value / (1.0 + parameters[R] * parameters[G])
    slot = 6
    for phase in range(3):
        if closed >> phase & 1:
            continue
        for column in range(8):
            for k in range(3):
                current = magnetizing[k, column] + conductance * out[3 + k, column]
                out[slot, column] -= windings[k, phase] * current / parameters[B]
        shunt_rows(parameters, segment[FLUX_CURVES + slot - 6], slot, out)
        slot += 1


@njit(cache=True, error_model="numpy")
def fill_probe(circuit: int, parameters: Array, segment: IntArray, out: Array) -> None:
    """Write the arguments of the magnetizing curves, per unit of rated flux, as rows over (flux 1..3, constant)."""
    if circuit == FIVE_LEGGED:
        core_fluxes(parameters, segment, out)
        for core in range(4):
            for column in range(4):
                out[core, column] *= ROOT3
        return
    out[:] = 0.0
    for k in range(winding_count(circuit)):
        out[k, k] = 1.0 / ROOT3 if between_phases(circuit) else 1.0


@njit(cache=True, error_model="numpy")
def fill_feed(circuit: int, parameters: Array, closed: int, segment: IntArray, out: Array) -> None:
    """Write what each open phase feeds into the transformer: over (constant, flux 1..3), then over changes of flux."""
    windings, magnetizing = np.empty((3, 3)), np.empty((3, 8))
    winding_map(circuit, windings)
    magnetizing_rows(circuit, parameters, segment, parameters[IM], magnetizing)
    conductance = parameters[G] / (3.0 if between_phases(circuit) else 1.0)
    out[:] = 0.0
    slot = 0
    for phase in range(3):
        if closed >> phase & 1:
            continue
        for k in range(3):
            for column in range(4):
                out[slot, column] += windings[k, phase] * magnetizing[k, 2 + column]
            out[slot, 4 + k] = windings[k, phase] * conductance
        slot += 1
