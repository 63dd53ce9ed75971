"""Loops over arrays: run as they stand while the arrays are small, compiled at first use when they are not.

One transformer, a table of allowed lengths or a small export are done before a compiler has started. ``njit`` stands
for numba's, which is imported only when a loop is compiled.
"""

import os
import types
from collections.abc import Callable
from functools import cached_property, wraps
from typing import Any, Final, ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")

SMALL: Final = int(os.environ.get("SURVEY_COMPILE_FROM", "60000"))
"""Numbers in all arrays of a call up to which it is not compiled: a second's work at most."""
SMALL_TOGETHER: Final = 3 * SMALL
"""Numbers in all calls of a loop up to which it is not compiled: many small calls are a large one. Judgement: the
sample, which needs no compiler, has 2.1 times ``SMALL`` at most."""
ROOM_OF_COMPILER: Final = 64 << 20
"""Bytes there must be before a loop is compiled or its code loaded: LLVM ends the process where it gets none. Five
times the largest growth of a process's data in one of 133 compilings (13 MiB, measured on Linux)."""

watchers: Final[list[Callable[[int], None]]] = []
"""Called with 1 when a loop begins to be compiled (not when its kept code is read) and with -1 at its end."""


class _Loop:
    """A function as it stands, and the same compiled."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        self.function = function
        self.options = options
        self.seen = 0
        self.is_quick = False

    @cached_property
    def plain(self) -> Callable[..., Any]:
        """The function, which calls other loops as they stand: nobody asks inside a loop whether arrays are small."""
        return self._calling("plain")

    @cached_property
    def compiled(self) -> Callable[..., Any]:
        """The compiled function; loops that it calls are compiled too."""
        from survey.memory import ask_for

        ask_for(ROOM_OF_COMPILER)
        from survey.compiled import njit as compiler

        return compiler(**self.options)(self._calling("compiled"))

    def _calling(self, kind: str) -> Callable[..., Any]:
        """The function with the loops that it calls in one kind."""
        own, code = self.function.__globals__, self.function.__code__
        called = {name: getattr(own[name].loop, kind) for name in code.co_names if hasattr(own.get(name), "loop")}
        fresh = types.FunctionType(code, own | called, self.function.__name__, self.function.__defaults__)
        fresh.__qualname__ = self.function.__qualname__
        return fresh

    def is_small(self, args: tuple[Any, ...]) -> bool:
        """Whether little work is to be done, in this call and with those before it."""
        if "compiled" in self.__dict__:
            return False
        flat = (part for arg in args for part in (arg if isinstance(arg, tuple) else (arg,)))
        size = sum(getattr(part, "size", 0) for part in flat)
        self.seen += 0 if self.is_quick else size
        return size <= SMALL and self.seen <= SMALL_TOGETHER


def njit(
    *, plain: Callable[..., Any] | None = None, **options: bool | str
) -> Callable[[Callable[Asked, Answer]], Callable[Asked, Answer]]:
    """Mark a loop; ``plain`` stands for it while it is not compiled, so fast that many small calls are no large one."""

    def marked(function: Callable[Asked, Answer]) -> Callable[Asked, Answer]:
        loop = _Loop(function, options)
        if plain is not None:
            loop.plain, loop.is_quick = plain, True

        @wraps(function)
        def run(*args: Asked.args, **named: Asked.kwargs) -> Answer:
            if loop.is_small(args):
                return loop.plain(*args, **named)
            return loop.compiled(*args, **named)

        run.loop = loop  # type: ignore[attr-defined]
        return run

    return marked


def as_it_stands(loop: Callable[Asked, Answer], *, compiled: bool = False) -> Callable[Asked, Answer]:
    """A loop as it stands, or compiled, whatever the size of its arrays."""
    kinds: _Loop = loop.loop  # type: ignore[attr-defined]
    return kinds.compiled if compiled else kinds.plain
