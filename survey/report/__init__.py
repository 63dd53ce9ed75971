"""Results to files, and files to results; see DEVELOPERS.md, Structure: report.

The names below are imported when first used, so that the small modules of this package stay quick to import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from survey.report.folder import Reservation, reserve_folder
    from survey.report.outputs import write_outputs
    from survey.report.reread import SavedSurvey, read_results

__all__ = ["Reservation", "SavedSurvey", "read_results", "reserve_folder", "write_outputs"]

_HOMES = {
    "Reservation": "folder",
    "reserve_folder": "folder",
    "write_outputs": "outputs",
    "SavedSurvey": "reread",
    "read_results": "reread",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - a module attribute is anything
    """Import a public name from its own module."""
    if name not in _HOMES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
