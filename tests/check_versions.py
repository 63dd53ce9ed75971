"""Fail when the tests run on other versions than a fresh installation of the survey gets (``pip install .``)."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib import metadata
from pathlib import Path

LOOKED_AT = ("geopandas", "numba", "numpy", "pandas", "pyarrow", "pyogrio", "shapely", "scipy", "networkx", "pydantic")
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check")
RESOLVE = ("install", "--dry-run", "--ignore-installed", "--quiet", "--report", "-")


def fresh() -> dict[str, str]:
    """Versions that pip chooses for the survey alone, by name."""
    root = Path(__file__).parents[1]
    report = subprocess.run([*PIP, *RESOLVE, str(root)], check=True, capture_output=True, text=True).stdout
    chosen = [item["metadata"] for item in json.loads(report)["install"]]
    return {item["name"].lower(): item["version"] for item in chosen}


def main() -> None:
    expected = fresh()
    other = [
        f"{name} {metadata.version(name)} is tested, a fresh installation gets {expected[name]}"
        for name in LOOKED_AT
        if metadata.version(name) != expected[name]
    ]
    if other:
        sys.exit("\n".join([*other, "a dependency of the tests holds a version back; run what needs it apart"]))
    sys.stdout.write(f"tested as installed: {', '.join(f'{name} {expected[name]}' for name in LOOKED_AT)}\n")


if __name__ == "__main__":
    main()
