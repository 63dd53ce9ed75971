"""Tables of output columns for the README, from survey/data/columns.csv. Run it to bring the README up to date."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

ROOT = Path(__file__).parents[1]
BEGIN = "<!-- columns: made from survey/data/columns.csv by tests/readme_columns.py -->\n"
END = "<!-- end of columns -->"


def tables() -> str:
    """Markdown tables, one per output table."""
    columns = pd.read_csv(ROOT / "survey/data/columns.csv", keep_default_na=False)
    parts = []
    for name, rows in columns.groupby("table", sort=False):
        lines = [f"\n`{name}.csv`\n", "| column | unit | meaning |", "|---|---|---|"]
        lines += [f"| {r.column} | {r.unit} | {r.description} |" for r in rows.itertuples()]
        parts.append("\n".join(lines) + "\n")
    return "".join(parts) + "\n"


def updated(text: str) -> str:
    """The README with its column tables brought up to date."""
    head, rest = text.split(BEGIN)
    return head + BEGIN + tables() + END + rest.split(END, 1)[1]


if __name__ == "__main__":
    readme = ROOT / "README.md"
    readme.write_text(updated(readme.read_text()))
