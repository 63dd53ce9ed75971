"""All nodes of a circuit as one array: which to compute next, what is bridged, and the file that ships.

Every second node of each axis is computed first, the others where those beside them do not tell what they would say:
along b, then along im, then along g. A node that is left out lies halfway between its neighbours, or takes the larger
across a jump; it stays marked (0 draws), and a later fill may compute it.
"""

from __future__ import annotations

import numpy as np

from survey.physics import atlas as rooms
from survey.physics.atlas import LEAST, Atlas, Curves
from survey.physics.atlas_axes import (
    ATLAS_VERSION,
    B_AXIS,
    CHECKS,
    COARSE_FIGURES,
    FIGURES,
    FINE_FIGURES,
    axes_of,
    shape_of,
)
from survey.physics.curves import LIMITS_PU

NAMES = (*FIGURES, "draws", *CHECKS)
PEAK, EDGE, DRAWS = (NAMES.index(name) for name in ("peak", "edge", "draws"))
SHARES = [NAMES.index("share_1"), NAMES.index("share_1.25")]
STAGES = ((2, (2, 2, 1)), (1, (2, 1, 1)), (0, (1, 1, 1)))
"""Along which axis the odd nodes come in, and the grid that is then there."""
BEND, STEP, SHARE_STEP = 0.006, 0.08, 0.03
"""A node is computed where a cubic through the four beside it leaves the straight line by more, or its neighbours are
further apart (logarithm of the peak; share)."""
LARGEST_B = 3.0
SAME_BRANCH = 0.2
KEPT_BITS = 11
"""Bits kept of a value: a relative error of 2e-4, and a file half the size."""
STEPS_PER_DECADE = 20
"""Steps of load a decade of g that the load needed is searched on."""
SIDES = tuple(np.roll((-1, 1, 1), axis) for axis in range(3))
"""Shapes that lay the three axes of nodes beside one another."""
COARSE = (slice(None, None, rooms.COARSE),) * 3


def empty(circuit):
    """No node computed."""
    return np.full((*shape_of(circuit), len(NAMES)), np.nan, np.float32)


def computed(cube):
    """Which nodes are computed."""
    return cube[..., DRAWS] > 0


def coarse_nodes(cube):
    """Places of every second node of each axis that has not all figures, shape (n, 3)."""
    return np.argwhere(np.isnan(cube[COARSE]).any(axis=-1)) * rooms.COARSE


def rough_nodes(cube, stage):
    """Places of the nodes of a stage that their neighbours do not tell, shape (n, 3)."""
    axis, steps = STAGES[stage]
    grid = _bridged(cube, stage)[tuple(slice(None, None, step) for step in steps)]
    peak, last = np.log(grid[..., PEAK] + LEAST["peak"]), grid.shape[axis] - 1
    odd = np.arange(1, last, 2)
    far, low, high, further = (np.take(peak, np.clip(odd + d, 0, last), axis=axis) for d in (-3, -1, 1, 3))
    rough = (np.abs(low + high - far - further) / 16 > BEND) | (np.abs(high - low) > STEP)
    for share in SHARES:
        rough |= (
            np.abs(np.diff(np.take(grid[..., share], np.arange(0, last + 1, 2), axis=axis), axis=axis)) > SHARE_STEP
        )
    rough &= ~(np.take(grid[..., DRAWS], odd, axis=axis) > 0)
    places = np.argwhere(rough)
    places[:, axis] = odd[places[:, axis]]
    places *= np.array(steps)
    return places[B_AXIS[places[:, 2]] <= LARGEST_B]


def ringing(cube, least):
    """Nodes, those missing bridged, with a peak from ``least`` on."""
    return _bridged(cube, len(STAGES))[..., PEAK] >= least


def disagreement(cube):
    """How far a node is at least from the middle of its two neighbours along an axis, or the node before or after it.

    Logarithm of the peak, shape (g, im, b), those missing bridged.
    """
    logs = np.log(_bridged(cube, len(STAGES))[..., PEAK] + LEAST["peak"])
    least = np.full(logs.shape, np.inf)
    for axis in range(3):
        turned, of_axis = np.moveaxis(logs, axis, 0), np.moveaxis(least, axis, 0)
        bend = np.abs(turned[1:-1] - 0.5 * (turned[:-2] + turned[2:]))
        of_axis[1:-1] = np.fmin(of_axis[1:-1], bend)
    return np.max([least, np.roll(least, 1, 2), np.roll(least, -1, 2)], axis=0)


