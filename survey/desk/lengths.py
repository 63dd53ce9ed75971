"""Allowed cable lengths: by the screening limit, and by the study."""

from collections.abc import Callable

import numpy as np

from survey.arrays import Bools, Floats, Ints
from survey.assess.circuits import Circuits, SectionValues, screening_limits
from survey.physics.atlas_answer import FULL_LOAD
from survey.physics.curves import HIGHEST, LOWEST, NODES_PER_DECADE
from survey.physics.screening import limit_capacitance_f, limit_charging_pu, limit_length_m
from survey.physics.study import CurveLibrary
from survey.physics.study_figures import inside_model
from survey.settings import Settings

LONGEST_M = 5000.0
"""Longer cable is not tried (common practice, no source: no single-pole device feeds that much)."""
RUNGS_AT_ONCE = 4
"""Least number of circuits to compute together, which keeps both workers busy."""
RUNGS_READ = 20
"""Rungs of every circuit to read off the atlas together."""


def rung_pu(number: Ints) -> Floats:
    """Charging power of a rung [per unit]; rungs lie on the nodes of the curves, where nothing is added for safety."""
    return np.asarray(LOWEST[0] * 10.0 ** (number / NODES_PER_DECADE[0]))


def rung_above(charging_pu: Floats) -> Ints:
    """Number of the first rung above a charging power."""
    place = NODES_PER_DECADE[0] * np.log10(np.maximum(charging_pu, LOWEST[0]) / LOWEST[0])
    return np.floor(place + 1e-9).astype(np.int64) + 1


def allowed_charging_pu(
    circuits: Circuits,
    *,
    library: CurveLibrary,
    limit: float,
    highest_pu: Floats,
    progress: Callable[[int, int], None] | None = None,
) -> Floats:
    """Charging power up to which the circuit, and every one with less cable, stays at or under the voltage limit.

    Goes up rung by rung from the transformer's own capacitance and stops at the first rung over the limit: what lies
    beyond it may be calm again, but a cable is not made longer to be safe. ``circuits``: without any cable; their
    ``load`` is on. ``library``: curves. ``limit``: voltage limit [per unit]. ``highest_pu``: charging power to stop at
    [per unit], shape (n,). Returns per unit of rating, shape (n,); NaN where the transformer's own capacitance is over
    the limit already.
    """
    highest = np.minimum(highest_pu, HIGHEST[0])

    def calm(rows: Ints, charging: Floats) -> Bools:
        b, p, im, load = charging, circuits.p[rows], circuits.im[rows], circuits.load[rows]
        peak = library.peaks(circuits.family[rows], b=b, g=p + np.minimum(load, FULL_LOAD), im=im, progress=progress)
        return inside_model(b=b, p=p, im=im, load=load) & (peak <= limit)

    everyone = np.arange(len(circuits.b))
    good = calm(everyone, circuits.b)
    allowed = np.where(good, circuits.b, np.nan)
    rung, active = rung_above(circuits.b), everyone[good & (circuits.b < highest)]
    while len(active):
        count = RUNGS_READ if library.use_atlas else -(-RUNGS_AT_ONCE // len(active))
        ahead = rung_pu(rung[active, None] + np.arange(count))
        held = np.minimum(ahead, highest[active, None])
        well = calm(np.repeat(active, count), held.ravel()).reshape(held.shape)
        passed = np.logical_and.accumulate(well, axis=1).sum(axis=1)
        some = passed > 0
        allowed[active[some]] = held[some, passed[some] - 1]
        rung[active] += count
        active = active[(passed == count) & (held[:, -1] < highest[active])]
    return allowed


def length_of_charging_m(charging_pu: Floats, bare: SectionValues, *, cap_f_m: Floats, frequency_hz: float) -> Floats:
    """Cable length at which a charging power is met [m]; 0 where the own capacitance has it already, or it is NaN.

    ``bare``: sections without cable. ``cap_f_m``: capacitance of the cable of each [F/m].
    """
    limit = limit_capacitance_f(
        limit_charging_pu=charging_pu,
        rating_va=bare.rating_va,
        voltage_v=bare.voltage_v,
        frequency_hz=frequency_hz,
    )
    length = limit_length_m(limit_capacitance_f=limit, own_capacitance_f=bare.cap_f, mix_f_m=cap_f_m)
    return np.asarray(np.nan_to_num(length))


def screen_charging_pu(circuits: Circuits, *, settings: Settings) -> Floats:
    """Largest charging power that the screening limit clears [per unit of rating]."""
    from survey.physics.families import FAMILIES

    return limit_charging_pu(
        np.array(FAMILIES)[circuits.family],
        magnetizing_pu=circuits.im,
        core_loss_pu=circuits.p,
        limits=screening_limits(settings),
    )


def charging_of_length_pu(length_m: Floats, bare: SectionValues, *, cap_f_m: Floats, frequency_hz: float) -> Floats:
    """Charging power of a section with that much cable [per unit of rating]."""
    cap = bare.cap_f + length_m * cap_f_m
    return np.asarray(2 * np.pi * frequency_hz * cap * bare.voltage_v**2 / bare.rating_va)
