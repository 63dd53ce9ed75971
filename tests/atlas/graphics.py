"""The study's compiled loops on a graphics processor: the same source, one thread a sequence, one block a point.

Functions of ``survey.physics`` are compiled anew for the other processor: room that they allocate becomes room of the
thread, and all pieces of a point are built before its sequences begin, since threads must not wait for each other.
"""

from __future__ import annotations

import ast
import math
import types
from pathlib import Path

import numpy as np

np.vstack = np.vstack = getattr(np, "row_stack", np.vstack)  # numba-cuda 0.30 asks for both
from numba import cuda, float64, int64  # noqa: E402

from survey.physics import kernel, propagators  # noqa: E402
from survey.physics.curves import LIMITS_PU, NODE_CYCLES  # noqa: E402
from survey.physics.families import Circuit  # noqa: E402
from survey.physics.sequences import switching_plan  # noqa: E402

MODULES = ("circuits", "propagators", "knees", "kernel")
OWN = ("make_tables", "make_work", "solve_points", "settle_segments")
"""Functions that are others here."""
SLOTS = 660
"""Points under way at once; the propagators of one take 68 MB."""
SETTLE = """
@njit()
def settle_segments(tables, circuit, parameters, closed, y, segment):
    return shift_segments(tables.probes, tables.coarsest, closed, y, segment, parameters[KNEE], parameters[CLAMP])
"""
SOLVE = """
def solve(circuit, points, blocks, states, draws, ticks, cycles, limits, used, cores, steps, slopes, lost, feeds,
          coarsest, probes, bends, counter, out):
    taken = cuda.shared.array(1, int64)
    slot, thread = cuda.blockIdx.x, cuda.threadIdx.x
    tables = Tables(steps[slot], slopes[slot], lost[slot], feeds[slot], coarsest[slot], probes[slot], bends)
    work = Work(
        cuda.local.array(SIZE, float64), cuda.local.array(3, float64), cuda.local.array((2, 3), float64),
        cuda.local.array(5, float64), cuda.local.array(2, float64), cuda.local.array((HISTORY, 5), float64),
        cuda.local.array(MEASURED, float64), cuda.local.array((MEASURED, 2), float64),
    )
    clock, segment = cuda.local.array(3, int64), cuda.local.array(CURVES, int64)
    while True:
        cuda.syncthreads()
        if thread == 0:
            taken[0] = cuda.atomic.add(counter, 0, 1)
        cuda.syncthreads()
        n = taken[0]
        if n >= points.shape[0]:
            break
        parameters = points[n]
        arresters = 9 if parameters[CLAMP] < LARGEST_CLAMP else 1
        for item in range(thread, used.shape[0] * cores * arresters, cuda.blockDim.x):
            rest = item // used.shape[0]
            region = rest % cores
            for k in range(CURVES):
                if k == FLUX_CURVES:
                    region = rest // cores
                segment[k] = region % 3 if region % 3 < 2 else -1
                region = region // 3
            build_segments(tables, circuit, parameters, used[item % used.shape[0]], segment)
        cuda.syncthreads()
        damping = parameters[G] + parameters[ONE_PHASE]
        ring = int(3.0 * parameters[B] / (np.pi * damping)) if damping > 0.0 else cycles[1]
        clock[0], clock[1] = ticks, min(cycles[0] + ring, max(cycles[0], cycles[1]))
        clock[2] = max(cycles[3], LONGEST_PERIOD)
        if thread < states.shape[0]:
            run_sequence(
                tables, work, circuit, parameters, states[thread], draws[blocks[n], thread], clock, cycles[2], limits,
                out[n, thread],
            )
"""


