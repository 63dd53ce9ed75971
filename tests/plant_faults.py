"""Plant faults, one at a time, and tell which of them the tests nearest to them do not notice. No gate: minutes each.

``python tests/plant_faults.py`` runs every fault of ``planted_faults.toml``; names after it choose some.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
LIST = Path(__file__).with_name("planted_faults.toml")


def lives(fault: dict[str, str | list[str]], tree: Path) -> bool:
    """Whether the tests pass with the fault in place."""
    file = tree / str(fault["file"])
    text = file.read_text()
    if text.count(str(fault["found"])) != 1:
        sys.exit(
            f"{fault['name']}: {fault['file']} holds its text {text.count(str(fault['found']))} times; mend the list"
        )
    file.write_text(text.replace(str(fault["found"]), str(fault["planted"])))
    try:
        tests = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *fault["tests"]]
        environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
        return subprocess.run(tests, cwd=tree, env=environment, capture_output=True, check=False).returncode == 0
    finally:
        file.write_text(text)


def main() -> None:
    faults = tomllib.loads(LIST.read_text())["fault"]
    chosen = [f for f in faults if not sys.argv[1:] or f["name"] in sys.argv[1:]]
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, check=True, capture_output=True).stdout
    living = []
    with tempfile.TemporaryDirectory() as folder:
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(folder, filter="data")
        for fault in chosen:
            alive = lives(fault, Path(folder))
            living += [fault["name"]] * alive
            sys.stdout.write(f"{'LIVES' if alive else 'found'}  {fault['name']}\n")
            sys.stdout.flush()
    sys.stdout.write(f"{len(chosen) - len(living)} of {len(chosen)} found\n")
    sys.exit(bool(living))


if __name__ == "__main__":
    main()
