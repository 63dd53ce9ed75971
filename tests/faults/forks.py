"""Commands in processes of their own that need not import everything anew: forks of one process that has.

A fork is a process as real as any other: it can be killed, stopped, limited, and holds its own locks. One helper forks
a nanny for every command; the nanny forks the command, tells its number, waits for it and tells how it ended.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import sys
from functools import cache
from typing import IO

MOTHER = """
import atexit, gc, importlib, json, os, pkgutil, signal, socket, sys, tempfile, traceback
import matplotlib.backends.backend_agg, matplotlib.backends.backend_svg, numpy, scipy.optimize, survey
for module in pkgutil.walk_packages(survey.__path__, "survey."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
survey.network.nearness.make_strips(numpy.zeros((2, 2)), tolerance_m=1.0)  # the compiler's tables, once for all
gc.freeze()
asked = socket.socket(fileno=int(sys.argv[1]))
signal.signal(signal.SIGCHLD, signal.SIG_IGN)
tempfile.tempdir = None
while True:
    said, handles, _, _ = socket.recv_fds(asked, 1 << 20, 4)
    if not said:
        sys.exit()
    if os.fork():
        for handle in handles:
            os.close(handle)
        continue
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    asked.close()
    told = handles.pop()
    child = os.fork()
    if child:
        for handle in handles:
            os.close(handle)
        os.write(told, f"{child}\\n".encode())
        os.write(told, f"{os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])}\\n".encode())
        os._exit(0)
    os.close(told)
    for number, handle in enumerate(handles):
        os.dup2(handle, number)
        os.close(handle)
    todo = json.loads(said)
    os.environ.clear()
    os.environ.update(todo["environment"])
    sys.argv = ["-c", *todo["arguments"]]
    code = 0
    try:
        exec(todo["code"], {"__name__": "__main__"})
    except SystemExit as end:
        code = end.code or 0
    except BaseException:
        traceback.print_exc()
        code = 1
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)  # what Python does besides, taking apart all that was imported, takes longer than the command
"""
COMMAND = "import sys\nfrom survey.cli import main\nmain(sys.argv[1:])"


class Fork:
    """A command that was begun; the part of ``subprocess.Popen`` that the tests use."""

    def __init__(self, code: str, arguments: list[str], environment: dict[str, str]) -> None:
        pipes = [os.pipe() for _ in range(4)]  # stdin, stdout, stderr, how it ended
        theirs = [pipes[0][0], *(write for _, write in pipes[1:])]
        todo = {"code": code, "arguments": arguments, "environment": environment}
        socket.send_fds(_mother(), [json.dumps(todo).encode()], theirs)
        for handle in theirs:
            os.close(handle)
        self.stdin: IO[str] = os.fdopen(pipes[0][1], "w")
        self.stdout, self.stderr, self._told = (os.fdopen(read) for read, _ in pipes[1:])
        self.pid = int(self._told.readline())
        self.returncode: int | None = None

    def send_signal(self, number: int) -> None:
        """Send a signal to the command."""
        os.kill(self.pid, number)

    def kill(self) -> None:
        """End the command at once."""
        self.send_signal(signal.SIGKILL)

    def communicate(self, said: str = "", timeout: float | None = None) -> tuple[str, str]:
        """Say the last words to it and wait for its end."""
        with _alarm(timeout):
            try:
                self.stdin.write(said)
                self.stdin.close()
            except BrokenPipeError:
                pass
            out, err = self.stdout.read(), self.stderr.read()
            self.returncode = int(self._told.readline())
        for stream in (self.stdout, self.stderr, self._told):
            stream.close()
        return out, err


class _alarm:  # noqa: N801
    """Ends a wait that lasts too long."""

    def __init__(self, seconds: float | None) -> None:
        self.seconds = seconds or 0.0

    def __enter__(self) -> None:
        signal.signal(signal.SIGALRM, self._late)
        signal.setitimer(signal.ITIMER_REAL, self.seconds)

    def __exit__(self, *_: object) -> None:
        signal.setitimer(signal.ITIMER_REAL, 0)

    @staticmethod
    def _late(*_: object) -> None:
        msg = "the command did not end"
        raise TimeoutError(msg)


@cache
def _mother() -> socket.socket:
    """The way to the process that forks; it ends when this one does."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    theirs.set_inheritable(True)
    os.posix_spawn(sys.executable, [sys.executable, "-c", MOTHER, str(theirs.fileno())], os.environ)
    theirs.close()
    return ours
