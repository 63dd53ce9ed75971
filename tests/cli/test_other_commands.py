"""The command line as a whole, ``survey inspect`` and ``survey sheets``, as a person uses them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner
from exports import tables, write_gpkg
from pypdf import PdfReader

from survey.cli import commands, main

RENAMED = {"cable_id": "LINE_NO", "site_id": "UNIT_NO", "switch_id": "SW_NO", "poles": "POLES_CD"}


def survey(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("others")
    export = write_gpkg(folder / "net.gpkg")
    assert survey("run", export, "-o", folder / "out", "--no-study") == 0
    return folder / "out"


def test_inspect_lists_fields_with_their_commonest_values(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("inspect", export) == 0
    said = capsys.readouterr().out
    assert "cables  7 rows, lines, EPSG:32617" in said
    assert "ug (4), oh (3)" in said
    assert "switches = switches" in said


def test_the_draft_runs_as_it_is_under_other_names(tmp_path, capsys):
    layers = {f"net_{name}": frame.rename(columns=RENAMED) for name, frame in tables().items()}
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    assert survey("run", export, "-o", tmp_path / "out", "--no-study") == 1
    assert survey("inspect", export, "-o", tmp_path / "draft.toml") == 0
    assert f"Draft settings in {tmp_path / 'draft.toml'}" in capsys.readouterr().out
    assert survey("run", export, "-s", tmp_path / "draft.toml", "-o", tmp_path / "out", "--no-study") == 0
    assert "4 three-phase sites, 2 single-pole switching points, 1 more normally open" in capsys.readouterr().out


def test_inspect_asks_about_what_is_not_sure(tmp_path):
    frame = tables()
    frame["switches"] = frame["switches"].rename(columns={"poles": "FIELD7", "switch_id": "FIELD1"})
    export = write_gpkg(tmp_path / "net.gpkg", frame)
    said = CliRunner().invoke(commands, ["inspect", str(export), "--ask"], input="1\n" * 30)
    assert said.exit_code == 0
    assert "Number [1]:" in said.output


def test_inspect_shows_no_control_characters(tmp_path, capsys):
    frame = tables()
    frame["switches"]["device"] = "cut\x1b[31mout"
    assert survey("inspect", write_gpkg(tmp_path / "net.gpkg", frame)) == 0
    said = capsys.readouterr().out
    assert "\x1b" not in said
    assert "cut?[31mout (4)" in said


def test_a_draft_that_cannot_be_written_is_one_line(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("inspect", export, "-o", export / "draft.toml") == 1
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert "draft.toml" in said


def test_sheets_of_a_district_hold_its_sites(done, tmp_path, capsys):
    assert survey("sheets", done, "--district", "North", "--page", "a4", "-o", tmp_path) == 0
    file = tmp_path / "sheets_north.pdf"
    assert capsys.readouterr().out == f"{file}\n"
    text = "\n".join(page.extract_text() for page in PdfReader(file).pages)
    assert all(site in text for site in ("T1", "T2", "T3", "T4"))


def test_sheets_of_an_unknown_district_name_those_that_exist(done, capsys):
    assert survey("sheets", done, "--district", "South") == 1
    said = capsys.readouterr().err
    assert "South" in said
    assert "North" in said


@pytest.mark.parametrize("command", [["plan", "--budget", "3"], ["sheets"], ["run", "-o", "out"]])
def test_what_one_may_not_look_into_is_one_line(command, tmp_path, capsys, monkeypatch):
    asked, closed = Path.stat, tmp_path / "closed"

    def stat(path, **options):
        if path.is_relative_to(closed):
            raise PermissionError(13, "Permission denied", str(path))
        return asked(path, **options)

    monkeypatch.setattr(Path, "stat", stat)
    monkeypatch.chdir(tmp_path)
    assert survey(command[0], closed / "net.gpkg", *command[1:]) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"survey: {closed / 'net.gpkg'}")
    assert said.endswith("Permission denied; ask for the right to use it, or give another path\n")
    assert said.count("\n") == 1


def test_questions_that_nobody_answers_write_nothing(tmp_path):
    frame = tables()
    frame["switches"] = frame["switches"].rename(columns={"poles": "FIELD7", "switch_id": "FIELD1"})
    export, draft = write_gpkg(tmp_path / "net.gpkg", frame), tmp_path / "draft.toml"
    said = CliRunner().invoke(commands, ["inspect", str(export), "--ask", "-o", str(draft)], input="")
    assert str(said.exception) == "inspect --ask: the answers ended before the questions; nothing was written"
    assert not draft.exists()


def test_a_plan_tells_no_rounding_as_a_result(done, capsys):
    assert survey("plan", done, "--budget", "1000000") == 0
    said = capsys.readouterr().out
    assert " of 1,000,000 on " in said
    assert "e-1" not in said


def test_a_draft_goes_on_from_settings_that_hold_already(tmp_path, capsys):
    layers = {f"net_{name}": frame.rename(columns=RENAMED) for name, frame in tables().items()}
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    known, draft = tmp_path / "known.toml", tmp_path / "draft.toml"
    known.write_text("[input.cables.defaults]\nkv = 12.47\n\n[score]\nhigh_s = 30\n")
    assert survey("inspect", export, "-s", known, "-o", draft) == 0
    assert survey("run", export, "-s", draft, "-o", tmp_path / "out", "--no-study") == 0
    assert "high_s = 30" in draft.read_text()
    said = capsys.readouterr()
    assert said.err == ""
    assert survey("inspect", export, "-s", known, "-o", known) == 1
    assert capsys.readouterr().err == (
        f"survey: settings {known}: the draft would be written over them; give another file to -o\n"
    )


def test_a_draft_is_judged_by_the_network_it_makes(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("inspect", export, "-o", tmp_path / "draft.toml") == 0
    said = capsys.readouterr().out
    assert re.search(r"Sites +4 of 4 reached, 3 of them behind a single-pole point; 2 such points placed", said)
    assert re.search(r"Supply +100 % of 1.2 km have a way to one of 1 sources", said)
    assert re.search(r"Cable types +100 % of 0.5 km", said)
    assert re.search(r"Voltages +at 4 of 4 sites", said)
    assert re.search(r"Left out +no layer", said)
    assert "LOOK HERE FIRST" not in said


def overhead_elsewhere():
    """The overhead line lies in a layer of its own, so that the sources feed nothing."""
    layers = tables()
    overhead = layers["cables"]["build"] == "oh"
    return layers | {"cables": layers["cables"][~overhead], "oh_line": layers["cables"][overhead]}


def test_settings_that_leave_a_layer_out_are_told_loudly(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg", overhead_elsewhere())
    settings = tmp_path / "mine.toml"
    settings.write_text("[input.cables]\nlayer = 'cables'  # UNSURE: x\n")
    for command in (["inspect", export, "--check"], ["run", export, "-o", tmp_path / "out", "--no-study"]):
        assert survey(*command, "-s", settings) == 0
        last = capsys.readouterr().out.splitlines()[-1]
        assert last.startswith("LOOK HERE FIRST  layer oh_line of 3 lines is left out (cables: 4)")
        assert "0.5 of 0.5 km have no source" in last
    record = json.loads((tmp_path / "out" / "run.json").read_text())["first_look"]
    assert record["left_out"] == [{"name": "oh_line", "drawn": "lines", "rows": 3}]
    assert len(record["look_first"]) == 2


def test_an_export_without_a_three_phase_site_is_told_loudly(tmp_path, capsys):
    layers = tables()
    layers["transformers"]["phases"] = "A"
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    for command in (["inspect", export, "--check"], ["run", export, "-o", tmp_path / "out", "--no-study"]):
        assert survey(*command) == 0
        last = capsys.readouterr().out.splitlines()[-1]
        assert last.startswith("LOOK HERE FIRST  not one of 4 rows of transformers is a three-phase site")


def test_degrees_read_as_metres_are_told_loudly_and_metres_read_as_degrees_refused(tmp_path, capsys):
    degrees = {}
    for name, frame in tables().items():
        moved = gpd.GeoSeries(frame["geometry"], crs="EPSG:32617").to_crs(4326).to_numpy()
        degrees[name] = frame.assign(geometry=moved)
    assert survey("run", write_gpkg(tmp_path / "deg.gpkg", degrees), "-o", tmp_path / "out", "--no-study") == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert re.match(r"LOOK HERE FIRST  all cables lie within [\d.]+ m: look at their coordinate system", last)
    metres = write_gpkg(tmp_path / "m.gpkg", crs="EPSG:4326")
    assert survey("run", metres, "-o", tmp_path / "out2", "--no-study") == 1
    said = capsys.readouterr().err
    assert "are no degrees, as coordinate system 'WGS 84' has them" in said
    assert len(said.strip().splitlines()) == 1


def test_the_frequency_that_is_taken_is_told(tmp_path):
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("inspect", export, "-o", tmp_path / "draft.toml") == 0
    drafted = (tmp_path / "draft.toml").read_text()
    assert "frequency_hz = 60  # UNSURE" in drafted
    (tmp_path / "50.toml").write_text(drafted.replace("frequency_hz = 60", "frequency_hz = 50"))
    for name, more, told in (("a", (), 1), ("b", ("-s", tmp_path / "50.toml"), 0)):
        assert survey("run", export, "-o", tmp_path / name, "--no-study", *more) == 0
        found = (tmp_path / name / "findings.csv").read_text(encoding="utf-8-sig")
        assert found.count("the frequency of the supply; taken as 60 Hz") == told


def test_a_plan_that_replaces_every_point_is_no_sign_of_settings_that_do_not_fit(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    names = [*tables()["switches"]["switch_id"]]
    changes = tmp_path / "with.csv"
    changes.write_text("change,id\n" + "".join(f"three_pole,{name}\n" for name in names))
    assert survey("run", export, "-o", tmp_path / "out", "--no-study", "--with", changes) == 0
    assert "LOOK HERE FIRST" not in capsys.readouterr().out


def test_a_layer_that_nothing_fits_is_told_once(tmp_path, capsys):
    layers = {name: frame for name, frame in tables().items() if name != "sources"}
    assert survey("inspect", write_gpkg(tmp_path / "net.gpkg", layers)) == 0
    assert "\nsources: no layer fits\n" in capsys.readouterr().out


def test_sites_that_no_single_pole_device_takes_off_supply_are_told_loudly(tmp_path, capsys):
    layers = tables()
    layers["switches"]["poles"] = "three"
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    for command in (["inspect", export, "--check"], ["run", export, "-o", tmp_path / "out", "--no-study"]):
        assert survey(*command) == 0
        last = capsys.readouterr().out.splitlines()[-1]
        assert last.startswith("LOOK HERE FIRST  no single-pole device takes 4 of 4 sites off supply")


def test_voltages_to_neutral_are_told_as_such(tmp_path, capsys):
    layers = tables()
    layers["cables"]["kv"] = 7.2
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    assert survey("inspect", export, "--check") == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert "the voltages of 4 of 4 sites and of the cable there differ, most as if one was to neutral" in last


def test_a_layer_that_is_no_part_of_the_network_can_be_named(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg", overhead_elsewhere())
    settings = tmp_path / "mine.toml"
    settings.write_text("[input]\nignore = ['OH_LINE']\n")
    assert survey("inspect", export, "--check", "-s", settings) == 0
    assert "oh_line" not in capsys.readouterr().out


def test_a_draft_that_cannot_be_surveyed_yet_is_told_and_kept(tmp_path, capsys):
    layers = tables()
    del layers["switches"]
    assert survey("inspect", write_gpkg(tmp_path / "net.gpkg", layers), "-o", tmp_path / "draft.toml") == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith("LOOK HERE FIRST  the draft cannot be surveyed as it is: ")
    assert "'switches' is missing" in last
    assert not last.endswith("survey inspect")
    assert (tmp_path / "draft.toml").exists()
