"""Sign-offs, comparison and tags on real surveys: a year of changes played through."""

from __future__ import annotations

import pandas as pd
import pytest
from exports import tables, write_gpkg

from survey.cli import main
from survey.findings import FindingList
from survey.read import read_network
from survey.settings import build_settings
from survey.what_if.edits import Change, apply_changes


def survey(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


def run(folder, name, change=lambda _: None, *more):
    layers = tables()
    change(layers)
    export = write_gpkg(folder / f"{name}.gpkg", layers)
    assert survey("run", export, "-o", folder / name, "--no-study", *more) == 0
    return folder / name


def compared(folder, old, new):
    assert survey("compare", old, new, "-o", folder / "diff") == 0
    return pd.read_csv(folder / "diff" / "changes.csv", keep_default_na=False), pd.read_csv(
        folder / "diff" / "tags.csv", keep_default_na=False
    )


def longer_cable(layers):
    layers["cables"].loc[layers["cables"].cable_id == "C3", "length_m"] = 600.0


def other_transformer(layers):
    layers["transformers"].loc[0, ["kva", "nll_w"]] = [75.0, 180.0]


def with_load(layers):
    layers["transformers"].loc[0, "minload_kw"] = 60.0


def three_pole(layers):
    layers["switches"].loc[layers["switches"].switch_id == "R1", "poles"] = "three"


def without_loss(layers):
    layers["transformers"].loc[0, "nll_w"] = float("nan")


def test_a_survey_compared_with_itself_has_no_changes(tmp_path, capsys):
    out = run(tmp_path, "a")
    changes, tags = compared(tmp_path, out, out)
    assert changes.empty
    assert tags.empty
    assert "nothing changed" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (longer_cable, "cable 280 to 780 m"),
        (other_transformer, "rating 300 to 75 kva"),
        (with_load, "load 0 to 60 kw"),
        (three_pole, "no worst single-pole point any more"),
        (without_loss, "now assumed: no-load loss"),
    ],
)
def test_each_cause_is_named(tmp_path, change, word):
    changes, _ = compared(tmp_path, run(tmp_path, "a"), run(tmp_path, "b", change))
    row = changes[changes.site_id == "T1"].iloc[0]
    assert word in row.why.lower()
    assert changes.why.str.len().max() <= 80
    assert not changes.detail.str.contains("\n").any()


def test_worse_one_way_is_better_the_other(tmp_path):
    a, b = run(tmp_path, "a"), run(tmp_path, "b", three_pole)
    there, tags_there = compared(tmp_path, a, b)
    back, tags_back = compared(tmp_path, b, a)
    turned = {"better": "worse", "worse": "better", "same": "same", "new": "gone", "gone": "new"}
    assert dict(zip(there.site_id, there.change.map(turned), strict=True)) == dict(
        zip(back.site_id, back.change, strict=True)
    )
    assert sorted(zip(tags_there.site_id, tags_there["from"], strict=True)) == sorted(
        zip(tags_back.site_id, tags_back["to"], strict=True)
    )


def test_sites_that_come_and_go(tmp_path):
    def gone(layers):
        layers["transformers"] = layers["transformers"].iloc[1:]

    changes, _ = compared(tmp_path, run(tmp_path, "a"), run(tmp_path, "b", gone))
    assert changes.set_index("site_id").change["T1"] == "gone"


def test_comparing_what_is_no_survey_is_one_line(tmp_path, capsys):
    out = run(tmp_path, "a")
    capsys.readouterr()
    assert survey("compare", out, tmp_path, "-o", tmp_path / "diff") == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not (tmp_path / "diff").exists()


def sign(folder, **values):
    row = {"site_id": "T1", "who": "An Engineer", "until": "2030-01-01", "note": "lamp load kept on"} | values
    path = folder / "signed.csv"
    pd.DataFrame([row]).to_csv(path, index=False)
    return path


def circuit_of(out, site="T1"):
    return pd.read_csv(out / "sites.csv").set_index("site_id").circuit[site]


def rules(out):
    return set(pd.read_csv(out / "findings.csv").rule)


def signed(out, site="T1"):
    return pd.read_csv(out / "sites.csv", keep_default_na=False).set_index("site_id").signed_off[site]


