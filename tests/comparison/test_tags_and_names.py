"""What a comparison must not do: take a tag away for want of knowledge, lose a renamed site, or act on a what-if."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from exports import place, tables, write_gpkg
from shapely.geometry import Point

from survey.cli import main


def command(*arguments):
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


def run(folder, name, change=lambda _: None, *more):
    layers = tables()
    change(layers)
    export = write_gpkg(folder / f"{name}.gpkg", layers)
    assert command("run", export, "-o", folder / name, "--no-study", *more) == 0
    return folder / name


def compared(folder, old, new):
    assert command("compare", old, new, "-o", folder / "diff") == 0
    read = [pd.read_csv(folder / "diff" / f"{name}.csv", keep_default_na=False) for name in ("changes", "tags")]
    return read[0].set_index("site_id"), read[1].set_index("site_id")


def without_kva(layers):
    layers["transformers"].loc[0, "kva"] = np.nan


def gone(layers):
    layers["transformers"] = layers["transformers"].iloc[1:]


def cut_off(layers):
    layers["switches"].loc[layers["switches"].switch_id == "R1", "state"] = "open"
    layers["transformers"].loc[0, "geometry"] = Point(*place(200, 3000))


@pytest.mark.parametrize(
    ("change", "why"),
    [(without_kva, "not assessable"), (gone, "not in the new survey"), (cut_off, "unreached")],
)
def test_what_is_unknown_now_keeps_its_tag_and_is_counted(tmp_path, change, why, capsys):
    old, new = run(tmp_path, "a"), run(tmp_path, "b", change)
    _, tags = compared(tmp_path, old, new)
    row = tags.loc["T1"]
    assert row["from"] == row["to"] == "three-pole only"
    assert row["reason"].startswith(f"keep, now unknown: {why}")
    assert "to keep: the site was tagged and is unknown now" in capsys.readouterr().out
    record = json.loads((tmp_path / "diff" / "compare.json").read_text(encoding="utf-8"))
    assert record["tags"]["keep_unknown"] == (tags["from"] == tags["to"]).sum()
    assert applied({"T1": "three-pole only"}, tags) == {"T1": "three-pole only"}


def applied(records, tags):
    """Records with the rows of ``tags.csv`` made: each where its ``from`` stands."""
    out = dict(records)
    for site, row in tags.iterrows():
        if out.get(site) == row["from"]:
            out[site] = row["to"]
    return out


def protected(layers):
    layers["switches"].loc[layers["switches"].switch_id == "R1", "poles"] = "three"


@pytest.mark.parametrize("kept", ["three-pole only", ""])
def test_a_tag_kept_while_its_site_was_unknown_is_given_back_when_it_is_judged_lower(tmp_path, kept, capsys):
    unknown, safe = run(tmp_path, "b", without_kva), run(tmp_path, "c", protected)
    _, tags = compared(tmp_path, unknown, safe)
    assert "1 site is judged again" in capsys.readouterr().out
    once = applied({"T1": kept}, tags)
    assert once["T1"] == ""
    assert applied(once, tags) == once


def test_a_tag_kept_while_its_site_was_unknown_stays_where_it_is_still_due(tmp_path):
    _, tags = compared(tmp_path, run(tmp_path, "b", without_kva), run(tmp_path, "c"))
    for kept in ("three-pole only", ""):
        assert applied({"T1": kept}, tags)["T1"] == "three-pole only"


def test_only_a_judged_and_lower_site_gives_its_tag_back(tmp_path):
    _, tags = compared(tmp_path, run(tmp_path, "a"), run(tmp_path, "b", protected))
    assert tags.loc["T1", ["from", "to"]].tolist() == ["three-pole only", ""]


def renamed(layers):
    layers["transformers"].loc[0, "site_id"] = "T1-NEW"


def test_a_renamed_site_is_a_rename(tmp_path):
    changes, tags = compared(tmp_path, run(tmp_path, "a"), run(tmp_path, "b", renamed))
    assert changes.index.tolist() == ["T1-NEW"]
    row = changes.loc["T1-NEW"]
    assert (row["change"], row["causes"], row["detail"]) == ("same", "renamed", "site T1 -> T1-NEW")
    assert row["priority_old"] == row["priority_new"]
    assert tags.empty


def test_sites_and_devices_with_new_names_are_renames(tmp_path):
    def migrated(layers):
        for layer, key in (("transformers", "site_id"), ("switches", "switch_id")):
            layers[layer][key] = "GIS2-" + layers[layer][key].astype(str)

    changes, tags = compared(tmp_path, run(tmp_path, "a"), run(tmp_path, "b", migrated))
    assert set(changes["change"]) == {"same"}
    assert changes["causes"].str.startswith("renamed").all()
    assert "site T1 -> GIS2-T1" in changes.loc["GIS2-T1", "detail"]
    assert tags.empty


def test_a_new_site_elsewhere_or_on_another_circuit_is_no_rename(tmp_path):
    def moved(layers):
        renamed(layers)
        layers["transformers"].loc[0, "geometry"] = Point(*place(203, 80))

    def other(layers):
        renamed(layers)
        layers["transformers"].loc[0, "kva"] = 500.0

    old = run(tmp_path, "a")
    for name, change in (("b", moved), ("c", other)):
        changes, _ = compared(tmp_path, old, run(tmp_path, name, change))
        assert changes.loc[["T1", "T1-NEW"], "change"].tolist() == ["gone", "new"]


@pytest.mark.parametrize("hypothetical", ["OLD", "NEW"])
def test_a_what_if_is_said_loudly_and_asks_for_no_tags(tmp_path, hypothetical, capsys):
    listed = tmp_path / "with.csv"
    listed.write_text("change,id\nthree_pole,R1\n")
    plain, tried = run(tmp_path, "a"), run(tmp_path, "b", lambda _: None, "--with", listed)
    sides = (plain, tried) if hypothetical == "NEW" else (tried, plain)
    capsys.readouterr()
    changes, tags = compared(tmp_path, *sides)
    assert len(changes)
    assert tags.empty
    said = f"{hypothetical} is a WHAT-IF: 1 change"
    assert said in capsys.readouterr().out
    assert said in (tmp_path / "diff" / "changes.html").read_text(encoding="utf-8")


def test_surveys_are_named_by_data_day_and_settings(tmp_path, capsys):
    import os

    os.utime(write_gpkg(tmp_path / "net.gpkg"), (1_900_000_000, 1_900_000_000))
    trusting = tmp_path / "own.toml"
    trusting.write_text("[score]\ngang_trust = 0.75\n")
    for name, more in (("a", ()), ("b", ("-s", trusting))):
        assert command("run", tmp_path / "net.gpkg", "-o", tmp_path / name, "--no-study", *more) == 0
    capsys.readouterr()
    compared(tmp_path, tmp_path / "a", tmp_path / "b")
    said = capsys.readouterr().out.splitlines()
    assert said[0].split(None, 1)[1] == "net.gpkg, data of 2030-03-17, study.run False"
    assert said[1].split(None, 1)[1] == "net.gpkg, data of 2030-03-17, score.gang_trust 0.75, study.run False"
    assert said[2] == "Settings    differ, and figures with them: score.gang_trust 0.5 -> 0.75"


def test_a_comparison_is_not_written_into_an_export_or_over_files_of_others(tmp_path, capsys):
    old, new = run(tmp_path, "a"), run(tmp_path, "b")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "changes.csv").write_text("mine")
    for out, words in ((tmp_path, "holds the export"), (tmp_path / "mine", "'changes.csv' there was not written by")):
        before = sorted(p.name for p in out.iterdir())
        capsys.readouterr()
        assert command("compare", old, new, "-o", out) == 1
        assert words in capsys.readouterr().err
        assert sorted(p.name for p in out.iterdir()) == before


def test_what_only_other_settings_changed_is_put_down_to_them(tmp_path):
    write_gpkg(tmp_path / "net.gpkg")
    for name, more in (("a", ()), ("b", ("--no-study",))):
        assert command("run", tmp_path / "net.gpkg", "-o", tmp_path / name, *more) == 0
    changes, _ = compared(tmp_path, tmp_path / "a", tmp_path / "b")
    assert "settings" in set(changes["causes"])
    assert "assumptions" not in set(changes["causes"])
