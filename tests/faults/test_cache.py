"""The cache of curves when its writer is killed, or its bytes change: what is whole is used, and results are right."""

from __future__ import annotations

import os
import random
import signal
import sys
import time

import numpy as np
import pytest
from command import start, wait_for_stop

from survey.physics.cache import LEFT_AFTER_S, Points, PointStore
from survey.physics.study import CurveLibrary

ROUNDS = int(os.environ.get("SURVEY_FUZZ_ROUNDS", "300"))
SECTIONS = {"b": [1e-4], "p": [0.002], "im": [0.01], "load": [0.0]}
STOPPED_IN_A_FILE = """
import os, sys
from pathlib import Path
import numpy as np
from survey.physics import curves
from survey.physics.study import CurveLibrary
curves.SECONDS_BETWEEN_SAVES = 0.0
really, saves = np.savez_compressed, []

def half(file, **points):
    really(file, **points)
    saves.append(file.name)
    if len(saves) == 2:
        file.flush()
        os.truncate(file.name, os.path.getsize(file.name) // 2)
        print("stopped", flush=True)
        sys.stdin.readline()

np.savez_compressed = half
CurveLibrary(cache_dir=Path(sys.argv[2]), use_atlas=False).look_up([0], **SECTIONS)
""".replace("SECTIONS", repr(SECTIONS))


def look_up(cache):
    """Peaks, and the number of points that had to be computed, in all batches."""
    totals = [0]
    found = CurveLibrary(cache_dir=cache, use_atlas=False).look_up(
        [0], **SECTIONS, progress=lambda done, total: totals.append(total if done == total else 0)
    )
    return found.peak_pu.tolist(), sum(totals)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_killed_while_it_writes_its_curves(tmp_path):
    right, every = look_up(None)
    process = start(tmp_path, stage="any", script=STOPPED_IN_A_FILE)
    wait_for_stop(process)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    (left,) = tmp_path.rglob("*.part")
    assert len(list(tmp_path.rglob("*.npz"))) == 1
    again, rest = look_up(tmp_path)
    assert again == right
    assert 0 < rest < every
    assert left.exists()  # it may be another process's that is still at it
    os.utime(left, (time.time() - 2 * LEFT_AFTER_S,) * 2)
    assert look_up(tmp_path) == (right, 0)
    assert not list(tmp_path.rglob("*.part"))


def test_damaged_bytes_in_the_cache_are_no_points(tmp_path):
    store, number = PointStore(tmp_path, sequences=3, limits=2), np.random.default_rng(0)
    tables = (number.random((40, width)).astype(np.float32) for width in (3, 3, 2))
    points = Points(np.arange(40), *tables)
    assert store.save(points)
    (file,) = tmp_path.iterdir()
    whole, outcomes = file.read_bytes(), set()
    for round_ in range(ROUNDS):
        chance = random.Random(round_)
        data = bytearray(whole)
        for _ in range(chance.choice([1, 1, 3, 20])):
            data[chance.randrange(len(data))] = chance.randrange(256)
        file.write_bytes(data[: chance.randrange(len(data))] if chance.random() < 0.2 else data)
        found = store.load()
        if len(found.keys):
            assert all(np.array_equal(a, b) for a, b in zip(vars(found).values(), vars(points).values(), strict=True))
        outcomes.add((len(found.keys), file.exists()))
    assert outcomes == {(0, False), (40, True)}
    kind_at = whole.index(b"PK\x01\x02") + 10
    file.write_bytes(whole[:kind_at] + b"\x63" + whole[kind_at + 1 :])  # a compression that nobody knows
    assert len(store.load().keys) == 0
