"""Memory that runs out for real, by the operating system's limit on a process: one line, nothing half-written."""

from __future__ import annotations

import errno
import gc
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pyarrow as pa
import pytest
from command import LIMIT_S, run
from forks import Fork

from survey.cli import OUT_OF_MEMORY
from survey.errors import FormatError
from survey.memory import ran_out, thread_pool

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="RLIMIT_DATA counts mappings on Linux only"
)
SMALL, LARGE = 1000, 60_000
TESTS = Path(__file__).parents[1]
LIMITED = """
import resource, sys
sys.path[:0] = sys.argv[6:]
from pathlib import Path
from survey import console
from survey.cli import main
small, large, out, stage, room = *map(Path, sys.argv[1:4]), sys.argv[4], int(sys.argv[5])

def call(*arguments):
    try:
        main([*map(str, arguments), "--no-study"])
    except SystemExit as end:
        return end.code or 0

assert call("run", small, "-o", out) == 0
called, part = console.StageProgress.__call__, console.StageProgress.part

def limit(name):
    if name == stage:
        lines = Path("/proc/self/status").read_text().splitlines()
        held = next(int(line.split()[1]) for line in lines if line.startswith("VmData")) << 10
        resource.setrlimit(resource.RLIMIT_DATA, (held + room, -1))

console.StageProgress.__call__ = lambda self, name: (limit(name), called(self, name))[1]
console.StageProgress.part = lambda self, name: (limit(name), part(self, name))[1]
sys.exit(call("run", large, "-o", out))
"""


@pytest.fixture(scope="module")
def networks(tmp_path_factory):
    sys.path.insert(0, str(TESTS / "benchmarks"))
    from make_network import make_network, write_network

    folder = tmp_path_factory.mktemp("networks")
    return [write_network(make_network(n), folder / str(n)) for n in (SMALL, LARGE)]


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("stage", ["read", "network", "assess", "sites.csv", "survey.gpkg", "map.html"])
def test_memory_runs_out(networks, tmp_path, stage):
    out = tmp_path / "out"
    process = Fork(LIMITED, [*map(str, networks), str(out), stage, str(1 << 20), str(TESTS)], dict(os.environ))
    _, said = process.communicate(timeout=LIMIT_S)
    assert said == f"survey: {OUT_OF_MEMORY}\n"
    assert process.returncode == 1
    assert [file.name for file in tmp_path.iterdir()] == ["out"]
    assert len((out / "sites.csv").read_text().splitlines()) == 1 + SMALL // 10


@pytest.mark.by_turns(2)
@pytest.mark.parametrize("stage", ["read", "network.parquet"])
def test_no_memory_at_all(networks, tmp_path, stage):
    """A library may end the process then; it does end, the survey is as it was, and the next run clears the rest."""
    out = tmp_path / "out"
    process = Fork(LIMITED, [*map(str, networks), str(out), stage, "0", str(TESTS)], dict(os.environ))
    _, said = process.communicate(timeout=LIMIT_S)
    assert process.returncode in {1, 127, -signal.SIGABRT}
    assert process.returncode != 1 or said == f"survey: {OUT_OF_MEMORY}\n"
    assert len((out / "sites.csv").read_text().splitlines()) == 1 + SMALL // 10
    assert run("run", networks[0], "-o", out, "--no-study").returncode == 0
    assert [file.name for file in tmp_path.iterdir()] == ["out"]


def test_threads_that_have_begun_do_not_wait_for_one_that_could_not(monkeypatch):
    begun, really = [], threading.Thread.start

    def start(thread):
        if begun:
            msg = "can't start new thread"
            raise RuntimeError(msg)
        begun.append(thread)
        really(thread)

    monkeypatch.setattr(threading.Thread, "start", start)
    with pytest.raises(RuntimeError, match="new thread"):
        thread_pool(2)
    gc.collect()
    begun[0].join(timeout=10)
    assert not begun[0].is_alive()


def refused(cause: Exception) -> FormatError:
    error = FormatError("cables.parquet: cannot be read")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "memory"),
    [
        (MemoryError(), True),
        (pa.ArrowMemoryError("malloc of size 99 failed"), True),
        (refused(pa.ArrowMemoryError("realloc of size 99 failed")), True),
        (refused(RuntimeError("ograrrowarrayhelper.cpp, 320: cannot allocate 100000100 bytes")), True),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), True),
        (RuntimeError("can't start new thread"), True),
        (pa.ArrowException("Unknown error: Wrapping C0049235 failed"), True),
        (OSError(errno.ENOSPC, "No space left on device"), False),
        (refused(ValueError("not a whole file")), False),
        (KeyError("out of memory"), False),
    ],
)
def test_what_tells_that_memory_ran_out(error, memory):
    assert ran_out(error) is memory


GIVEN_BACK = """
import pyarrow
from survey.memory import WORTH_GIVING_BACK, begin, give_back, resident

def unused_of(size):
    return [bytes(3000) for _ in range(size // 3000)][::20]

give_back(worth=WORTH_GIVING_BACK)
before = unused_of(200 << 20)
begin()
was = resident()
give_back(worth=WORTH_GIVING_BACK)
print(was - resident())
taken = unused_of(500 << 20)
was = resident()
give_back(worth=WORTH_GIVING_BACK)
print(was - resident())
"""


@pytest.mark.parametrize("pool", ["system", "mimalloc"])
def test_what_a_survey_has_taken_is_given_back_what_was_there_before_it_is_left(pool):
    pools = dict(os.environ, ARROW_DEFAULT_MEMORY_POOL=pool)
    ran = subprocess.run([sys.executable, "-c", GIVEN_BACK], env=pools, capture_output=True, text=True, check=True)
    of_others, its_own = map(int, ran.stdout.split())
    # of 200 MiB of others and 500 of its own nineteen in twenty parts are free: near nothing goes, or most
    assert of_others < 20 << 20
    assert its_own > 200 << 20
