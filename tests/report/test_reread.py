"""Reading an output folder back."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import shapely
from small_survey import small_survey

from survey.errors import OutputError
from survey.report import outputs, read_results, write_outputs


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(outputs, "_write_map", lambda _, path: path.write_text("x"))
    write_outputs(small_survey(), tmp_path / "OUT")
    return tmp_path / "OUT"


def test_everything_comes_back(folder: Path) -> None:
    saved, result = read_results(folder), small_survey()
    assert saved.sites["site_id"].tolist() == result.sites["site_id"].tolist()
    assert saved.switching_points["exposed_sites"].tolist() == [2, 1]
    assert saved.findings["message"].tolist() == ["@x", ""]
    assert saved.record["counts"] == {"sites": 5}
    assert saved.crs == result.crs
    assert [point is None for point in saved.site_points] == [False] * 4 + [True]
    assert [point is None for point in saved.switch_points] == [False, True]


def test_drawn_things(folder: Path) -> None:
    saved, result = read_results(folder), small_survey()
    assert shapely.equals(saved.sections.geometry.to_numpy(), result.section_lines).all()
    assert saved.network["cable_id"].tolist() == ["C-1", "C-2", "C-3", "C-4"]
    assert all(frame.crs == result.crs for frame in (saved.sections, saved.network))


def test_tables_only(folder: Path) -> None:
    whole, tables = read_results(folder), read_results(folder, drawn=False)
    pd.testing.assert_frame_equal(tables.sites, whole.sites)
    assert (len(tables.sections), len(tables.network)) == (0, 0)
    assert tables.sections.columns.tolist() == whole.sections.columns.tolist()
    assert set(tables.network.columns) == set(whole.network.columns)


def test_no_such_folder_and_no_survey(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"survey .*none: no such folder; give the output folder of 'survey run'"):
        read_results(tmp_path / "none")
    with pytest.raises(OutputError, match="not a survey; give the output folder"):
        read_results(tmp_path)


@pytest.mark.parametrize("name", sorted({*outputs.OUTPUT_FILES} - {"map.html"}))
@pytest.mark.parametrize("drawn", [True, False])
def test_damage_names_the_file(folder: Path, name: str, drawn: bool) -> None:
    whole = (folder / name).read_bytes()
    (folder / name).write_bytes(whole[: len(whole) // 3])
    with pytest.raises(OutputError, match=rf"survey .*OUT: {name} cannot be read \(.*\); run the survey again"):
        read_results(folder, drawn=drawn)
    (folder / name).unlink()
    with pytest.raises(OutputError, match=f"{name} missing; run the survey again"):
        read_results(folder, drawn=drawn)


def test_a_table_that_lacks_a_column(folder: Path) -> None:
    frame = pd.read_csv(folder / "sites.csv").drop(columns=["priority", "band"])
    frame.to_csv(folder / "sites.csv", index=False)
    with pytest.raises(OutputError, match=r"sites.csv cannot be read .*lacks band, priority"):
        read_results(folder)


def test_a_parquet_file_that_is_no_network(folder: Path) -> None:
    pd.DataFrame({"a": [1]}).to_parquet(folder / "network.parquet")
    for drawn in (True, False):
        with pytest.raises(OutputError, match=r"network.parquet cannot be read"):
            read_results(folder, drawn=drawn)
