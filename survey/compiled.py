"""The compiler, with its finished code kept where the user may write.

Compiled code goes to the survey's own cache folder; where that takes no files (an account without a home, a read-only
installation) it goes to a temporary folder that is removed at the end, and this is said once. Every module with
compiled loops takes ``njit`` from here, so that no function is ever declared before the folder is known.
"""

import atexit
import logging
import shutil
import tempfile
from pathlib import Path

from numba import config, njit
from numba.core import event

from survey.cache_folder import default_cache_dir
from survey.loops import watchers

__all__ = ["njit"]

_LOG = logging.getLogger(__name__)


def _code_folder(cache_dir: Path) -> Path:
    """Folder of compiled code below the survey's cache folder, or a temporary one.

    Raises ``OSError``: not even a temporary folder can be made.
    """
    folder = cache_dir / "compiled"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError:
        temporary = Path(tempfile.mkdtemp(prefix="survey-compiled-"))
        atexit.register(shutil.rmtree, temporary, ignore_errors=True)
        _LOG.warning("cache folder %s takes no files; what is compiled and computed is not kept", cache_dir)
        return temporary


if not config.CACHE_DIR:  # type: ignore[attr-defined]  # a folder named by NUMBA_CACHE_DIR stands
    config.CACHE_DIR = str(_code_folder(default_cache_dir()))  # type: ignore[attr-defined]


class _Told(event.Listener):
    """Passes on that the compiler is at work."""

    def on_start(self, _: event.Event) -> None:
        for watcher in watchers:
            watcher(1)

    def on_end(self, _: event.Event) -> None:
        for watcher in watchers:
            watcher(-1)


event.register("numba:compile", _Told())  # type: ignore[no-untyped-call]
