"""Result tables in Arrow and CSV."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_survey import findings, sites, small_survey, switching_points

from survey.report.tables import (
    arrow_table,
    columns_of,
    described_columns,
    fixed_decimals,
    guard,
    read_csv,
    unguard,
    write_csv,
)

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
FORMULAS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # the last four are full-width
RISKY = st.sampled_from(["", *FORMULAS, "'", "'=", "''+", "'\uff1d"])


def written(frame: pd.DataFrame, path: Path, *, table: str) -> bytes:
    write_csv(arrow_table(frame, table=table), path, table=table)
    return path.read_bytes()


def test_findings_bytes(tmp_path: Path) -> None:
    assert written(findings(), tmp_path / "f.csv", table="findings").decode() == (
        "\ufeffseverity,rule,layer,count,sites,span,ids,message,lon,lat\n"
        '"error","bad_kva","transformers",1,,,"T-5","\'@x",,\n'
        '"warning","far_off","switches",2,,,,,-99.5000000,36.1234568\n'
    )


def test_described_columns_come_first_and_own_columns_after_them() -> None:
    frame = switching_points()
    frame.insert(0, "extra_text", "x")
    frame.insert(1, "extra_flag", [True, False])
    frame.insert(2, "extra_ratio", 0.5)
    columns = columns_of(frame, table="switching_points")
    names = [column.name for column in described_columns("switching_points")]
    assert [column.name for column in columns] == [*names, "extra_text", "extra_flag", "extra_ratio"]
    assert [(column.kind, column.decimals) for column in columns[-3:]] == [("text", 0), ("integer", 0), ("number", 6)]


def test_contract_order_of_sites() -> None:
    first = [column.name for column in described_columns("sites")][:9]
    assert first == ["rank", "site_id", "feeder", "district", "status", "band", "score", "priority", "kva"]


def test_a_missing_column_is_a_defect() -> None:
    with pytest.raises(KeyError, match="table sites lacks kva, xm_ohm"):
        arrow_table(sites().drop(columns=["kva", "xm_ohm"]), table="sites")


def test_cells_as_a_spreadsheet_reads_them(tmp_path: Path) -> None:
    written(sites(), tmp_path / "s.csv", table="sites")
    with (tmp_path / "s.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["site_id"] for row in rows] == ["T-1", "'=SUM(A1)", 'Ü "quoted", <b>é</b>', "T-4", "T-5"]
    assert rows[2]["notes"] == "'-1\n2"
    assert (rows[0]["score"], rows[0]["priority"]) == ("91.2", "95.0")
    assert (rows[0]["lon"], rows[0]["path_length_m"], rows[0]["peak_pu"]) == ("-99.0000000", "123.5", "4.123")
    assert (rows[3]["kva"], rows[4]["kva"], rows[3]["score"], rows[4]["district"]) == ("", "", "", "")


def test_round_trip(tmp_path: Path) -> None:
    written(sites(), tmp_path / "s.csv", table="sites")
    back = read_csv(tmp_path / "s.csv", table="sites")
    expected = sites().replace([np.inf], np.nan)
    decimals = {c.name: c.decimals for c in described_columns("sites") if c.kind == "number"}
    pd.testing.assert_frame_equal(back, expected.round(decimals), check_dtype=False)
    assert {str(back[name].dtype) for name in ("rank", "customers")} == {"int64"}
    assert back["exposed_sites"].isna().all()


def test_own_columns_come_back(tmp_path: Path) -> None:
    frame = switching_points().assign(nothing=None, ratio=[0.5, np.nan], words=["=a", "b"])
    written(frame, tmp_path / "w.csv", table="switching_points")
    back = read_csv(tmp_path / "w.csv", table="switching_points")
    assert [back[name].tolist() for name in ("nothing", "words")] == [["", ""], ["=a", "b"]]
    assert back["ratio"].tolist()[0] == 0.5


def test_text_kept_in_arrow_by_pandas() -> None:
    frame = findings().astype({"message": pd.ArrowDtype(pa.string())})
    assert arrow_table(frame, table="findings")["message"].to_pylist() == ["@x", None]


@pytest.mark.parametrize("name", ["Asset no., plant", '6" duct', "=1+2", "\uff1dcmd", "'quoted", "two\nlines", "@x, y"])
def test_headings_are_quoted_and_guarded_like_cells(tmp_path: Path, name: str) -> None:
    frame = switching_points().assign(**{name: ["=a", "b"]})
    written(frame, tmp_path / "w.csv", table="switching_points")
    with (tmp_path / "w.csv").open(encoding="utf-8-sig", newline="") as file:
        heading, *rows = csv.reader(file)
    assert {len(row) for row in rows} == {len(heading)}
    assert not heading[-1].startswith(FORMULAS)
    back = read_csv(tmp_path / "w.csv", table="switching_points")
    assert back.columns[-1] == name
    assert back[name].tolist() == ["=a", "b"]


def test_empty_table_round_trip(tmp_path: Path) -> None:
    written(findings().iloc[:0], tmp_path / "f.csv", table="findings")
    back = read_csv(tmp_path / "f.csv", table="findings")
    assert list(back.columns) == [column.name for column in described_columns("findings")]
    assert len(back) == 0


def test_text_column_that_holds_numbers() -> None:
    frame = findings().assign(ids=[7, "x"])
    assert arrow_table(frame, table="findings")["ids"].to_pylist() == ["7", "x"]


def test_nullable_and_boolean_columns() -> None:
    frame = switching_points().assign(exposed_sites=pd.array([3, None], dtype="Int64"))
    assert arrow_table(frame, table="switching_points")["exposed_sites"].to_pylist() == [3, None]
    frame = sites().assign(critical=np.array([True, False, True, False, False]))
    assert arrow_table(frame, table="sites")["critical"].to_pylist() == [1, 0, 1, 0, 0]


@given(st.lists(st.floats(-1e9, 1e9) | st.none(), min_size=1), st.integers(0, 6))
def test_fixed_decimals(values: list[float | None], decimals: int) -> None:
    texts = fixed_decimals(pa.array(values, pa.float64()), decimals=decimals).cast(pa.string()).to_pylist()
    for value, text in zip(values, texts, strict=True):
        assert (value is None) == (text is None)
        if text is not None:
            assert -Decimal(text).as_tuple().exponent == decimals
            assert abs(float(text) - value) <= 0.5 * 10.0**-decimals + 1e-6 * abs(value) * 1e-6


@given(st.lists(st.builds(lambda start, rest: start + rest, RISKY, TEXTS), min_size=1))
def test_guard_is_safe_and_reversible(texts: list[str]) -> None:
    guarded = guard(pa.array(texts))
    assert not any(text.startswith(FORMULAS) for text in guarded.to_pylist())
    assert unguard(guarded).to_pylist() == texts


@given(st.lists(st.builds(lambda start, rest: start + rest, RISKY, TEXTS), min_size=1, max_size=5))
def test_any_text_survives_the_file(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    frame = pd.DataFrame({**dict.fromkeys(findings().columns, ""), "message": texts})
    frame[[column.name for column in described_columns("findings") if column.kind != "text"]] = np.nan
    path = tmp_path_factory.mktemp("text") / "f.csv"
    written(frame, path, table="findings")
    assert read_csv(path, table="findings")["message"].tolist() == texts


def test_same_bytes_again(tmp_path: Path) -> None:
    result = small_survey()
    first, second = (written(result.sites, tmp_path / name, table="sites") for name in ("a.csv", "b.csv"))
    assert first == second
