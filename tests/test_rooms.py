"""Rooms of the house import each other in one direction only."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import networkx as nx

SURVEY = Path(__file__).parents[1] / "survey"


def imported(tree: ast.Module) -> Iterator[str]:
    """Modules of the survey that are imported when the code runs, not for its types alone."""
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    nodes = (node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom))
    yield from (node.module for node in nodes if node.module and node.module.startswith("survey."))


def test_no_room_imports_one_that_imports_it():
    rooms = nx.DiGraph()
    for file in SURVEY.glob("*/**/*.py"):
        room = file.relative_to(SURVEY).parts[0]
        for module in imported(ast.parse(file.read_text(encoding="utf-8"))):
            other = module.split(".")[1]
            if other != room and (SURVEY / other).is_dir():
                rooms.add_edge(room, other)
    assert {"planning", "comparison", "what_if"} <= set(rooms)
    assert [sorted(circle) for circle in nx.strongly_connected_components(rooms) if len(circle) > 1] == []
