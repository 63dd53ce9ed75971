"""Parts of the atlas as they are computed, and the files that ship made of them.

A node that no part has is bridged: along g or im, at the same b or at one that moves along, whichever two neighbours
agree best; their mean, or the larger across a jump. It stays marked (0 draws) until it is computed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from survey.physics.atlas import LEAST, SLOPE_PENALTY, SLOPES, Atlas
from survey.physics.atlas_axes import ATLAS_VERSION, B_AXIS, CHECKS, FIGURES, G_AXIS, IM_AXIS, IM_SHIPPED
from survey.physics.curves import LIMITS_PU, FloatArray
from survey.physics.families import Circuit

Key = tuple[int, int, int, int]
"""Family, place of g, place of im, first place of b."""
Part = npt.NDArray[np.float32]
SAME_BRANCH: Final = 0.25
"""Difference of logarithms up to which two neighbours are taken for one branch."""
KEPT_BITS: Final = 12
"""Bits kept of a value: a relative error of 1e-4, and a file half the size."""
STEPS_PER_DECADE: Final = 20
"""Steps of load a decade of g that the load needed is searched on."""


def read_parts(folder: Path) -> dict[Key, Part]:
    """Finished pieces of all part files of a folder."""
    done: dict[Key, Part] = {}
    for file in sorted(folder.glob("part-*.npz")):
        with np.load(file) as data:
            if int(data["version"]) == ATLAS_VERSION:
                for key, values in zip(data["keys"], data["values"], strict=True):
                    done[int(key[0]), int(key[1]), int(key[2]), int(key[3])] = values
    return done


def save_part(file: Path, done: dict[Key, Part]) -> None:
    """Write finished pieces, whole or not at all."""
    aside = file.with_suffix(".aside")
    with aside.open("wb") as opened:
        np.savez_compressed(opened, version=ATLAS_VERSION, keys=list(done), values=list(done.values()))
    aside.replace(file)


def columns_of(circuit: Circuit, done: dict[Key, Part]) -> FloatArray:
    """All nodes of a circuit, NaN where no part has them, shape (g, im, b, figures and checks)."""
    nodes = np.full((len(G_AXIS), len(IM_AXIS), len(B_AXIS), len(FIGURES) + len(CHECKS)), np.nan)
    for (kind, g, im, start), values in done.items():
        if kind == circuit:
            nodes[g, im, start : start + len(values)] = values
    return nodes


def _moved(nodes: FloatArray, decades: float) -> FloatArray:
    """Columns as they are at a b that many decades away, held within the axis."""
    step = float(np.log10(B_AXIS[1] / B_AXIS[0]))
    at = np.clip(np.arange(len(B_AXIS)) + decades / step, 0.0, len(B_AXIS) - 1.0)
    low = np.minimum(np.floor(at + 1e-9).astype(np.int64), len(B_AXIS) - 2)
    way = np.clip(at - low, 0.0, 1.0)[:, None]
    both = nodes[..., low, :], nodes[..., low + 1, :]
    return np.where(way < 1e-6, both[0], np.where(way > 1.0 - 1e-6, both[1], (1.0 - way) * both[0] + way * both[1]))


def _bridge_once(nodes: FloatArray, axes: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Values between neighbours on both sides, along the direction in which they agree best; NaN without any."""
    best = np.full(nodes.shape[:3], np.inf)
    made = np.full_like(nodes, np.nan)
    for axis, place in enumerate(axes):
        turned, best_turned, made_turned = (np.moveaxis(one, axis, 0) for one in (nodes, best, made))
        for k in range(1, len(place) - 1):
            way = (place[k] - place[k - 1]) / (place[k + 1] - place[k - 1])
            for slope in SLOPES:
                low = _moved(turned[k - 1], slope * (place[k - 1] - place[k]))
                high = _moved(turned[k + 1], slope * (place[k + 1] - place[k]))
                apart = np.abs(low[..., 0] - high[..., 0])
                larger = np.where((low[..., 0] > high[..., 0])[..., None], low, high)
                value = np.where((apart > SAME_BRANCH)[..., None], larger, (1.0 - way) * low + way * high)
                better = apart + SLOPE_PENALTY * slope < best_turned[k]
                best_turned[k][better] = (apart + SLOPE_PENALTY * slope)[better]
                made_turned[k][better] = value[better]
    return made


