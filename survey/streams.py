"""Standard streams and requests to end, as they come: closed, full, broken off, or with odd characters for them."""

import contextlib
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import zip_longest
from pathlib import Path
from typing import Any, TextIO

from survey.errors import OutputError
from survey.wrapped import fitted

GRACE_S = 5.0
"""What a run has to put everything away in after it was asked to end."""
LATE = (
    "survey: interrupted in the middle of a computation; what is left beside the output folder goes with the next run\n"
)
# C0 but tab and line feed, C1, and what turns the direction of writing (Unicode, Bidirectional Algorithm)
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
BOLD = re.compile(r"\x1b\[[01]m")
"""What the survey itself marks a line with, and the end of it (ECMA-48, SGR)."""


def in_line(text: object) -> str:
    """An id or a name on one line of its own, whatever is in it."""
    return plain(" ".join(str(text).split()))


def plain(text: str) -> str:
    """Text without what a terminal would obey."""
    return CONTROLS.sub("?", text)


class PlainStream:
    """Standard output that passes on nothing a terminal would obey, but for bold, and never fails.

    When nobody reads on (a pipe to ``head``), the rest is thrown away. When it cannot be written, too, and ``failure``
    says why. ``stream`` where text goes.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.failure = ""

    def write(self, text: str) -> int:
        """Write text; what the encoding does not have becomes ``?``, and lines fit a narrow terminal."""
        code = self._stream.encoding or "utf-8"
        parts = [plain(part).encode(code, "replace").decode(code) for part in BOLD.split(text)]
        if self.isatty():
            parts = ["\n".join(map(fitted, part.split("\n"))) for part in parts]
        marks = BOLD.findall(text) if self._shows_bold() else [""] * (len(parts) - 1)
        shown = "".join(part + mark for part, mark in zip_longest(parts, marks, fillvalue=""))
        self._try(lambda: self._stream.write(shown))
        return len(text)

    def flush(self) -> None:
        """Hand on what is kept back."""
        self._try(self._stream.flush)

    def isatty(self) -> bool:
        """Whether a person reads it."""
        return self._stream.isatty()

    def _shows_bold(self) -> bool:
        return self.isatty() and os.environ.get("TERM") != "dumb" and not os.environ.get("NO_COLOR")

    def _try(self, act: Any) -> None:  # noqa: ANN401 - returns what does not matter
        try:
            act()
        except OSError as error:
            if not isinstance(error, BrokenPipeError):
                self.failure = error.strerror or str(error)
            lead_nowhere(self._stream)


def lead_nowhere(stream: TextIO) -> None:
    """Throw away what a stream keeps back and gets from now on: the interpreter would fail on it at its end."""
    with contextlib.suppress(OSError, ValueError), Path(os.devnull).open("wb") as nothing:
        os.dup2(nothing.fileno(), stream.fileno())
        stream.flush()


def open_closed_streams() -> None:
    """Give streams that are closed a place that leads nowhere.

    Else the next file that is opened would get the number of one, and what libraries say of errors would go into it.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 - until the end


def tell(message: str) -> None:
    """One line on standard error, if there is anybody to read it."""
    try:
        sys.stderr.write(in_line(message).encode(sys.stderr.encoding or "utf-8", "replace").decode() + "\n")
        sys.stderr.flush()
    except OSError:
        lead_nowhere(sys.stderr)


@contextmanager
def written(out: Path | None) -> Iterator[None]:
    """What is done after files were put in place: Ctrl-C says that they stand.

    Raises
    ------
    OutputError
        Interrupted.
    """
    try:
        yield
    except KeyboardInterrupt as interrupt:
        if out is None:
            raise
        msg = f"interrupted; the new files in {out} stand"
        raise OutputError(msg) from interrupt


@contextmanager
def told_to_end() -> Iterator[None]:
    """Take a request to end (by another program, or with the terminal) like Ctrl-C, so that all is put away first.

    Python hears of a request when the code below it comes back, which a compiler or a reader may not do for long:
    the process is ended then all the same, a few seconds later.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        if before[number] is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    try:
        with _ended_in_time():
            yield
    finally:
        for number in numbers:
            signal.signal(number, before[number])


@contextmanager
def undisturbed() -> Iterator[None]:
    """Let requests to end wait: milliseconds, while files are moved or a progress line is drawn, or for a layer."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked: list[int] = []
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, lambda number, _: asked.append(number)) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        for number in asked:
            signal.raise_signal(number)


@contextmanager
def _ended_in_time() -> Iterator[None]:
    """Watch from a thread of its own, which the operating system tells of requests through a pipe."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    over = threading.Event()
    watch = threading.Thread(target=_watch, args=(reading, over), daemon=True)
    watch.start()
    before = signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    try:
        yield
    finally:
        signal.set_wakeup_fd(before)
        over.set()
        os.close(writing)
        watch.join()
        os.close(reading)


def _watch(reading: int, over: threading.Event) -> None:
    requests = {signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)}
    while told := os.read(reading, 1):
        if told[0] in requests and signal.getsignal(told[0]) is signal.default_int_handler and not over.wait(GRACE_S):
            with contextlib.suppress(OSError):
                os.write(2, LATE.encode())
            os._exit(1)
