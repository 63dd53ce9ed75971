"""Cable texts that nobody could read: grouped, longest first, each with the line of settings that would teach it."""

import re
from typing import Any

import pandas as pd

from survey.findings import FindingList
from survey.read.unread_codes import MOST_TAUGHT
from survey.tomltext import quoted

RULE = "unknown_cable_type"
EXAMPLE_TYPE = "500 TR-XLPE 100%"
"""Shows what stands on the right: what is counted now, in every class, so that the line changes nothing as it is."""
SPECIAL = re.compile(r"([\\.^$*+?{}\[\]|()])")


def teaching_line(text: str) -> str:
    r"""Line below ``[input.cable_type_patterns]`` for this text and no other; only the type is to be put right.

    Examples
    --------
    >>> print(teaching_line("BLK 500 (OLD)"))
    '^BLK 500 \(OLD\)$' = "500 TR-XLPE 100%"
    """
    pattern = "^" + SPECIAL.sub(r"\\\1", text) + "$"
    literal = pattern.isprintable() and "'" not in pattern
    key = f"'{pattern}'" if literal else quoted(pattern)
    return f'{key} = "{EXAMPLE_TYPE}"'


def unread_cable_texts(findings: FindingList, cables: pd.DataFrame) -> list[dict[str, Any]]:
    """Cable texts for which a stand-in was used, those with most length first.

    Returns
    -------
    ``text``, ``cables`` (number), ``km`` and ``teach`` (see :func:`teaching_line`) of each.
    """
    found = findings.of(RULE)
    if not found:
        return []
    rows = cables[cables["cable_id"].isin([name for finding in found for name in finding.ids])]
    km = rows["length_m"].fillna(rows["drawn_m"]).fillna(0.0) / 1e3
    texts = km.groupby(rows["cable_type"].astype(str)).agg(["size", "sum"]).reset_index()
    texts["sum"] = texts["sum"].round(3)
    longest = texts.sort_values(["sum", "cable_type"], ascending=[False, True], kind="stable")
    return [
        {"text": text, "cables": number, "km": length, "teach": teaching_line(text)}
        for text, number, length in longest.head(MOST_TAUGHT).itertuples(index=False)
    ]