def _from_one_side(nodes: FloatArray) -> FloatArray:
    """Values of the next column that is there; NaN where there is none."""
    made = np.full_like(nodes, np.nan)
    for axis in (0, 1):
        for shift in (1, -1):
            beside = np.roll(nodes, shift, axis)
            np.moveaxis(beside, axis, 0)[0 if shift == 1 else -1] = np.nan
            made = np.where(np.isnan(made[..., :1]), beside, made)
    return made


def bridged(nodes: FloatArray) -> FloatArray:
    """Fill in the nodes that are missing; the first figure is the peak's logarithm."""
    axes = np.log10(G_AXIS), np.log10(IM_AXIS[IM_SHIPPED])
    while (missing := np.isnan(nodes[..., 0])).any():
        made = _bridge_once(nodes, axes)
        if not (missing & np.isfinite(made[..., 0])).any():
            made = _from_one_side(nodes)
        fresh = missing & np.isfinite(made[..., 0])
        nodes = np.where(fresh[..., None], made, nodes)
        nodes[fresh, len(FIGURES) :] = 0.0
        nodes[fresh, FIGURES.index("edge")] = 0.0
    return nodes


def short(values: FloatArray) -> Part:
    """Values with the last bits dropped, which pack better."""
    part, power = np.frexp(values)
    return np.ldexp(np.rint(part * 2.0**KEPT_BITS) / 2.0**KEPT_BITS, power).astype(np.float32)


def make_atlas(nodes: FloatArray) -> Atlas:
    """Atlas of one circuit from its nodes, those missing bridged; shape (g, im, b, figures and checks)."""
    nodes = nodes[:, IM_SHIPPED].copy()
    logged = {FIGURES.index(name): least for name, least in LEAST.items()}
    for place, least in logged.items():
        nodes[..., place] = np.log(nodes[..., place] + least)
    nodes = bridged(nodes)
    for place, least in logged.items():
        nodes[..., place] = np.maximum(np.exp(nodes[..., place]) - least, 0.0)
    named = {name: short(nodes[..., place]) for place, name in enumerate((*FIGURES, *CHECKS))}
    axes = (B_AXIS, G_AXIS, IM_AXIS[IM_SHIPPED])
    shape = (len(LIMITS_PU), len(axes[2]), len(axes[0]))
    atlas = Atlas(
        axes,
        values={name: named[name] for name in FIGURES},
        needed=np.zeros(shape, dtype=np.float32),
        checks={name: named[name] for name in CHECKS},
    )
    atlas.needed[:] = least_loads(atlas)
    return atlas


def least_loads(atlas: Atlas) -> Part:
    """Least g from which on every step of load is under each limit, at every im and b; infinite where none is."""
    count = int(np.ceil(STEPS_PER_DECADE * np.log10(atlas.g[-1] / atlas.g[0])))
    steps = np.append(np.geomspace(atlas.g[0], atlas.g[-1], count + 1), np.inf)
    im, b, g = (grid.ravel() for grid in np.meshgrid(atlas.im, atlas.b, steps[:-1], indexing="ij"))
    _, peak = atlas.find("peak", b=b, g=g, im=im)
    peak = peak.reshape(len(atlas.im), len(atlas.b), len(steps) - 1)
    out = []
    for limit in LIMITS_PU:
        above = peak > limit
        last = np.where(above.any(axis=2), above.shape[2] - above[..., ::-1].argmax(axis=2), 0)
        out.append(np.where(last > 0, steps[last], 0.0))
    return np.array(out, dtype=np.float32)


def write_atlas(file: Path, atlas: Atlas) -> None:
    """Write the file that ships: the same bytes from the same parts."""
    axes = {"b": atlas.b, "g": atlas.g, "im": atlas.im, "version": np.array(ATLAS_VERSION)}
    arrays: dict[str, npt.NDArray[np.generic]] = {**axes, "needed": atlas.needed, **atlas.values, **atlas.checks}
    with file.open("wb") as opened:
        np.savez_compressed(opened, allow_pickle=False, **arrays)
