"""Feeder-wide ferroresonance survey of a distribution network.

Ranks sites for engineering review. It clears nobody to switch: local switching rules and licensed engineers decide.

The library is what stands in ``__all__``; :func:`run` and the others are loaded when they are first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from survey.errors import SurveyError
    from survey.library import Survey, compare, load, plan, run, site

__version__ = "0.1.0"
__all__ = ["CAUTION", "Survey", "SurveyError", "__version__", "compare", "load", "plan", "run", "site"]

CAUTION = (
    "Ranks sites for engineering review. It clears nobody to switch: "
    "local switching rules and licensed engineers decide."
)


def __getattr__(name: str) -> Any:  # noqa: ANN401 - what a name stands for
    if name not in __all__:
        msg = f"module 'survey' has no attribute {name!r}; it has {', '.join(sorted(__all__))}"
        raise AttributeError(msg)
    from importlib import import_module

    return getattr(import_module("survey.errors" if name == "SurveyError" else "survey.library"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
