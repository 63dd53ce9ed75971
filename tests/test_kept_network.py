"""The network of an earlier survey is taken where nothing it was made by has changed, and never otherwise."""

from __future__ import annotations

import json
import os
import shutil

import geopandas as gpd
import pytest
from exports import CRS, tables, write_gpkg

from survey import kept_network, pipeline
from survey.errors import SurveyError
from survey.fingerprint import survey_fingerprint, survey_name
from survey.report.outputs import write_outputs
from survey.settings import build_settings
from survey.what_if.edits import read_changes

NO_STUDY = {"study": {"run": False}}
OTHER_LIMITS = NO_STUDY | {"limits": {"delta_xc_xm": 30.0, "five_legged_charge_loss": 0.5}}


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch):
    """A cache folder of the test's own."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("SURVEY_CACHE_DIR", str(folder))
    return folder / "networks"


@pytest.fixture
def export(tmp_path):
    return write_gpkg(tmp_path / "net.gpkg", tables())


@pytest.fixture
def reads(monkeypatch):
    """Exports that were read, one after the other."""
    read, seen = pipeline.read_network, []

    def reading(path, **more):
        seen.append(path)
        return read(path, **more)

    monkeypatch.setattr(pipeline, "read_network", reading)
    return seen


def survey(path, raw=NO_STUDY, **more):
    return pipeline.run_survey(path, settings=build_settings(raw), **more)


def written(result, out):
    """Content of the outputs by name, but for what tells the time."""
    write_outputs(result, out)
    content = {file.name: file.read_bytes() for file in out.iterdir()}
    record = json.loads(content.pop("run.json"))
    for told in ("seconds", "write_seconds", "settings"):
        record.pop(told, None)
    return content, record


def test_other_limits_take_the_network_and_give_what_a_fresh_survey_gives(export, reads, tmp_path):
    survey(export)
    again = survey(export, OTHER_LIMITS)
    assert reads == [export]
    fresh = survey(export, OTHER_LIMITS | {"network": {"reuse": False}})
    assert reads == [export, export]
    kept, told = written(again, tmp_path / "again")
    anew, told_anew = written(fresh, tmp_path / "fresh")
    assert kept == anew
    assert told == told_anew
    assert survey_name(fresh.record) == survey_name(again.record)
    assert survey_fingerprint(fresh.record) == survey_fingerprint(again.record)


def test_findings_are_there_once(export):
    first = survey(export)
    assert len(first.findings)
    assert survey(export).findings.equals(first.findings)


def test_the_first_of_two_is_not_changed_by_being_kept(export, tmp_path):
    kept, _ = written(survey(export), tmp_path / "a")
    anew, _ = written(survey(export), tmp_path / "b")
    assert kept == anew


def test_a_file_that_differs_in_one_byte_is_read_anew(export, reads):
    survey(export)
    stamp = export.stat()
    content = bytearray(export.read_bytes())
    place = content.index(b"C1")
    content[place : place + 2] = b"Q9"
    export.write_bytes(content)
    os.utime(export, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    survey(export)
    assert len(reads) == 2


@pytest.mark.parametrize("other", [{"network": {"snap_m": 0.6}}, {"input": {"ignore": ["streets"]}}])
def test_another_way_of_reading_or_building_is_another_network(export, reads, other):
    survey(export)
    survey(export, NO_STUDY | other)
    survey(export)
    assert len(reads) == 2


def test_a_layer_that_came_into_the_folder_is_seen(tmp_path, reads):
    folder = tmp_path / "parts"
    folder.mkdir()
    for name, layer in tables().items():
        gpd.GeoDataFrame(layer, geometry="geometry", crs=CRS).to_parquet(folder / f"{name}.parquet")
    survey(folder)
    survey(folder)
    assert len(reads) == 1
    shutil.copy(folder / "sources.parquet", folder / "streets.parquet")
    survey(folder)
    assert len(reads) == 2


def test_a_what_if_starts_from_the_kept_network(export, reads, tmp_path):
    whole = survey(export)
    file = tmp_path / "changes.csv"
    switch = whole.switching_points["switch_id"].iloc[0]
    file.write_text(f"change,id\nthree_pole,{switch}\n")
    changes = read_changes(file)
    once = survey(export, changes=changes)
    assert len(reads) == 1
    fresh = survey(export, NO_STUDY | {"network": {"reuse": False}}, changes=changes)
    assert once.sites.equals(fresh.sites)
    assert once.findings.equals(fresh.findings)


@pytest.mark.parametrize("part", [0.001, 0.3, 0.6, 0.95])
@pytest.mark.parametrize("cut", [False, True])
def test_a_damaged_file_is_not_believed(export, reads, cache, part, cut):
    first = survey(export)
    (file,) = cache.iterdir()
    content = bytearray(file.read_bytes())
    place = int(len(content) * part)
    content[place] ^= 0x41
    file.write_bytes(content[:place] if cut else content)
    again = survey(export)
    assert len(reads) == 2
    assert again.sites.equals(first.sites)
    survey(export)
    assert len(reads) == 2


def test_a_cache_that_takes_no_files_is_done_without(export, tmp_path, monkeypatch):
    (tmp_path / "no folder").write_text("")
    monkeypatch.setenv("SURVEY_CACHE_DIR", str(tmp_path / "no folder"))
    assert len(survey(export).sites)


def test_few_are_kept_and_what_was_not_finished_goes(export, cache):
    survey(export)
    (left, fresh) = (cache / "left.part", cache / "fresh.part")
    left.write_bytes(b"half")
    fresh.write_bytes(b"half")
    os.utime(left, (0, 0))
    for snap in range(kept_network.MOST_FILES + 1):
        survey(export, NO_STUDY | {"network": {"snap_m": 0.1 * (snap + 1)}})
    assert len([file for file in cache.iterdir() if not file.suffix]) == kept_network.MOST_FILES
    assert fresh.exists()
    assert not left.exists()


def test_an_export_that_is_gone_is_refused_as_ever(export):
    survey(export)
    export.unlink()
    with pytest.raises(SurveyError, match="no such file"):
        survey(export)
