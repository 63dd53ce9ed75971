"""The table on sheets says what the survey says."""

from __future__ import annotations

import numpy as np
import pytest
from reportlab.platypus import Paragraph
from sheet_survey import site_table, streets

from survey.report.ramp import BAND_MARKS, STATUS_MARKS
from survey.report.sheets.lettering import BOLD, REGULAR, clean, fitted, markup, style, text_width
from survey.report.sheets.paper import paper
from survey.report.sheets.table import NOTHING, SIZE, _widths, headings, table_rows


def row(units: str = "metric", **changes: object) -> dict[str, str]:
    made = table_rows(site_table(streets(1), **changes), units=units)[0]
    return vars(made)


def test_a_row() -> None:
    assert row() == {
        "number": "1",
        "site": "T-0000",
        "switch": "S-000 (cutout)",
        "kva": "300",
        "connection": "delta, five legged",
        "walked": "30",
        "exposed": "305",
        "peak": "1.00 / 1.05",
        "load": "13",
        "band": "Severe",
        "action": "See point S-000",
    }
    assert row(band="low")["action"] == "Switch three-pole at S-000, opening as well as closing"


def test_feet() -> None:
    assert (row("us")["walked"], row("us")["exposed"]) == ("100", "1000")
    assert (headings("us")["walked"], headings("metric")["exposed"]) == ("Walked ft", "Exposed cable m")


def test_what_is_missing_is_a_dash() -> None:
    nothing = dict.fromkeys(["switch_id", "switch_device", "worst_switch_id", "connection", "core", "action"], "")
    numbers = dict.fromkeys(["kva", "path_length_m", "exposed_cable_m", "peak_pu", "peak_loaded_pu", "hold_kw"], np.nan)
    made = row(**nothing, **numbers, band="", status="unreached")
    assert made.pop("number") == "1"
    assert made.pop("site") == "T-0000"
    assert made.pop("band") == "No way to a supply"
    assert set(made.values()) == {NOTHING}


def test_only_one_peak_known() -> None:
    assert row(peak_loaded_pu=np.nan)["peak"] == "1.00 / –"


def test_a_worse_point_is_named_beside_the_nearest() -> None:
    assert row(worst_switch_id="S-9")["switch"] == "S-000 (cutout); worst S-9"
    assert row(switch_id="", worst_switch_id="S-9")["switch"] == "–; worst S-9"
    made = row(worst_switch_id="S-9", worst_cable_m=151.2, worst_peak_pu=4.56)
    assert made["exposed"].endswith("; worst 151")
    assert made["peak"].endswith("; worst 4.56")
    assert "worst" not in made["load"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [("a\x00b\r\nc\td", "a b c d"), ("  x  ", "x"), (7, "7"), ("Ωß漢\U0001f9ff", "Ωß□□"), ("x" * 300, "x" * 159 + "…")],
)
def test_clean(text: object, shown: str) -> None:
    assert clean(text) == shown


def test_markup_of_the_input_is_shown_not_obeyed() -> None:
    hostile = '<b>x</b> & <img src="file:///etc/passwd"/> <para>'
    paragraph = Paragraph(markup(hostile), style(7))
    assert paragraph.getPlainText() == hostile


def test_fitted() -> None:
    assert fitted("short", width=100, size=7) == "short"
    cut = fitted("a very long text indeed", width=50, size=7)
    assert cut[:3] + cut[-3:] == "a veed"
    assert cut.count("…") == 1
    assert text_width(cut, size=7) <= 50
    assert fitted("wide", width=0.1, size=7) == "…"


def test_no_word_of_a_band_or_heading_is_broken_in_its_column() -> None:
    columns = dict(zip(headings("us"), _widths(paper("letter").body.width, 1.0), strict=True))
    for mark in (*BAND_MARKS, *STATUS_MARKS):
        font = BOLD if mark.key in {"high", "severe"} else REGULAR
        longest = max(text_width(word, size=SIZE, font=font) for word in mark.label.split())
        assert longest <= columns["band"] - 6 - 15, mark.label
    for name, heading in headings("us").items():
        longest = max(text_width(word, size=SIZE - 0.6, font=BOLD) for word in heading.split())
        assert longest <= columns[name] - 6, heading