def _bridge(cube, axis):
    """Fill in, in place, odd nodes along an axis that are missing."""
    turned = np.moveaxis(cube, axis, 0)
    low, high, middle = turned[:-1:2], turned[2::2], turned[1::2]
    logs = [np.log(side[..., PEAK] + LEAST["peak"]) for side in (low, high)]
    jumps = np.abs(logs[1] - logs[0]) > SAME_BRANCH
    value = np.where(jumps[..., None], np.where((logs[0] > logs[1])[..., None], low, high), 0.5 * (low + high))
    value[..., PEAK] = np.exp(np.where(jumps, np.maximum(*logs), 0.5 * (logs[0] + logs[1]))) - LEAST["peak"]
    value[..., [EDGE, DRAWS]] = 0.0
    missing = np.isnan(middle[..., PEAK])
    middle[missing] = value[missing]


def _bridged(cube, stages):
    """A copy with the missing nodes of the first stages filled in."""
    cube = cube.copy()
    for axis, steps in STAGES[:stages]:
        _bridge(cube[tuple(slice(None, None, step) for step in steps)], axis)
    return cube


def short(values):
    """Values with the last bits dropped, which pack better."""
    part, power = np.frexp(values)
    return np.ldexp(np.rint(part * 2.0**KEPT_BITS) / 2.0**KEPT_BITS, power).astype(np.float32)


def make_atlas(cube, circuit):
    """Atlas of one circuit from its nodes, those missing bridged."""
    whole = short(_bridged(short(cube), len(STAGES)))
    named = {name: np.ascontiguousarray(whole[..., place]) for place, name in enumerate(NAMES)}
    coarse = {name: np.ascontiguousarray(named[name][COARSE]) for name in (*COARSE_FIGURES, *CHECKS)}
    fine = Curves(axes_of(circuit), {name: named[name] for name in FINE_FIGURES})
    rest = Curves(axes_of(circuit, rooms.COARSE), {name: coarse[name] for name in COARSE_FIGURES})
    return Atlas(fine, rest, least_loads(fine), named["draws"], {name: coarse[name] for name in CHECKS})


def nodes_of(atlas, circuit):
    """The computed nodes of an atlas; of those that are fine only, the coarse figures are lost."""
    cube = empty(circuit)
    for name, values in {**atlas.fine.values, "draws": atlas.draws}.items():
        cube[..., NAMES.index(name)] = values
    for name, values in {**atlas.coarse.values, **atlas.checks}.items():
        cube[COARSE][..., NAMES.index(name)] = values
    cube[atlas.draws == 0] = np.nan
    return cube


def least_loads(fine):
    """Least g from which on every step of load is under each limit, at every im and b; infinite where none is."""
    count = int(np.ceil(STEPS_PER_DECADE * np.log10(fine.g[-1] / fine.g[0])))
    steps = np.append(np.geomspace(fine.g[0], fine.g[-1], count + 1), np.inf)
    im, b, g = (grid.ravel() for grid in np.meshgrid(fine.im, fine.b, steps[:-1], indexing="ij"))
    peak = fine.find("peak", b=b, g=g, im=im)[1].reshape(len(fine.im), len(fine.b), len(steps) - 1)
    out = []
    for limit in LIMITS_PU:
        above = peak > limit
        last = np.where(above.any(axis=2), above.shape[2] - above[..., ::-1].argmax(axis=2), 0)
        out.append(np.where(last > 0, steps[last], 0.0))
    return np.array(out, dtype=np.float32)


def write_atlas(file, atlas):
    """Write the file that ships: the same bytes from the same nodes."""
    extra = {"version": np.array(ATLAS_VERSION), "needed": atlas.needed, "draws": atlas.draws}
    with file.open("wb") as opened:
        np.savez_compressed(
            opened, allow_pickle=False, **extra, **atlas.fine.values, **atlas.coarse.values, **atlas.checks
        )


def read_parts(folder, circuit):
    """Nodes of a circuit in the part files of a folder."""
    cube = empty(circuit)
    for file in sorted(folder.glob(f"{circuit.name.lower()}-*.npz")):
        with np.load(file) as part:
            if int(part["version"]) == ATLAS_VERSION:
                cube[tuple(part["places"].T.astype(int))] = part["values"]
    return cube


def write_part(file, cube, places):
    """Write some nodes of a circuit, whole or not at all."""
    aside = file.with_suffix(".aside")
    with aside.open("wb") as opened:
        np.savez_compressed(opened, version=ATLAS_VERSION, places=places.astype(np.int16), values=cube[tuple(places.T)])
    aside.replace(file)
