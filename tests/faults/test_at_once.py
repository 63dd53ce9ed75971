"""Two commands on one OUT at the same time: each ends well or is refused, and OUT is of one run."""

from __future__ import annotations

import json

from command import assert_whole, one_line, run, start


def ended(processes) -> list[int]:
    """Exit status of each; a refusal is one line."""
    said = [process.communicate()[1] for process in processes]
    for process, words in zip(processes, said, strict=True):
        assert process.returncode in {0, 1}, words
        if process.returncode:
            one_line(words)
    return [process.returncode for process in processes]


def test_two_runs_at_once(network, other_network, tmp_path):
    out = tmp_path / "place" / "OUT"
    for _ in range(2):
        processes = [start("run", export, "-o", out, "--no-study") for export in (network, other_network)]
        assert 0 in ended(processes)
        assert_whole(out)
        record = json.loads((out / "run.json").read_text())
        sites = {str(network): 4, str(other_network): 2}[record["network"]]
        assert len((out / "sites.csv").read_text().splitlines()) == 1 + sites
        assert sum(record["sites"]["status"].values()) == sites
        assert len(run("sheets", out, "-o", tmp_path / "sheets").stderr) == 0
        assert [path.name for path in out.parent.iterdir()] == ["OUT"]


def test_a_run_and_a_plan_at_once(network, other_network, out):
    processes = [start("run", other_network, "-o", out, "--no-study"), start("plan", out, "--budget", "2")]
    assert 0 in ended(processes)
    sites = len((out / "sites.csv").read_text().splitlines()) - 1
    record = json.loads((out / "run.json").read_text())
    assert sites == {str(network): 4, str(other_network): 2}[record["network"]]
    assert [path.name for path in out.parent.iterdir()] == ["OUT"]
    assert not list(out.glob(".*"))
