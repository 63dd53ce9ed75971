"""``survey run`` as a person uses it: files in, files out, exit status, words."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest
from exports import tables, write_gpkg

from survey.cli import commands, main
from survey.result import CAUTION

OUTPUTS = {
    "sites.csv",
    "switching_points.csv",
    "findings.csv",
    "survey.gpkg",
    "network.parquet",
    "map.html",
    "run.json",
}


CONTRACT = """
    rank, site_id, feeder, district, status, band, score, priority, kva, kv, connection, core, switch_id, switch_device,
    path_length_m, path_cable_m, exposed_cable_m, exposed_sites, exposed_kva, cap_nf, charging_kvar, xc_ohm, xm_ohm,
    xc_xm, charge_loss, limit_length_m, peak_pu, peak_loaded_pu, likelihood, load_needed_kw, load_rule_kw,
    gang_switch_id,
    worst_switch_id, worst_cable_m, worst_peak_pu, minload_kw, customers, critical, action, notes, lon, lat
"""


def survey(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    export = write_gpkg(folder / "net.gpkg")
    assert survey("run", export, "-o", folder / "out", "--no-study") == 0
    return folder / "out"


def read(done, name):
    return pd.read_csv(done / name, keep_default_na=False)


def test_all_files_of_the_contract_are_written(done):
    assert {p.name for p in done.iterdir()} == OUTPUTS


def test_each_site_has_its_row_with_its_switching_point(done):
    sites = read(done, "sites.csv").set_index("site_id")
    assert sorted(sites.index) == ["T1", "T2", "T3", "T4"]
    assert sites.status.to_dict() == {
        "T1": "assessed",
        "T2": "assessed",
        "T3": "not_susceptible",
        "T4": "no_single_pole",
    }
    assert sites.switch_id.to_dict() == {"T1": "R1", "T2": "R1", "T3": "R2", "T4": ""}
    walked = sites.path_length_m.astype(float).to_dict()
    assert walked == pytest.approx({"T1": 80.0, "T2": 180.0, "T3": 180.0, "T4": 700.0}, abs=0.1)


def test_section_is_all_that_hangs_on_the_riser_open_point_excluded(done):
    points = read(done, "switching_points.csv").set_index("switch_id")
    assert points.index[points.state == "open"].tolist() == ["OP"]
    points = points[points.state == "closed"]
    assert points.exposed_cable_m.to_dict() == {"R1": 280.0, "R2": 180.0}
    assert points.exposed_sites.to_dict() == {"R1": 2, "R2": 1}


def test_gang_switch_between_is_named_and_lowers_the_score(done):
    sites = read(done, "sites.csv").set_index("site_id")
    assert sites.gang_switch_id.to_dict() == {"T1": "", "T2": "G1", "T3": "", "T4": ""}


def test_columns_come_in_the_order_of_the_contract(done):
    contract = re.findall(r"\w+", CONTRACT)
    assert [c for c in read(done, "sites.csv").columns if c in contract] == contract


def test_without_the_study_its_columns_are_empty_not_invented(done):
    sites = read(done, "sites.csv")
    for column in ("peak_pu", "peak_loaded_pu", "likelihood", "load_needed_kw", "worst_peak_pu"):
        assert set(sites[column]) == {""}


def test_record_holds_both_sides_of_the_sums_and_the_caution(done):
    record = json.loads((done / "run.json").read_text())
    assert record["caution"] == CAUTION
    assert record["counts"]["cables"]["in"] == record["counts"]["cables"]["used"] == 7
    assert record["counts"]["switches"]["in"] == 4
    assert sum(record["sites"]["status"].values()) == 4
    assert set(record["seconds"]) >= {"read", "network", "assess", "collect"}
    assert record["settings"]["network"]["snap_m"] == 0.5


def test_summary_says_what_matters(tmp_path, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("run", export, "-o", tmp_path / "out", "--no-study") == 0
    said = capsys.readouterr()
    assert "4 three-phase sites, 2 single-pole switching points, 1 more normally open" in said.out
    assert "2 assessed, 1 no single pole, 1 not susceptible" in said.out
    assert "scores come from the screening margin alone" in said.out
    assert CAUTION in said.out
    assert str(tmp_path / "out") in said.out
    assert said.err == ""


def test_sites_on_rings_are_told_first_too_and_no_misfit(tmp_path, capsys):
    layers = tables()
    layers["switches"]["state"] = "closed"
    assert survey("run", write_gpkg(tmp_path / "net.gpkg", layers), "-o", tmp_path / "out") == 0
    table = pd.read_csv(tmp_path / "out" / "sites.csv", keep_default_na=False)
    ring = table[(table["status"] == "looped") & table["band"].isin(["severe", "high"])]
    assert len(ring)
    said = capsys.readouterr().out
    assert f"once the ring is opened, see action: {', '.join(ring['site_id'])}" in " ".join(said.split())
    assert "LOOK HERE FIRST" not in said


def test_strict_turns_error_findings_into_exit_status_1_after_writing(tmp_path):
    layers = tables()
    layers["transformers"].loc[0, "kva"] = -5.0
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    assert survey("run", export, "-o", tmp_path / "lax", "--no-study") == 0
    assert survey("run", export, "-o", tmp_path / "out", "--no-study", "--strict") == 1
    assert {p.name for p in (tmp_path / "out").iterdir()} == OUTPUTS


def test_a_refusal_is_one_line_and_leaves_nothing(tmp_path, capsys):
    layers = tables()
    del layers["switches"]
    export = write_gpkg(tmp_path / "net.gpkg", layers)
    assert survey("run", export, "-o", tmp_path / "out") == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert "switches" in said.err
    assert "cables" in said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("arguments", [["run"], ["run", "x"], ["nonsense"], ["run", "x", "-o", "y", "--colour"]])
def test_a_wrong_command_line_is_exit_status_2(arguments):
    assert survey(*arguments) == 2


def test_same_input_same_bytes_whatever_the_row_order_and_hash_seed(tmp_path):
    layers = tables()
    write_gpkg(tmp_path / "a.gpkg", layers)
    write_gpkg(tmp_path / "b.gpkg", {k: df.sample(frac=1, random_state=3) for k, df in layers.items()})
    for name, seed in (("a", "1"), ("b", "2")):
        command = [sys.executable, "-m", "survey", "run", f"{name}.gpkg", "-o", name, "--no-study"]
        subprocess.run(
            command, check=True, cwd=tmp_path, env=os.environ | {"PYTHONHASHSEED": seed}, capture_output=True
        )
    for table in ("sites.csv", "switching_points.csv", "findings.csv"):
        assert (tmp_path / "a" / table).read_bytes() == (tmp_path / "b" / table).read_bytes()


@pytest.mark.parametrize("empty", ["cables", "transformers", "switches", "sources"])
def test_an_empty_layer_is_surveyed(empty, tmp_path):
    layers = tables()
    layers[empty] = layers[empty].iloc[:0]
    assert survey("run", write_gpkg(tmp_path / "net.gpkg", layers), "-o", tmp_path / "out", "--no-study") == 0
    assert len(read(tmp_path / "out", "sites.csv")) == (0 if empty == "transformers" else 4)


def test_a_file_that_no_survey_wrote_is_not_replaced(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "findings.csv").write_text("somebody else's\n")
    export = write_gpkg(tmp_path / "net.gpkg")
    assert survey("run", export, "-o", out, "--no-study") == 1
    said = capsys.readouterr().err
    assert "'findings.csv' there was not written by this command (no run.json beside it)" in said
    assert [(p.name, p.read_text()) for p in out.iterdir()] == [("findings.csv", "somebody else's\n")]


def test_ctrl_c_leaves_the_output_folder_as_it_was(tmp_path):
    export = write_gpkg(tmp_path / "net.gpkg")
    out = tmp_path / "out"
    out.mkdir()
    for name in ("sites.csv", "run.json"):
        (out / name).write_text("from before\n")
    code = (
        "import survey.report.outputs as o, time, sys\n"
        "def slow(*a, **k):\n    print('writing', flush=True); time.sleep(60)\n"
        "o._write_all = slow\n"
        "from survey.cli import main\n"
        f"main(['run', {str(export)!r}, '-o', {str(out)!r}, '--no-study'])\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "writing\n"
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 1
    # the first line break ends the terminal's own ^C
    assert said.split("\n", 1)[1].splitlines() == ["survey: interrupted; the output folder is as it was before"]
    assert sorted(p.name for p in out.iterdir()) == ["run.json", "sites.csv"]
    assert (out / "sites.csv").read_text() == "from before\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["net.gpkg", "out"]


def test_help_is_quick_and_names_every_command():
    start = os.times()
    said = subprocess.run([sys.executable, "-m", "survey", "--help"], check=True, capture_output=True, text=True).stdout
    used = os.times().children_user - start.children_user
    assert all(f"  {command}" in said for command in commands.commands)
    assert "..." not in said.partition("Commands:")[2]
    assert all(len(command.get_short_help_str(200)) <= 62 for command in commands.commands.values())
    assert used < 0.5
    loaded = "import sys, survey.cli; print({'numpy', 'pandas', 'numba'} & set(sys.modules))"
    said = subprocess.run([sys.executable, "-c", loaded], check=True, capture_output=True, text=True).stdout
    assert said == "set()\n"


@pytest.mark.parametrize(("words", "status"), [(["--version"], 0), (["run", "none.gpkg", "-o", "out"], 1), (["no"], 2)])
def test_a_process_ends_with_its_status_and_puts_away_what_is_to_be_put_away(words, status, tmp_path):
    code = "import atexit, sys, survey.cli\natexit.register(print, 'put away')\nsurvey.cli.process()"
    ended = subprocess.run(
        [sys.executable, "-c", code, *words], check=False, cwd=tmp_path, capture_output=True, text=True
    )
    assert ended.returncode == status
    assert ended.stdout.endswith("put away\n")
    assert ("version" in ended.stdout) == (status == 0)
    assert ended.stderr.startswith("survey: ") == (status == 1)


@pytest.mark.parametrize("study", [["--no-study"], []])
def test_an_export_without_a_three_phase_site_is_surveyed_and_has_nothing_to_plan(study, tmp_path, capsys):
    frames = tables()
    frames["transformers"] = frames["transformers"].iloc[:0]
    out = tmp_path / "out"
    assert survey("run", write_gpkg(tmp_path / "net.gpkg", frames), "-o", out, *study) == 0
    assert len((out / "sites.csv").read_text().splitlines()) == 1
    capsys.readouterr()
    assert survey("plan", out, "--budget", "2") == 1
    assert capsys.readouterr().err == f"survey: {out}: plan: no site of this survey; nothing to plan\n"
