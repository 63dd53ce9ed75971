"""The comparison as one page that works with no network: counts, the map of the change, and one line a site."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader

from survey.comparison.differences import MEANINGS
from survey.result import CAUTION

if TYPE_CHECKING:
    from pathlib import Path

    from survey.comparison.comparison import Comparison

MOST_ROWS = 5000
"""More sites than this are left to ``changes.csv``; the page says so."""


def change_page(comparison: Comparison, *, picture: Path) -> str:
    """The page as text; everything from a file is escaped."""
    environment = Environment(loader=PackageLoader("survey.report", "compare"), autoescape=True, trim_blocks=True)
    table = comparison.sites.head(MOST_ROWS)
    return environment.get_template("changes.html.j2").render(
        caution=CAUTION,
        counts=comparison.counts(),
        causes=comparison.causes(),
        meanings=MEANINGS,
        names=comparison.names,
        what_if=comparison.what_if,
        rows=table.to_dict("records"),
        left_out=len(comparison.sites) - len(table),
        tags=comparison.tag_counts(),
        picture=base64.b64encode(picture.read_bytes()).decode("ascii"),
    )
