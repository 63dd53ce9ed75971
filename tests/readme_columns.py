"""Tables of input fields, output columns and findings for the README, from survey/data; run it to renew them."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from survey.findings import rules
from survey.input_schema import field_specs
from survey.input_settings import LAYERS

ROOT = Path(__file__).parents[1]
BEGIN = "<!-- columns: made from survey/data/columns.csv by tests/readme_columns.py -->\n"
END = "<!-- end of columns -->"
FIELDS = "<!-- fields: made from survey/data/input_fields.csv by tests/readme_columns.py -->\n"
FIELDS_END = "<!-- end of fields -->"
RULES = "<!-- findings: made from survey/data/rules.csv by tests/readme_columns.py -->\n"
RULES_END = "<!-- end of findings -->"


def tables() -> str:
    """Markdown tables, one per output table."""
    columns = pd.read_csv(ROOT / "survey/data/columns.csv", keep_default_na=False)
    parts = []
    for name, rows in columns.groupby("table", sort=False):
        lines = [f"\n`{name}.csv`\n", "| column | unit | meaning |", "|---|---|---|"]
        lines += [f"| {r.column} | {r.unit} | {r.description} |" for r in rows.itertuples()]
        parts.append("\n".join(lines) + "\n")
    return "".join(parts) + "\n"


def field_table() -> str:
    """One markdown table of all input fields."""
    fields = pd.read_csv(ROOT / "survey/data/input_fields.csv", keep_default_na=False, dtype=str)
    lines = ["\n| layer | field | unit or codes | if missing | meaning |", "|---|---|---|---|---|"]
    for r in fields.itertuples():
        name = f"**{r.field}**" if r.required else r.field
        unit = ", ".join(field_specs(r.layer)[r.field].codes) or r.unit.replace("1", "")
        lines.append(f"| {r.layer} | {name} | {unit} | {r.default} | {r.meaning} |")
    return "\n".join(lines) + "\n\n"


def rule_table() -> str:
    """One markdown table of all rules; what is filled in stands in italics."""
    lines = ["\n| rule | severity | layer | found | done | to do |", "|---|---|---|---|---|---|"]
    for rule in rules().values():
        layers = "all" if len(rule.layers) == len(LAYERS) else ", ".join(rule.layers)
        words = (re.sub(r"\{(\w+)[^}]*\}", r"*\1*", text) for text in (rule.name, rule.found, rule.done, rule.todo))
        name, found, done, todo = words
        lines.append(f"| {name} | {rule.severity} | {layers} | {found} | {done} | {todo} |")
    return "\n".join(lines) + "\n\n"


def updated(text: str) -> str:
    """The README with its tables brought up to date."""
    parts = ((FIELDS, field_table(), FIELDS_END), (BEGIN, tables(), END), (RULES, rule_table(), RULES_END))
    for begin, made, end in parts:
        head, rest = text.split(begin)
        text = head + begin + made + end + rest.split(end, 1)[1]
    return text


if __name__ == "__main__":
    readme = ROOT / "README.md"
    readme.write_text(updated(readme.read_text()))
