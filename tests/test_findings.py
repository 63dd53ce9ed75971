"""The table of rules and the code that reports them agree."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import survey
from survey.findings import FILLED, FindingList, find_rule, rules

PACKAGE = Path(survey.__file__).parent
OWN = {"ids", "layer", "severity", "place", "texts", "where"}
ALL_OF = {"all"}
"""What :meth:`survey.read.columns.Rows.report` fills in."""


def reported():
    """Every call of a method ``report`` with a rule's name in the code: place, name, keywords."""
    for file in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "report":
                name = node.args[0] if node.args else None
                if isinstance(name, ast.Constant):
                    yield f"{file.name}:{node.lineno}", name.value, {k.arg for k in node.keywords}


CALLS = list(reported())


@pytest.mark.parametrize("call", CALLS, ids=lambda call: call[0])
def test_what_the_code_reports_is_in_the_table_with_all_its_words(call):
    _, name, keywords = call
    choices = [rule for rule in rules().values() if rule.name == name]
    assert choices, "no such rule"
    if None in keywords:  # values handed on
        return
    filled = keywords - OWN | (ALL_OF if "where" in keywords else set())
    wants = [rule.wants | ({"all"} if "where" in keywords else set()) for rule in choices]
    assert filled in wants


def test_no_row_of_the_table_is_unused():
    code = "\n".join(file.read_text(encoding="utf-8") for file in PACKAGE.rglob("*.py"))
    assert [rule.name for rule in rules().values() if f'"{rule.name}"' not in code] == []


def test_every_row_says_what_was_found_and_what_to_do():
    for rule in rules().values():
        assert rule.severity in ("error", "warning", "assumed")
        assert set(rule.layers) <= {"cables", "transformers", "switches", "sources", "background"}
        assert rule.found
        assert rule.done or rule.todo, rule.name
        assert not rule.found.endswith((".", ";")), rule.name


def test_a_finding_is_made_of_its_row():
    findings = FindingList()
    findings.report("duplicate_id", layer="cables", ids=["b", "a"], all=1234, field="cable_id", place=(1.0, 2.0))
    (found,) = findings
    assert (found.severity, found.rule, found.layer, found.ids) == ("error", "duplicate_id", "cables", ("a", "b"))
    assert found.message == (
        "cable_id shared by 2 of 1,234 records of cables; one of each keeps it, the others were given a suffix; "
        "give each its own"
    )
    assert (found.lon, found.lat) == (1.0, 2.0)


@pytest.mark.parametrize(
    ("rule", "keywords"),
    [
        ("no_such_rule", {}),
        ("null_geometry_", {"layer": "cables"}),
        ("empty_geometry", {"layer": "cables", "all": 1, "done": "left out"}),  # of two severities
        ("same_nodes", {"layer": "switches", "all": 1}),  # of cables only
        ("same_nodes", {}),  # a word missing
        ("same_nodes", {"all": 1, "extra": 2}),  # a word too many
    ],
)
def test_a_finding_that_does_not_fit_its_row_cannot_be_made(rule, keywords):
    findings = FindingList()
    with pytest.raises((KeyError, TypeError), match=r"rule"):
        findings.report(rule, ids=["x"], **keywords)
    assert not len(findings)


def test_names_with_a_placeholder_stand_for_several_rules():
    findings = FindingList()
    findings.report("default_{field}", layer="cables", ids=["x"], all=3, field="build", default="ug")
    assert findings.items[0].rule == "default_build"
    assert find_rule("default_{field}").wants == {"all", "field", "default"}
    assert "count" in FILLED