def test_a_sign_off_holds_while_its_circuit_and_date_do(tmp_path):
    listed = sign(tmp_path, circuit=circuit_of(run(tmp_path, "a")))
    held = run(tmp_path, "b", lambda _: None, "--signed-off", listed, "--as-of", "2026-01-01")
    assert "An Engineer" in signed(held)
    late = run(tmp_path, "c", lambda _: None, "--signed-off", listed, "--as-of", "2031-01-01")
    assert signed(late) == ""
    assert "signoff_expired" in rules(late)
    changed = run(tmp_path, "d", longer_cable, "--signed-off", listed, "--as-of", "2026-01-01")
    assert signed(changed) == ""
    assert "signoff_changed" in rules(changed)


def test_sign_offs_of_unknown_sites_or_without_a_circuit_are_told(tmp_path):
    unknown = run(tmp_path, "a", lambda _: None, "--signed-off", sign(tmp_path, site_id="T99"))
    assert "signoff_unknown_site" in rules(unknown)
    unproved = run(tmp_path, "b", lambda _: None, "--signed-off", sign(tmp_path))
    assert "signoff_unproved" in rules(unproved)


@pytest.mark.parametrize(
    "content",
    ["", "a,b\n1,2\n", "site_id,who,until\nT1,x,someday\n", "site_id,who,until\nT1,x,2030-01-01\nT1,y,2030-01-01\n"],
)
def test_a_list_that_cannot_be_is_one_line(tmp_path, content, capsys):
    export = write_gpkg(tmp_path / "net.gpkg")
    path = tmp_path / "signed.csv"
    path.write_text(content)
    assert survey("run", export, "-o", tmp_path / "out", "--no-study", "--signed-off", path) == 1
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert "signed.csv" in said
    assert not (tmp_path / "out").exists()


def test_a_year_of_changes(tmp_path, capsys):
    """Plan, do what was planned, and find in the next survey exactly what was promised."""
    first = run(tmp_path, "a")
    assert survey("plan", first, "--budget", "1") == 0
    said = capsys.readouterr().out
    assert "R1 becomes three-pole" in said
    promised = pd.read_csv(first / "plan.csv").risk_after.iloc[-1]
    export = tmp_path / "a.gpkg"
    assert survey("run", export, "-o", tmp_path / "with", "--no-study", "--with", first / "plan_changes.csv") == 0
    done = run(tmp_path, "b", three_pole)
    for out in (tmp_path / "with", done):
        assert pd.read_csv(out / "sites.csv").risk.sum() == pytest.approx(promised, abs=1e-5)
    changes, _ = compared(tmp_path, first, done)
    assert set(changes.change) == {"better"}


