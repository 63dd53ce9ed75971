"""Streams that are closed, full or broken off, and requests to end that come late or while nobody listens."""

from __future__ import annotations

import io
import os
import signal
import sys
import time

import pytest
from command import LIMIT_S, assert_whole, content, one_line, start, stopped, wait_for_stop
from exports import tables, write_gpkg
from forks import Fork

from survey.streams import PlainStream, in_line

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="other streams and signals there")
STREAMS = """
import os, sys
exec(sys.argv[1])
from survey.cli import main
main(sys.argv[2:])
"""
FULL = "os.dup2(os.open('/dev/full', os.O_WRONLY), {})"
CLOSED = "os.close({0}); sys.{1} = None"
NO_ROOM = "survey: standard output cannot be written (No space left on device); files that were written stand\n"


def changed(change: str, *arguments: object) -> tuple[int | None, str, str]:
    """Exit status and words of a command whose streams are changed before it begins."""
    process = Fork(STREAMS, [change, *map(str, arguments)], dict(os.environ))
    out, err = process.communicate(timeout=LIMIT_S)
    return process.returncode, out, err


@pytest.mark.parametrize("change", [CLOSED.format(2, "stderr"), FULL.format(2)])
def test_standard_error_that_takes_nothing(network, tmp_path, change):
    out = tmp_path / "OUT"
    assert changed(change, "run", network, "-o", out, "--no-study")[0] == 0
    assert_whole(out)
    assert changed(change, "run", tmp_path / "none", "-o", out)[0] == 1
    assert changed(change, "run")[0] == 2


def test_standard_output_on_a_full_disk(network, tmp_path):
    out = tmp_path / "OUT"
    assert changed(FULL.format(1), "run", network, "-o", out, "--no-study") == (1, "", NO_ROOM)
    assert_whole(out)
    assert changed(FULL.format(1), "--help") == (1, "", NO_ROOM)


def test_standard_output_that_is_closed(network, tmp_path):
    out = tmp_path / "OUT"
    assert changed(CLOSED.format(1, "stdout"), "run", network, "-o", out, "--no-study") == (0, "", "")
    assert_whole(out)


@pytest.mark.parametrize(("strict", "status"), [(False, 0), (True, 1)])
def test_a_reader_that_has_seen_enough(tmp_path, strict, status):
    layers = tables()
    layers["transformers"].loc[0, "kva"] = -5.0
    export, out = write_gpkg(tmp_path / "net.gpkg", layers), tmp_path / "OUT"
    process = stopped("run", export, "-o", out, "--no-study", *["--strict"] * strict, stage="run.json")
    process.stdout.close()
    process.stdout = io.StringIO()
    assert process.communicate("\n", timeout=120)[1] == ""
    assert process.returncode == status
    assert_whole(out)


AT_SUMMARY = """
import sys
from survey import console
from survey.cli import main

def stop(*_):
    print("stopped", flush=True)
    sys.stdin.readline()

console.print_summary = stop
main(sys.argv[2:])
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_after_the_files_are_in_place_says_that_they_stand(network, tmp_path, number):
    out = tmp_path / "OUT"
    process = start("run", network, "-o", out, "--no-study", stage="summary", script=AT_SUMMARY)
    wait_for_stop(process)
    process.send_signal(number)
    _, said = process.communicate(timeout=120)
    assert one_line(said.lstrip("\n")) == f"survey: interrupted; the new files in {out} stand\n"
    assert process.returncode == 1
    assert_whole(out)


DEAF = """
import hashlib, sys, threading
from survey import console, streams
from survey.cli import main
streams.GRACE_S = 0.3

def compute(self, name):
    if name == "assess":
        threading.Timer(0.5, print, ["stopped"], {"flush": True}).start()
        hashlib.pbkdf2_hmac("sha256", b"", b"", 2_000_000_000)  # as deaf as a compiler, for many minutes

console.StageProgress.__call__ = compute
main(sys.argv[2:])
"""


def test_a_request_to_end_is_obeyed_in_the_middle_of_a_long_computation(network, out):
    before = content(out)
    process = start("run", network, "-o", out, "--no-study", stage="deaf", script=DEAF)
    wait_for_stop(process)
    begun = time.monotonic()
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=120)
    assert time.monotonic() - begun < 30
    assert "interrupted in the middle of a computation" in one_line(said)
    assert process.returncode == 1
    assert content(out) == before


def test_ids_with_control_characters_never_reach_the_terminal(tmp_path, capsys):
    from survey.cli import main

    layers = tables()
    odd = "T1\x1b[2J\x9b1m\u202e\nsurvey: all is well"
    layers["transformers"].loc[0, "site_id"] = odd
    layers["switches"].loc[0, ["switch_id", "device"]] = ["R\x07\x08", "cut\x1bout"]
    export, out = write_gpkg(tmp_path / "net.gpkg", layers), tmp_path / "OUT"
    for arguments in (
        ["run", export, "-o", out, "--no-study"],
        ["plan", out, "--budget", "3"],
        ["compare", out, out, "-o", tmp_path / "diff"],
        ["inspect", export],
        ["run", tmp_path / "no\x1b[31m\nthing", "-o", out],
    ):
        with pytest.raises(SystemExit) as end:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        assert end.value.code == int("thing" in str(arguments[1]))
        assert not set(said.out + said.err) & set("\x1b\x9b\x07\x08\u202e")
        assert "\nsurvey: all is well" not in said.out
    assert said.err.count("\n") == 1


def test_what_the_encoding_does_not_have():
    raw = io.BytesIO()
    stream = PlainStream(io.TextIOWrapper(raw, "ascii"))
    stream.write("nF/km² \udc80 ok\n")
    stream.flush()
    assert (raw.getvalue(), stream.failure) == (b"nF/km? ? ok\n", "")
    assert in_line("a\tb\x1b\nc") == "a b? c"
