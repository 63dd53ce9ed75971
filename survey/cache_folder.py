"""Where what is computed once is kept: compiled code and curves of the study."""

import os
from pathlib import Path
from typing import Final

import platformdirs

CACHE_ENVIRONMENT: Final = "SURVEY_CACHE_DIR"


def default_cache_dir() -> Path:
    """``SURVEY_CACHE_DIR`` if set, else the user's cache folder."""
    chosen = os.environ.get(CACHE_ENVIRONMENT)
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("ferroresonance-survey", appauthor=False))
