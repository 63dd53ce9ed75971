"""Survey sheets as files: what is on the pages, page sizes, refusals, bytes."""

from __future__ import annotations

import errno
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from sheet_survey import saved_survey, site_table, streets, town

from survey.assess.action import NO_ACTION
from survey.errors import OutputError
from survey.report.ramp import BAND_HAZARDS, BAND_MARKS, hazard_colours
from survey.report.reread import SavedSurvey
from survey.report.sheets import make_sheets
from survey.report.sheets.book import file_name
from survey.report.sheets.content import choose, sheet_content
from survey.report.sheets.table import calm, table_rows
from survey.report.sheets.windows import RADII
from survey.result import CAUTION


def pages(path: Path) -> list[str]:
    return [page.extract_text() for page in PdfReader(path).pages]


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def print_harbour(saved: SavedSurvey, out: Path, **options: str) -> Path:
    (path,) = make_sheets(saved, out=out, district="Harbour", **options)
    return path


def assert_table_is_whole(path: Path, saved: SavedSurvey, *, units: str = "metric") -> None:
    """Every row is in the file, its cells in order; those with an action in the order of their numbers."""
    full, short = (
        squeezed("".join(text for text in pages(path) if text.splitlines()[1].startswith(name)))
        for name in ("Table", "Without action")
    )
    place = 0
    for row in table_rows(saved.sites, units=units):
        if calm(row):
            assert squeezed(row.number + row.site + row.kva + row.switch) in short
            assert squeezed(row.action.removeprefix(f"{NO_ACTION}: "))[1:] in short
            continue
        text = squeezed("".join(vars(row).values()))
        found = full.find(text, place)
        assert found >= 0, text
        place = found + len(text)


def test_table_in_the_file_equals_the_survey(tmp_path: Path) -> None:
    saved = town(60)
    calm_ones = saved.sites["band"] == "low"
    assert 0 < calm_ones.sum() < 60
    action = saved.sites["action"].where(~calm_ones, f"{NO_ACTION}: no path from phase to phase.")
    saved = replace(saved, sites=saved.sites.assign(action=action))
    assert_table_is_whole(print_harbour(saved, tmp_path), saved)
    assert_table_is_whole(print_harbour(saved, tmp_path, units="us", page="a3"), saved, units="us")


def test_every_page_has_title_date_caution_and_number(tmp_path: Path) -> None:
    record = {"settings": {"report": {"title": "Spring survey", "data_date": "2031-05-04"}}}
    path = print_harbour(saved_survey(site_table(streets(60)), record=record), tmp_path)
    texts = pages(path)
    for number, text in enumerate(texts, start=1):
        assert text.startswith("Harbour\n")
        for part in ("Spring survey", "Data as of: 2031-05-04", CAUTION, f"Page {number} of {len(texts)}"):
            assert part in text
    assert texts[0].splitlines()[1] == "Overview"
    assert [text.splitlines()[1].split()[0] for text in texts[1:]] == sorted(
        text.splitlines()[1].split()[0] for text in texts[1:]
    )


def test_overview_has_legend_scale_north_and_numbers(tmp_path: Path) -> None:
    text = pages(print_harbour(town(12), tmp_path))[0]
    lines_and_points = ("Shielded cable", "Overhead line", "Exposed cable", "Single-pole switching point")
    around = ("LOOK AT FIRST", "N", "on this paper", "The study leaves out")
    assert all(part in text for part in ("Severe", "High", "Moderate", "Low", *lines_and_points, *around))
    lines = text.splitlines()
    assert all(str(number) in lines for number in range(1, 13))


def test_statuses_without_a_band_are_in_the_legend(tmp_path: Path) -> None:
    statuses = ["not_susceptible", "no_single_pole", "unreached", "not_assessable", "assessed"]
    bands = ["", "", "", "", "low"]
    saved = saved_survey(site_table(streets(5), status=statuses, band=bands, priority=[np.nan] * 4 + [3.0]))
    path = print_harbour(saved, tmp_path)
    for part in ("Not susceptible", "No single-pole point", "No way to a supply", "Not assessable"):
        assert part in pages(path)[0]
    assert_table_is_whole(path, saved)


def test_without_settings_in_the_record_the_date_is_not_invented(tmp_path: Path) -> None:
    assert "Data as of: not stated" in pages(print_harbour(town(3), tmp_path))[0]


