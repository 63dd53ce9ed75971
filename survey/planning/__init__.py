"""From a ranking to decisions: which three-pole installs remove most risk for a budget.

``chains`` puts what exposes every site into arrays, ``candidates`` lists what could be installed, ``milp`` chooses
exactly, ``residual`` says what any choice leaves, ``make`` ties them together and proves the promise by surveying
again.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from survey.planning.plan_files import write_plan
    from survey.planning.planning import Plan, make_plan

__all__ = ["Plan", "make_plan", "write_plan"]

_HOMES = {"Plan": "make", "make_plan": "make", "write_plan": "outputs"}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - a module attribute is anything
    """Import a public name from its own module."""
    if name not in _HOMES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