@pytest.mark.parametrize(
    "options",
    [
        ["--budget", "-1"],
        ["--budget", "1", "--unit-costs", "three_pole=cheap"],
        ["--budget", "1", "--least", "Nowhere=0.5"],
        ["--budget", "1", "--least", "North=2"],
        ["--budget", "1", "--must", "{folder}/nobody.csv"],
        ["--budget", "1", "--never", "{folder}/missing.csv"],
    ],
)
def test_plans_that_cannot_be_are_one_line(tmp_path, options, capsys):
    out = run(tmp_path, "a")
    (tmp_path / "nobody.csv").write_text("id\nNOBODY\n")
    capsys.readouterr()
    assert survey("plan", out, *[o.format(folder=tmp_path) for o in options]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize(
    ("options", "where", "found", "step"),
    [
        (["--unit-costs", "three_pol=3"], "--unit-costs three_pol=3", "'three_pol'", "write 'three_pole'"),
        (["--unit-costs", "{folder}/costs.csv"], "costs.csv", "'r1'", "write 'R1'"),
        (["--must", "{folder}/ids.csv"], "--must", "ids.csv: found 'NOBODY', 'cable:C99:from'", "take it out"),
        (["--never", "{folder}/ids.csv"], "--never", "ids.csv: found 'NOBODY', 'cable:C99:from'", "take it out"),
        (["--most", "north=0.5"], "--most", "district 'north'", "districts: North"),
        (["--least", "Nowhere=0"], "--least", "district 'Nowhere'", "districts: North"),
    ],
)
def test_a_plan_names_what_it_does_not_know(tmp_path, options, where, found, step, capsys):
    out = run(tmp_path, "a")
    (tmp_path / "ids.csv").write_text("id\nNOBODY\nR1\ncable:C3:from\ncable:C99:from\n")
    (tmp_path / "costs.csv").write_text("what,cost\nthree_pole,10\nr1,7\n")
    capsys.readouterr()
    assert survey("plan", out, "--budget", "1", *[o.format(folder=tmp_path) for o in options]) == 1
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert where in said
    assert found in said
    assert step in said
    assert not (out / "plan.csv").exists()


def delta_at_the_end(layers):
    layers["transformers"].loc[2, ["connection", "core"]] = ["delta", "three_legged"]


def test_costs_must_do_never_do_and_shares(tmp_path):
    out = run(tmp_path, "a", delta_at_the_end)
    (tmp_path / "ids.csv").write_text("id\nR2\n")
    (tmp_path / "r1.csv").write_text("id\nR1\n")
    (tmp_path / "costs.csv").write_text("what,cost\nthree_pole,10\nR1,7\n")
    assert (
        survey("plan", out, "--budget", "20", "--unit-costs", tmp_path / "costs.csv", "--must", tmp_path / "ids.csv")
        == 0
    )
    assert "R2" in set(pd.read_csv(out / "plan.csv").id)
    assert survey("plan", out, "--budget", "20", "--unit-costs", "three_pole=10", "--never", tmp_path / "r1.csv") == 0
    assert "R1" not in set(pd.read_csv(out / "plan.csv").id)
    assert survey("plan", out, "--budget", "2", "--most", "North=1", "--least", "North=0.1") == 0


def test_a_plan_needs_the_export_it_was_surveyed_from(tmp_path, capsys):
    out = run(tmp_path, "a")
    (tmp_path / "moved").mkdir()
    (tmp_path / "a.gpkg").rename(tmp_path / "moved" / "a.gpkg")
    capsys.readouterr()
    assert survey("plan", out, "--budget", "1") == 1
    assert survey("plan", out, "--budget", "1", "--network", tmp_path / "moved" / "a.gpkg") == 0
    layers = tables()
    longer_cable(layers)
    (tmp_path / "other").mkdir()
    other = write_gpkg(tmp_path / "other" / "a.gpkg", layers)
    assert survey("plan", out, "--budget", "1", "--network", other) == 1
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_a_sign_off_holds_on_its_last_day_and_not_on_the_next(tmp_path):
    listed = sign(tmp_path, circuit=circuit_of(run(tmp_path, "a")))
    last = run(tmp_path, "b", lambda _: None, "--signed-off", listed, "--as-of", "2030-01-01")
    after = run(tmp_path, "c", lambda _: None, "--signed-off", listed, "--as-of", "2030-01-02")
    assert "An Engineer" in signed(last)
    assert signed(after) == ""


@pytest.mark.parametrize(("field", "value"), [("core", "separate"), ("kva", "500"), ("kv", "13.2")])
def test_another_transformer_does_not_keep_the_nameplate_of_the_old_one(tmp_path, field, value):
    used = build_settings({})
    before = read_network(write_gpkg(tmp_path / "n.gpkg"), settings=used, findings=FindingList())
    changed = Change("transformer", "T2", field=field, value=value)
    loss = Change("transformer", "T2", field="nll_w", value="777")
    row = before.transformers["site_id"].tolist().index("T2")
    columns = ["no_load_loss_w", "exciting_pu"]
    assert before.transformers[columns].iloc[row].notna().all()
    assert apply_changes(before, [changed]).transformers[columns].iloc[row].isna().all()
    kept = apply_changes(before, [loss, changed]).transformers[columns].iloc[row]
    assert kept["no_load_loss_w"] == 777
    assert pd.isna(kept["exciting_pu"])


def test_an_export_is_found_from_any_working_folder(tmp_path, monkeypatch):
    (tmp_path / "elsewhere").mkdir()
    write_gpkg(tmp_path / "net.gpkg")
    monkeypatch.chdir(tmp_path)
    assert survey("run", "net.gpkg", "-o", "out", "--no-study") == 0
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert survey("plan", "../out", "--budget", "1") == 0
    assert survey("sheets", "../out") == 0
    assert survey("compare", "../out", "../out", "-o", "diff") == 0
