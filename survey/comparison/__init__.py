"""What changed between two surveys, and why.

``differences`` compares two sets of tables site by site, ``causes`` says why, ``tags`` lists what to add and remove
in the records, ``what_if`` puts the comparison with the network as it is beside the sites of a what-if, ``make`` and
``outputs`` do it for two output folders.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from survey.comparison.comparison import Comparison, compare_surveys
    from survey.comparison.comparison_files import write_comparison

__all__ = ["Comparison", "compare_surveys", "write_comparison"]

_HOMES = {"Comparison": "make", "compare_surveys": "make", "write_comparison": "outputs"}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - a module attribute is anything
    """Import a public name from its own module."""
    if name not in _HOMES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
