"""``survey replay``: the worst state of a site, written as changes and surveyed by itself."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from survey.cli import commands, main

SAMPLE = Path(__file__).parents[2] / "sample_data" / "network.gpkg"


def survey(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


def sites(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "sites.csv", keep_default_na=False).set_index("site_id")


def test_a_state_that_is_named_is_proved_by_the_survey_that_replay_names(tmp_path, capsys):
    assert survey("run", SAMPLE, "-o", tmp_path / "out", "--no-study") == 0
    named = sites(tmp_path / "out")
    ring = named.index[(named["status"] == "looped") & (named["tie_worst_id"] != "")][0]
    tied = named.index[(named["status"] == "no_single_pole") & (named["tie_switch_id"] != "")][0]
    for site in (ring, tied):
        capsys.readouterr()
        assert survey("replay", tmp_path / "out", site, "-o", tmp_path / "state.csv") == 0
        said = capsys.readouterr().out
        assert f"{named.loc[site, 'tie_open_id']} open" in said
        assert "--with" in said
        assert "--normal-only" in said
        again = ("run", SAMPLE, "-o", tmp_path / site, "--no-study", "--normal-only", "--with", tmp_path / "state.csv")
        assert survey(*again) == 0
        then, now = sites(tmp_path / site).loc[site], named.loc[site]
        assert (then["worst_switch_id"], then["band"]) == (now["tie_worst_id"], now["tie_band"])
        assert float(then["worst_cable_m"]) == float(now["tie_cable_m"])
        assert then["tie_worst_id"] == ""


def test_an_id_may_begin_with_a_hyphen(tmp_path, capsys):
    assert survey("run", SAMPLE, "-o", tmp_path / "out", "--no-study", "--normal-only") == 0
    assert survey("replay", tmp_path / "out", "-7", "-o", tmp_path / "state.csv") == 1
    assert "no site '-7'" in capsys.readouterr().err


def test_a_state_is_not_written_over_the_export_or_a_survey(tmp_path, capsys):
    export = shutil.copy(SAMPLE, tmp_path / "export.gpkg")
    assert survey("run", export, "-o", tmp_path / "out", "--no-study") == 0
    named = sites(tmp_path / "out")
    site = named.index[named["tie_worst_id"] != ""][0]
    for file, owner in ((export, "export"), (tmp_path / "out" / "sites.csv", "survey")):
        before = Path(file).read_bytes()
        capsys.readouterr()
        assert survey("replay", tmp_path / "out", site, "-o", file) == 1
        assert f"belongs to the {owner}" in capsys.readouterr().err
        assert Path(file).read_bytes() == before


def test_a_site_without_a_state_or_that_is_not_there_is_refused(tmp_path):
    assert survey("run", SAMPLE, "-o", tmp_path / "out", "--no-study", "--normal-only") == 0
    some = sites(tmp_path / "out").index[0]
    for site, words in ((some, "has no state"), ("nobody", "no site 'nobody'")):
        said = CliRunner().invoke(commands, ["replay", str(tmp_path / "out"), site, "-o", str(tmp_path / "x.csv")])
        assert words in str(said.exception)
    assert not (tmp_path / "x.csv").exists()
