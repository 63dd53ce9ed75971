"""Commands under a real pseudo-terminal, as a person types them, with a screen that shows what is seen."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import select
import socket
import struct
import termios
import time
from dataclasses import dataclass, field

import pyte
from forks import _mother

LIMIT_S = 120
ROWS = 250
AT_TERMINAL = """
import fcntl, os, sys, termios
os.setsid()
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
"""
COMMAND = AT_TERMINAL + "from survey.cli import main\nmain(sys.argv[1:])"
STOPPED = (
    AT_TERMINAL
    + """
from survey import console
from survey.cli import main
stage = sys.argv[1]

def stopping(told):
    def tell(self, name, *more):
        told(self, name, *more)
        if stage == ("study" if more else name):
            sys.stdin.readline()
    return tell

for name in ("__call__", "part", "count"):
    setattr(console.StageProgress, name, stopping(getattr(console.StageProgress, name)))
main(sys.argv[2:])
"""
)


@dataclass
class Terminal:
    """A command at a terminal.

    Parameters
    ----------
    arguments
        What is typed.
    columns
        Width.
    streams
        Which of stdout and stderr are the terminal; the others are pipes.
    code
        What runs.
    environment
        What is set besides; an empty value unsets.
    """

    arguments: list[object]
    columns: int = 100
    streams: tuple[str, ...] = ("stdout", "stderr")
    code: str = COMMAND
    environment: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.screen = pyte.Screen(self.columns, ROWS)
        self._feed = pyte.ByteStream(self.screen)
        self._rows = [""] * ROWS
        self.raw, self.seen, self.piped = b"", [], {}
        self.status: int | None = None
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, self.columns, 0, 0))
        pipes = {name: os.pipe() for name in ("stdout", "stderr", "told")}
        theirs = [slave, *(slave if n in self.streams else pipes[n][1] for n in ("stdout", "stderr")), pipes["told"][1]]
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "", "NO_COLOR": "", **self.environment}
        environment = {name: value for name, value in environment.items() if value}
        todo = {"code": self.code, "arguments": list(map(str, self.arguments)), "environment": environment}
        socket.send_fds(_mother(), [json.dumps(todo).encode()], theirs)
        for _, writing in pipes.values():
            os.close(writing)
        os.close(slave)
        self._pipes = {name: os.fdopen(reading) for name, (reading, _) in pipes.items()}

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self._master, keys)

    def until(self, words: str) -> None:
        """Look at the screen until it shows words."""
        end = time.monotonic() + LIMIT_S
        while words not in self.text:
            assert time.monotonic() < end, self.text
            assert self._look(), self.text

    @property
    def text(self) -> str:
        """What stands on the screen; rows that nothing was written to since are as they were."""
        for row in self.screen.dirty:
            cells = self.screen.buffer[row]
            self._rows[row] = "".join(cells[column].data for column in range(self.columns)).rstrip()
        self.screen.dirty.clear()
        return "\n".join(self._rows).rstrip()

    def _look(self) -> bool:
        """Take what has come; False at the end."""
        ready, _, _ = select.select([self._master], [], [], LIMIT_S)
        assert ready, self.text
        try:
            data = os.read(self._master, 1 << 16)
        except OSError:  # nobody holds the other side any more
            return False
        self.raw += data
        for part in data.split(b"\r"):
            self._feed.feed(part + b"\r")
            self.seen.append(self.text)
        return bool(data)

    def end(self) -> Terminal:
        """Look until the command has ended."""
        while self._look():
            pass
        self.piped = {name: stream.read() for name, stream in self._pipes.items()}
        self.status = int(self.piped.pop("told").splitlines()[-1])
        for stream in self._pipes.values():
            stream.close()
        with contextlib.suppress(OSError):
            os.close(self._master)
        return self

    @property
    def lines(self) -> list[str]:
        """Lines that were printed after the progress line was taken away."""
        after = self.raw.rpartition(b"\x1b[2K")[2].rpartition(b"\x1b[?25h")[2]
        return after.decode().replace("\r", "").split("\n")
