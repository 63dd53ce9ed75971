"""Coded values that the survey does not know: counted by value, each with the line of settings that would teach it."""

from typing import Any

from survey.findings import FindingList
from survey.input_schema import FieldSpec, accepted_values, field_specs
from survey.read.guess_values import known_code
from survey.wrapped import quoted

RULE = "unknown_"
MOST_TAUGHT = 1000
"""Values of one field that get a line, the commonest: more than anybody fills in."""


def teaching_line(spec: FieldSpec, text: str) -> str:
    """Line below ``[input.LAYER.codes.FIELD]`` for this value: with its usual meaning, or to be filled in.

    Examples
    --------
    >>> print(teaching_line(field_specs("switches")["poles"], "FCO"))
    "FCO" = "single"  # usual meaning; choices: single, three, presumed
    """
    meaning = known_code(spec, text).ours
    words = "usual meaning; choices" if meaning else "fill in; choices"
    return f"{quoted(text)} = {quoted(meaning)}  # {words}: {accepted_values(spec)}"


def unread_codes(findings: FindingList) -> list[dict[str, Any]]:
    """Coded values that were not known, by layer and field, the commonest first.

    Returns
    -------
    ``layer``, ``field``, ``text``, ``records`` (number), ``section`` of the settings and ``teach``
    (see :func:`teaching_line`) of each.
    """
    out = []
    for finding in (f for f in findings.ordered() if f.texts and f.rule.startswith(RULE)):
        spec = field_specs(finding.layer)[finding.rule.removeprefix(RULE)]
        place = {"layer": finding.layer, "field": spec.name}
        section = f"[input.{finding.layer}.codes.{spec.name}]"
        for text, records in finding.texts[:MOST_TAUGHT]:
            teach = teaching_line(spec, text)
            out.append({**place, "text": text, "records": records, "section": section, "teach": teach})
    return out