@pytest.mark.parametrize(
    ("page", "size"),
    [("letter", (792, 612)), ("a4", (841.89, 595.28)), ("tabloid", (1224, 792)), ("a3", (1190.55, 841.89))],
)
def test_page_sizes(tmp_path: Path, page: str, size: tuple[float, float]) -> None:
    for sheet in PdfReader(print_harbour(town(40), tmp_path, page=page)).pages:
        assert (float(sheet.mediabox.width), float(sheet.mediabox.height)) == pytest.approx(size, abs=0.01)


def test_vector_and_fonts_in_the_file(tmp_path: Path) -> None:
    reader = PdfReader(print_harbour(town(20), tmp_path))
    for page in reader.pages:
        assert len(page.images) == 0
        for font in page["/Resources"]["/Font"].values():
            base = font.get_object()
            assert base["/BaseFont"] in {"/Helvetica"} or "/FontFile2" in base["/FontDescriptor"].get_object()


def test_same_bytes_again(tmp_path: Path) -> None:
    first, second = (print_harbour(town(60), tmp_path / name).read_bytes() for name in ("a", "b"))
    assert first == second
    assert b"D:2000" in first  # the fixed date of an invariant file


HOSTILE = [
    '<b>bold</b><script>alert("x")</script>',
    "=1+1|cmd",
    "Ünïçødé Ωλ Жы",
    "漢字",
    "T" * 400,
    "\x07bell\u2028",
    "",
]


def test_hostile_and_very_long_names(tmp_path: Path) -> None:
    names = HOSTILE * 2
    sites = site_table(
        streets(len(names)), site_id=names, switch_id=names, action=names, feeder=names, switch_device=names
    )
    saved = saved_survey(sites)
    path = print_harbour(saved, tmp_path)
    assert_table_is_whole(path, saved)
    text = "".join(pages(path))
    assert '<b>bold</b><script>alert("x")</script>' in squeezed(text)
    assert "/JavaScript" not in path.read_bytes().decode("latin-1")


def test_hostile_district(tmp_path: Path) -> None:
    name = '../<b>&"Häfen"' + "x" * 200
    saved = town(4, district=name)
    (path,) = make_sheets(saved, out=tmp_path)
    assert path.parent == tmp_path
    assert re.fullmatch(r"sheets_b_häfen_x+\.pdf", path.name)
    assert pages(path)[0].startswith('../<b>&"Häfen"xxx')


def test_one_file_for_each_district(tmp_path: Path) -> None:
    sites = site_table(streets(8), district=["North", "north", "", "North", "East Side", "north", "", "North"])
    paths = make_sheets(saved_survey(sites), out=tmp_path / "new")
    assert [path.name for path in paths] == [
        "sheets_no_district.pdf", "sheets_east_side.pdf", "sheets_north.pdf", "sheets_north_2.pdf",
    ]  # fmt: skip
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == sorted(path.name for path in paths)


def test_file_names() -> None:
    assert file_name("***", taken=()) == "sheets_survey.pdf"
    assert file_name("A", taken={"sheets_a.pdf", "sheets_a_2.pdf"}) == "sheets_a_3.pdf"


def test_feeder(tmp_path: Path) -> None:
    (path,) = make_sheets(town(9), out=tmp_path, feeder="Feeder 2")
    assert path.name == "sheets_feeder_feeder_2.pdf"
    table = squeezed(pages(path)[-1])
    assert "T-0003" in table
    assert "T-0001" not in table


