"""Survey the sample into reports/, so that a visitor sees results without installing anything.

``python tests/make_reports.py [FOLDER]``. Seconds and versions are taken out of run.json: they differ from machine to
machine, and a test compares the folder with a fresh survey. The network's place is told from reports/ on.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from pathlib import Path

from survey.cli import main as survey

ROOT = Path(__file__).parents[1]
KEPT = ("sites.csv", "switching_points.csv", "findings.csv", "map.html", "run.json")
NETWORK = "sample_data/network.gpkg"
SHEETS_OF = "Quarry Park"
BUDGET = "6"


def call(*arguments: object) -> None:
    """One command; it must end well."""
    try:
        survey([str(a) for a in arguments])
    except SystemExit as end:
        if end.code:
            raise


def make(folder: Path) -> None:
    """Survey, plan and print the sample."""
    os.chdir(ROOT)
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "out"
        call("run", NETWORK, "-s", "sample_data/network.toml", "-o", out)
        call("plan", out, "--budget", BUDGET)
        call("sheets", out, "--district", SHEETS_OF, "-o", folder)
        for name in KEPT:
            shutil.copyfile(out / name, folder / name)
        for made in sorted(out.glob("plan*")):
            shutil.copyfile(made, folder / made.name)
    record = json.loads((folder / "run.json").read_text())
    for key in ("seconds", "write_seconds", "python", "versions"):
        record.pop(key, None)
    record["network_from_here"] = os.path.relpath(NETWORK, "reports")
    (folder / "run.json").write_text(json.dumps(record, indent=1, sort_keys=True) + "\n")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "reports")