class _Turned(ast.NodeTransformer):
    """A function without annotations and with room of the thread in place of allocated room."""

    def visit_AnnAssign(self, node):
        return ast.Assign(targets=[node.target], value=self.visit(node.value))

    def visit_FunctionDef(self, node):
        node.returns = None
        for argument in node.args.args:
            argument.annotation = None
        return self.generic_visit(node)

    def visit_Call(self, node):
        self.generic_visit(node)
        if isinstance(node.func, ast.Attribute) and node.func.attr in ("empty", "zeros"):
            kind = "int64" if node.keywords else "float64"
            room = ast.parse(f"cuda.local.array({ast.unparse(node.args[0])}, {kind})", mode="eval").body
            return room if node.func.attr == "empty" else ast.Call(ast.Name("zeroed", ast.Load()), [room], [])
        return node


def source():
    """Constants and functions of the study's modules, and the loop over points."""
    parts = []
    for name in MODULES:
        body = ast.parse(Path(propagators.__file__).with_name(f"{name}.py").read_text()).body
        kept = [part for part in body if isinstance(part, (ast.FunctionDef, ast.AnnAssign))]
        parts += [SETTLE] if name == "kernel" else []
        parts += [
            ast.unparse(ast.fix_missing_locations(_Turned().visit(part)))
            for part in kept
            if getattr(part, "name", "") not in OWN
        ]
    return "\n".join((*parts, SOLVE))


def compiled():
    """The kernel."""
    numbers = types.ModuleType("numbers_of_the_thread")
    for name in ("sqrt", "exp", "cos", "sin", "hypot", "ceil", "inf", "pi"):
        setattr(numbers, name, getattr(math, name))

    @cuda.jit(device=True)
    def zeroed(room):
        room[:] = 0
        return room

    rooms = {"cuda": cuda, "float64": float64, "int64": int64, "np": numbers, "zeroed": zeroed, "Circuit": Circuit}
    rooms |= {"njit": lambda **_: cuda.jit(device=True), "Tables": propagators.Tables, "Work": kernel.Work}
    rooms["MEASURED"] = NODE_CYCLES[3]
    exec(compile(source(), "graphics", "exec"), rooms)
    return cuda.jit(rooms["solve"])


class Solver:
    """Room on the processor, and the kernel."""

    def __init__(self):
        self.solve = compiled()
        p = propagators
        shapes = (
            (8 * p.REGIONS * p.DIGITS, 8, 8), (8 * p.REGIONS, 5, 8), (p.REGIONS, 3, 4), (8 * p.REGIONS, 2, 7),
            (8, p.REGIONS), (p.REGIONS, 4, 4),
        )  # fmt: skip
        self.tables = [cuda.device_array((SLOTS, *shape), np.int64 if len(shape) == 2 else float) for shape in shapes]
        ticks = 2.0 * np.pi / p.TICKS_PER_CYCLE * 2.0 ** np.arange(p.LEVELS)
        self.bends = cuda.to_device(p.CURVATURE * ticks**2)

    def engine(self, circuit, rows, blocks, *, density):
        """As ``curves.simulate`` at a node, each row with its own block of draws."""
        plans = [switching_plan(circuit, density=density, block=block) for block in range(int(blocks.max()) + 1)]
        states, draws = plans[0][0], np.stack([plan[1] for plan in plans])
        out = cuda.device_array((len(rows), len(states), 2, 3 + len(LIMITS_PU)), float)
        whole = (rows, blocks, states, draws, np.array(NODE_CYCLES), np.array(LIMITS_PU), np.unique(states[:, 1:]))
        rows, blocks, states, draws, cycles, limits, used = (cuda.to_device(np.ascontiguousarray(v)) for v in whole)
        cores, threads = 81 if circuit is Circuit.FIVE_LEGGED else 27, -(-len(plans[0][0]) // 32) * 32
        self.solve[min(SLOTS, len(rows)), threads](
            int(circuit), rows, blocks, states, draws, propagators.TICKS_PER_CYCLE, cycles, limits, used, cores,
            *self.tables, self.bends, cuda.to_device(np.zeros(1, np.int64)), out,
        )  # fmt: skip
        return out.copy_to_host()
