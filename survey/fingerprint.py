"""Which survey it is: a fingerprint for programs, and a name for people by its data, their day and its settings."""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

MOST_SETTINGS = 3
COLUMN, NOT_BUILT = "what_if", "nobody has built this network"
"""How a what-if is told: a column of every row, and words."""
HOW_IT_LOOKS = frozenset({"input", "report", "background"})
"""Sections of the settings that only say how the export is read and what the outputs look like."""
PARTS = ("survey", "settings", "fingerprints", "changes", "signed_off")


def survey_fingerprint(record: Mapping[str, Any]) -> str:
    """Sixteen hexadecimal digits of what ``run.json`` says a survey was made from."""
    parts = {name: record[name] for name in PARTS if name in record}
    text = json.dumps(parts, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def survey_name(record: Mapping[str, Any]) -> str:
    """Name of a survey: the export, the day of its data, settings other than the defaults, and whether it is a what-if.

    Examples
    --------
    >>> survey_name({"network": "exports/net.gpkg", "data_date": "2030-05-01", "settings": {}})
    'net.gpkg, data of 2030-05-01, default settings'
    """
    export = Path(str(record.get("network", "")).replace("\\", "/")).name
    other = _other_settings(record.get("settings", {}))
    more = f" and {len(other) - MOST_SETTINGS} more" if len(other) > MOST_SETTINGS else ""
    told = ", ".join(other[:MOST_SETTINGS]) + more if other else "default settings"
    day = record.get("settings", {}).get("report", {}).get("data_date") or record.get("data_date")
    parts = [export, f"data of {day or 'unknown date'}", told, what_if_words(record)]
    return ", ".join(part for part in parts if part)


def what_if_words(record: Mapping[str, Any]) -> str:
    """That a survey is hypothetical, ``""`` where it is not."""
    n = len(record.get("changes", ()))
    return f"WHAT-IF: {n} change{'s' if n > 1 else ''}" if n else ""


def _other_settings(settings: Mapping[str, Any]) -> list[str]:
    """Settings that are not the defaults and count."""
    from survey.settings import build_settings

    usual = build_settings({}).model_dump(mode="json")
    return [
        f"{section}.{key} {value}"
        for section, values in sorted(settings.items())
        if section not in HOW_IT_LOOKS
        for key, value in values.items()
        if value != usual.get(section, {}).get(key, value)
    ]