def test_unknown_district_lists_those_that_exist(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as refused:
        make_sheets(town(3), out=tmp_path, district="Hraboru")
    assert str(refused.value) == "sheets: no district 'Hraboru'; this survey has 'Harbour'"
    many = site_table(streets(20), district=[f"D{i:02d}" for i in range(20)])
    with pytest.raises(OutputError, match=r"'D10', 'D11' and 8 more$"):
        make_sheets(saved_survey(many), out=tmp_path, district="x")
    assert list(tmp_path.iterdir()) == []


def test_unknown_feeder_and_page(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"sheets: no feeder '9'; this survey has 'Feeder 1', 'Feeder 2'$"):
        make_sheets(town(3), out=tmp_path, feeder="9")
    with pytest.raises(OutputError, match="sheets: no page 'a5'; choose one of letter, a4, tabloid, a3"):
        make_sheets(town(3), out=tmp_path, page="a5")


def test_nothing_to_print(tmp_path: Path) -> None:
    sites = site_table(streets(2), district=["A", "B"], feeder=["1", "2"])
    with pytest.raises(OutputError, match="sheets: no site of feeder '2' in district 'A'; nothing to print"):
        make_sheets(saved_survey(sites), out=tmp_path, district="A", feeder="2")
    with pytest.raises(OutputError, match="sheets: no site of this survey; nothing to print"):
        make_sheets(town(0), out=tmp_path)
    with pytest.raises(OutputError, match="no district 'A'; this survey has none"):
        make_sheets(town(0), out=tmp_path, district="A")


def test_sites_without_a_place_are_still_in_the_table(tmp_path: Path) -> None:
    sites = site_table(streets(5))
    sites.loc[[1, 3], ["lon", "lat"]] = np.nan
    saved = saved_survey(sites)
    path = print_harbour(saved, tmp_path)
    assert_table_is_whole(path, saved)
    assert "Without a place, in the table only: 2." in pages(path)[0].replace("\n", " ")
    sites[["lon", "lat"]] = np.nan
    path = print_harbour(saved_survey(sites), tmp_path)
    assert [text.splitlines()[1] for text in pages(path)] == ["Points 1 of 1", "Table 1 of 1"]


def test_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_self: Path, _data: bytes) -> int:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="the disk is full; free some space"):
        make_sheets(town(3), out=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_out_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(OutputError, match="is a file; give a folder"):
        make_sheets(town(3), out=tmp_path / "x")


def test_five_hundred_sites_are_all_in_the_table(tmp_path: Path) -> None:
    saved = town(500)
    path = print_harbour(saved, tmp_path)
    text = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True).stdout
    assert "Harbour" in text
    assert all(site in text for site in saved.sites["site_id"])


def test_places_that_are_normally_open_are_on_the_map_and_in_the_legend(tmp_path: Path) -> None:
    sites = site_table(streets(12))
    open_places = [[float(sites["lon"][0]), float(sites["lat"][0])]]
    with_open = print_harbour(saved_survey(sites, record={"open_places": open_places}), tmp_path / "a")
    without = print_harbour(saved_survey(sites), tmp_path / "b")
    assert "Normally open" in pages(with_open)[0]
    assert "Normally open" not in pages(without)[0]


def test_what_a_what_if_changes_is_on_the_map_and_in_the_legend(tmp_path: Path) -> None:
    sites = site_table(streets(12))
    place = {"lon": float(sites["lon"][0]), "lat": float(sites["lat"][0])}
    nowhere = {"lon": None, "lat": None}
    changes = [{"id": "S-1", "text": "S-1 made three-pole", **where} for where in (place, nowhere)]
    changed = saved_survey(sites, record={"changes_shown": changes})
    assert "Changed in this what-if" in pages(print_harbour(changed, tmp_path / "a"))[0]
    assert "Changed in this what-if" not in pages(print_harbour(saved_survey(sites), tmp_path / "b"))[0]
    content = sheet_content(changed, district=None, feeder=None)
    assert content.changes_m == pytest.approx(content.xy_m[:1], abs=0.1)


@pytest.mark.parametrize("typed", ["Peñas Altas", "penas altas", "PEÑAS  ALTAS"])
def test_a_district_is_found_in_any_letter_case_and_without_accents(typed: str) -> None:
    sites = site_table(streets(4), district=["Peñas Altas", "Harbour", "Peñas Altas", "Harbour"])
    assert set(choose(sites, district=typed, feeder=None)["district"]) == {"Peñas Altas"}


def test_a_district_as_it_is_spelled_wins_over_one_in_another_case() -> None:
    sites = site_table(streets(4), district=["North", "north", "NORTH", "north"])
    counts = [len(choose(sites, district=name, feeder=None)) for name in ("North", "north", "nOrTh")]
    assert counts == [1, 2, 4]


def test_nothing_is_set_smaller_than_seven_points(tmp_path: Path) -> None:
    sizes: set[float] = set()

    def note(text: str, _matrix: list[float], place: list[float], _font: object, size: float) -> None:
        if text.strip():
            sizes.add(round(size * abs(place[3] or place[1]), 2))

    for page in PdfReader(print_harbour(town(60), tmp_path)).pages:
        page.extract_text(visitor_text=note)
    assert len(sizes) > 3
    assert min(sizes) >= 7


def test_bands_are_apart_in_grey() -> None:
    grey = [np.dot([int(colour[k : k + 2], 16) for k in (1, 3, 5)], [0.299, 0.587, 0.114])
            for colour in hazard_colours(np.array(BAND_HAZARDS))]  # fmt: skip
    assert (-np.diff(grey)).min() > 30
    assert len({(mark.shape, RADII[mark.shape]) for mark in BAND_MARKS}) == len(BAND_MARKS)
