"""One name for one survey: of its inputs, settings, changes, sign-offs and version; not of when or where it was run."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

PARTS = ("survey", "settings", "fingerprints", "changes", "signed_off")


def survey_fingerprint(record: Mapping[str, Any]) -> str:
    """Sixteen hexadecimal digits of what ``run.json`` says a survey was made from."""
    parts = {name: record[name] for name in PARTS if name in record}
    text = json.dumps(parts, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
