"""Write ``not_watched.txt``: the tests that coverage need not watch, because others walk all their lines in less time.

Coverage doubles the time of what it watches. This runs the whole suite with all tests watched (half an hour), then
takes the test that walks the most new branches a second, again and again until every branch is walked. Of those
left over, all that take half a second and more stand in the list. A new test is watched until this is run again.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter, defaultdict
from pathlib import Path
from tempfile import TemporaryDirectory
from xml.etree import ElementTree as ET

from coverage import CoverageData

HERE = Path(__file__).parent
LIST = HERE / "not_watched.txt"
LONG_S = 0.5


def walked_by_test(data: CoverageData) -> dict[str, set[tuple[str, int, int]]]:
    """Branches (file, from line, to line) that each test walks, cases of one test together."""
    walked = defaultdict(set)
    for context in data.measured_contexts():
        data.set_query_context(context)
        test = context.partition("|")[0].partition("[")[0]
        walked[test].update((file, *arc) for file in data.measured_files() for arc in data.arcs(file) or ())
    return walked


def seconds_by_test(report: Path) -> Counter[str]:
    """Seconds of each test, from pytest's report."""
    seconds: Counter[str] = Counter()
    for case in ET.parse(report).iter("testcase"):
        file = case.get("classname", "").replace(".", "/") + ".py"
        seconds[f"{file}::{case.get('name', '').partition('[')[0]}"] += float(case.get("time", 0))
    return seconds


def spared(walked: dict[str, set], seconds: Counter[str]) -> list[str]:
    """The long tests without which every branch is walked all the same."""
    left = set().union(*walked.values()) - walked.pop("", set())
    others = dict(walked)
    while left:
        best = max(others, key=lambda test: len(others[test] & left) / (seconds[test] + 0.05))
        left -= others.pop(best)
    return sorted(test for test in others if seconds[test] >= LONG_S)


def main() -> None:
    """Run the suite with all tests watched and write the list."""
    with TemporaryDirectory() as folder:
        report, database = Path(folder) / "times.xml", Path(folder) / "coverage"
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-n",
            "2",
            "--dist",
            "loadfile",
            "--cov",
            "--cov-report=",
            "--cov-context=test",
        ]
        environment = os.environ | {"COVERAGE_FILE": str(database), "SURVEY_WATCH_ALL": "1"}
        subprocess.run([*command, f"--junitxml={report}"], check=True, env=environment, cwd=HERE.parent)
        data = CoverageData(str(database))
        data.read()
        LIST.write_text("\n".join(spared(walked_by_test(data), seconds_by_test(report))) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
