"""The README's example of the library runs, and gives what it says."""

from __future__ import annotations

import re
from pathlib import Path

import networkx as nx
import pandas as pd

ROOT = Path(__file__).parents[1]
EXAMPLE = re.search(r"```python\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)


def test_the_example_of_the_readme(monkeypatch):
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(EXAMPLE[1], names)
    sites, graph = names["sites"], names["graph"]
    listed = pd.read_csv(ROOT / "reports/sites.csv")
    assert sorted(sites.site_id) == sorted(listed.site_id)
    assert sites.crs.to_authority() == ("EPSG", "32625")
    assert isinstance(graph, nx.MultiGraph)
    cables = {key for _, _, key, data in graph.edges(keys=True, data=True) if data["kind"] == "cable"}
    assert "C-21-0034" in cables
    assert len(names["supplied"]) > 0.9 * graph.number_of_nodes()
