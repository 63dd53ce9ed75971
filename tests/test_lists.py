"""Lists as spreadsheets save them."""

from __future__ import annotations

import pytest

from survey.errors import SettingsError
from survey.lists import read_list
from survey.planning.terms import read_costs, read_ids
from survey.what_if.edits import read_changes
from survey.what_if.sign_offs import read_signed_off

ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be")


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("divider", [",", ";", "\t"])
def test_every_list_is_read_however_a_spreadsheet_saved_it(tmp_path, encoding, divider):
    def saved(*rows):
        path = tmp_path / "list.csv"
        path.write_bytes("\r\n".join(divider.join(row) for row in rows).encode(encoding))
        return path

    assert read_ids(saved(("ID", "note"), ("Öl-1", "x"), ("", ""), ("K2", ""))) == {"Öl-1", "K2"}
    cost = "7.5" if divider == "," else "7,5"
    assert read_costs([str(saved(("what", "cost"), ("K=1", cost)))]) == {"K=1": 7.5}
    (change,) = read_changes(saved(("Change", "id", "value"), ("load", "T1", cost)))
    assert (change.change, change.id, change.value) == ("load", "T1", "7.5")
    who = '"A, B"' if divider == "," else "A, B"
    (item,) = read_signed_off(saved(("site_id", "who", "until"), ("T1", who, "2030-12-31")))
    assert (item.site_id, item.who, item.until.isoformat()) == ("T1", "A, B", "2030-12-31")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "lacks column 'id'"),
        (b"name\nK1\n", "lacks column 'id'"),
        (b"id\n\xff\xe9\n", "not a CSV file in UTF-8 or UTF-16"),
        (b'id\n"K1\n', "not a CSV file"),
        (b"\xff\xfei", "not a CSV file"),
    ],
)
def test_what_is_no_list_is_one_line(tmp_path, content, said):
    path = tmp_path / "ids.csv"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=said) as refusal:
        list(read_list(path, "list", needed=("id",)))
    assert "ids.csv" in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_an_id_keeps_its_comma_and_a_line_its_number(tmp_path):
    path = tmp_path / "with.csv"
    path.write_text("change;id;value\n\nload;12,5;3,5\nlost;T1;\n")
    with pytest.raises(SettingsError, match="line 4: lost 'T1'"):
        read_changes(path)
    path.write_text("change;id;value\nload;12,5;3,5\n")
    assert read_changes(path)[0].id == "12,5"


def test_what_our_own_tables_guard_is_read_as_it_was(tmp_path):
    path = tmp_path / "ids.csv"
    path.write_text("id\n'=K1\n'-2\n''=K3\n'K4\n")
    assert read_ids(path) == {"=K1", "-2", "'=K3", "'K4"}
