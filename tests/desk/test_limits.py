"""``survey limits``: the table against its own formulas, monotone where it must be; text, CSV and page."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from matplotlib.image import imread
from pypdf import PdfReader

from survey.commands.desk import limits
from survey.desk import limits as limits_module
from survey.desk.limits import desk_table
from survey.desk.limits_page import MARGIN_IN, draw_page
from survey.desk.limits_text import text_lines, three
from survey.errors import ModelError, OutputError
from survey.physics.catalogue import Catalogue
from survey.result import CAUTION
from survey.settings import Settings, build_settings

CATALOGUE = Catalogue.load()
FOOT = 0.3048


@pytest.fixture(scope="module", autouse=True)
def cache(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SURVEY_CACHE_DIR", str(tmp_path_factory.mktemp("curves")))
        yield


def run(*arguments):
    done = CliRunner().invoke(limits, [str(a) for a in arguments])
    if isinstance(done.exception, (ModelError, OutputError)):
        return str(done.exception)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def screened(tmp_path_factory):
    out = tmp_path_factory.mktemp("limits") / "table.csv"
    run("--kv", 12.47, "--no-study", "-o", out)
    return pd.read_csv(out)


def test_every_rating_winding_and_type_has_its_row(screened):
    rows = screened[screened.kva.notna()]
    types = rows.cable_type.nunique()
    assert len(rows) == 11 * 4 * types
    assert types > 50
    classes = CATALOGUE.cable_types.set_index("key").loc[rows.cable_type.unique()]
    assert set(zip(classes.standard, classes.kv_class, strict=True)) == {("na", 15), ("iec", 15)}
    assert set(rows.connection) == {"delta", "floating_wye", "grounded_wye", "open_delta"}


def test_ratings_are_those_of_the_frequencys_market(tmp_path):
    out = tmp_path / "table.csv"
    run("--kv", 20, "--hz", 50, "--no-study", "-o", out)
    ratings = set(pd.read_csv(out).kva.dropna())
    assert {100, 160, 250, 400, 630, 1000} < ratings
    assert not {75, 112.5, 225, 300, 750} & ratings


def test_windings_without_a_limit_have_their_row_and_reason(screened):
    free = screened[screened.kva.isna()]
    assert set(free.connection) == {"grounded_wye", "open_wye"}
    assert free.note.str.startswith("not susceptible: ").all()


def test_screen_lengths_fall_with_capacitance_and_meet_the_limit(screened):
    five = screened[(screened.connection == "grounded_wye") & screened.kva.notna()]
    for _, block in five.groupby("kva"):
        ranked = block.sort_values("cap_nf_km")
        assert ranked.screen_m.is_monotonic_decreasing
    total_f = (five.own_nf + five.cap_nf_km * five.screen_m / 1e3) * 1e-9
    charging = 2 * np.pi * 60 * total_f * 12470.0**2
    assert (charging <= five.nll_w + 0.06).all()
    assert (charging + 2 * np.pi * 60 * 0.1 * five.cap_nf_km * 1e-12 * 12470.0**2 >= five.nll_w - 0.06).all()


def test_feet_are_the_same_length_never_longer(screened):
    rows = screened[screened.kva.notna()]
    assert (rows.screen_ft * FOOT <= rows.screen_m + 0.1).all()
    assert (rows.screen_ft * FOOT >= rows.screen_m - 0.1 * FOOT - 1e-9).all()


def test_without_the_study_its_columns_are_empty(screened):
    assert screened[["study_m", "study_ft", "loaded_m", "loaded_ft"]].isna().all(axis=None)


EXCITING = build_settings({"electrical": {"exciting_pct": 0.5}})
"""With the default exciting current hardly any length of cable is short enough for an unloaded delta."""


@pytest.fixture(scope="module")
def studied():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits_module, "KVA", {60: (1500.0, 2500.0)})
        patch.setattr(limits_module, "LONGEST_M", 400.0)
        patch.setattr(limits_module, "WINDINGS", (("delta", ""),))
        cables = ("1/0 XLPE 15kV 133%", "500 XLPE 15kV 133%")
        return desk_table(12.47, settings=EXCITING, catalogue=CATALOGUE, cables=cables, load_share=0.05)


def test_study_lengths_hold_in_direct_simulation_just_below(studied):
    from survey.desk.circuit import Transformer, make_bench, section_circuits, with_cable, without_cable
    from survey.desk.picture import direct_peaks

    rows = studied.rows[studied.rows.cable_type == "1/0 XLPE 15kV 133%"]
    assert rows.study_m.max() > 1
    assert rows.loaded_m.min() > 100
    for name, share in (("study_m", 0.0), ("loaded_m", 0.05)):
        some = rows[(rows[name] > 0) & (rows[name] < 5000)]
        machines = [
            Transformer(r.kva * 1e3, 12470.0, r.connection, load_w=r.kva * 1e3 * share) for r in some.itertuples()
        ]
        bench = make_bench(
            machines, settings=build_settings({"study": {"run": False}, "electrical": {"exciting_pct": 0.5}})
        )
        values = with_cable(
            without_cable(bench.totals),
            np.arange(len(some)),
            length_m=some[name].to_numpy() * 0.995,
            cap_f_m=some["cap_nf_km"].to_numpy() * 1e-12,
        )
        circuits = section_circuits(values, settings=Settings())
        assert direct_peaks(circuits, circuits.load, settings=Settings()).max() <= 1.25


def test_more_capacitance_a_metre_allows_the_less_and_load_the_more(studied):
    by_type = studied.rows.pivot_table(
        index=["connection", "kva"], columns="cable_type", values=["study_m", "loaded_m"]
    )
    for name in ("study_m", "loaded_m"):
        both = by_type[name]
        assert (both["500 XLPE 15kV 133%"] <= both["1/0 XLPE 15kV 133%"]).all()
    assert (studied.rows.loaded_m > studied.rows.study_m).all()


def test_text_table_names_what_it_holds_for():
    said = run("--kv", 12.47, "--no-study", "--cable", "1/0 XLPE 15kV 133%")
    assert "Lengths in m; --units us for ft. By screen; the study was left out." in said
    assert "300 38" in [" ".join(line.split()) for line in said.splitlines()]
    feet = run("--kv", "12.47 D", "--no-study", "--cable", "1/0 XLPE 15kV 133%", "--units", "us")
    assert "300 125" in [" ".join(line.split()) for line in feet.splitlines()]
    said = " ".join(said.split())
    for words in ("Not susceptible, any length: open wye", "a delta leg is three times that", "Left out:", CAUTION,
                  "exciting current 0.13 to 0.41 %"):  # fmt: skip
        assert words in said


def test_text_fits_eighty_columns_and_keeps_every_length(studied, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    machine = studied.rows[studied.rows.cable_type == "1/0 XLPE 15kV 133%"].iloc[0]
    first = "/".join(three(machine))
    many = replace(studied, shown=studied.shown * 4)
    for table, blocks in ((studied, 1), (many, 2)):
        lines = "\n".join(text_lines(table)).split("\n")
        assert max(map(len, lines)) <= 80
        assert lines.count("Delta") == blocks
        found = [line.split() for line in lines if line.startswith(f"{machine.kva:>6g}")]
        assert sum(words.count(first) for words in found) == len(table.shown) // 2


def test_lengths_are_three_figures_never_too_long():
    row = pd.Series({"study_m": 1239.9, "loaded_m": 5000.0, "screen_m": np.nan})
    assert three(row) == ("1230", "5000", "-")
    assert three(row, unit_m=FOOT) == ("4060", "16400", "-")


def test_page_is_one_sheet_with_words_and_numbers(tmp_path):
    run("--kv", 12.47, "--no-study", "-o", tmp_path / "wall.pdf")
    assert [p.name for p in tmp_path.iterdir()] == ["wall.pdf"]
    book = PdfReader(tmp_path / "wall.pdf")
    assert len(book.pages) == 1
    text = book.pages[0].extract_text()
    for words in ("Allowed cable length", "Floating wye", "112.5", CAUTION, "2500"):
        assert words in text
    subprocess.run(["pdftoppm", "-r", "60", "-png", tmp_path / "wall.pdf", tmp_path / "wall"], check=True)
    ink = imread(next(tmp_path.glob("*.png")))[..., :3].mean(axis=2) < 0.7
    assert 0.01 < ink.mean() < 0.4
    assert not ink[:10].any()
    assert not ink[-10:].any()
    assert not ink[:, :10].any()
    assert not ink[:, -10:].any()


def test_same_bytes_every_time(tmp_path):
    for name in ("a.pdf", "b.pdf", "a.png", "b.png", "a.csv", "b.csv"):
        run("--kv", 24.9, "--no-study", "--cable", "1/0 XLPE 25kV 100%", "-o", tmp_path / name)
    for suffix in ("pdf", "png", "csv"):
        assert (tmp_path / f"a.{suffix}").read_bytes() == (tmp_path / f"b.{suffix}").read_bytes()


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["--kv", 0], "--kv: rated primary line-to-line voltage, kV: found 0, expected 1 to 50"),
        (["--kv", 49], "--kv: the catalogue has no cable type for 49 kV; name one with --cable"),
        (["--kv", 12.47, "--cable", "rope"], "--cable: the catalogue has no type 'rope'"),
        (["--kv", 12.47, "--load-pct", 0], "--load-pct: load, % of rating: found 0"),
        (["--kv", 12.47, "-o", "table.xls"], "-o table.xls: found the ending '.xls', expected one of .csv, .pdf, .png"),
    ],
)
def test_what_cannot_be_is_one_line(typed, words):
    said = run(*typed, "--no-study")
    assert words in said
    assert "\n" not in said


def test_feet_are_feet_throughout(tmp_path):
    said = run("--kv", 12.47, "--no-study", "--units", "us")
    assert "lengths over 16,400 ft were not tried" in " ".join(said.split())
    run("--kv", 12.47, "--no-study", "--units", "us", "-o", tmp_path / "wall.pdf")
    text = PdfReader(tmp_path / "wall.pdf").pages[0].extract_text()
    assert "kVA; ft" in text
    for words in (text, said):
        assert not re.search(r"\d m\b|\(\d+\)|m \(ft\)", words)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_nothing_on_the_page_leaves_it(studied, units):
    settings = build_settings({"report": {"units": units}})
    table = replace(studied, settings=settings)
    figure = draw_page(table, table.shown[:5])
    width, height = figure.bbox.size
    for text in figure.axes[0].texts:
        box = text.get_window_extent()
        assert box.x1 <= width - 0.9 * MARGIN_IN * figure.dpi, text.get_text()
        assert box.y0 >= 0.2 * MARGIN_IN * figure.dpi, text.get_text()
        assert 0 <= box.x0 <= box.x1 <= width
        assert box.y1 <= height
