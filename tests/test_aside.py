"""Results of a stage in a mapped file are what they were, and nobody writes to them."""

import mmap
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from survey.aside import laid_aside, let_go
from survey.findings import MANY, FindingList, ManyIds
from survey.pipeline import survey_network
from survey.settings import Settings

SAMPLE = Path(__file__).parents[1] / "sample_data" / "network.gpkg"


def test_what_is_laid_aside_is_the_same_when_it_is_looked_at_again():
    frame = pd.DataFrame({"id": ["a", "ä", ""], "x": [1.0, np.nan, -0.0], "code": pd.Categorical(["u", "v", "u"])})
    lines = np.asfortranarray(np.arange(12.0).reshape(6, 2))[::2], np.zeros((0, 2)), np.arange(7, dtype=np.int32)
    got_frame, got_lines = laid_aside((frame, lines), least=1)
    for _ in range(2):
        pd.testing.assert_frame_equal(got_frame, frame)
        for got, wanted in zip(got_lines, lines, strict=True):
            np.testing.assert_array_equal(got, wanted, strict=True)
        let_go()


def test_what_is_small_stays_where_it_is():
    thing = [np.arange(1000)]
    assert laid_aside(thing) is thing


def test_what_the_disk_does_not_take_stays_where_it_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    (tmp_path / "file").touch()
    monkeypatch.setenv("SURVEY_CACHE_DIR", str(tmp_path / "file" / "cache"))
    thing = [np.arange(1000)]
    assert laid_aside(thing, least=1) is thing


def test_nobody_writes_to_what_is_laid_aside(monkeypatch: pytest.MonkeyPatch):
    settings = Settings()
    settings = settings.model_copy(update={"study": settings.study.model_copy(update={"run": False})})
    wanted = survey_network(SAMPLE, settings=settings).result
    for room in ("survey.pipeline", "survey.assess.assess", "survey.assess.collect"):
        monkeypatch.setattr(f"{room}.laid_aside", partial(laid_aside, least=1, access=mmap.ACCESS_READ))
    monkeypatch.setattr("survey.loops.SMALL", 1 << 40)  # compiled loops would be compiled anew
    found = survey_network(SAMPLE, settings=settings).result
    for name in ("sites", "switching_points", "findings"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(wanted, name))


def test_many_ids_are_what_they_are_by_themselves():
    ids = [f"x{k:06d}" for k in range(MANY + 5)]
    findings = FindingList()
    for given in (ids[::-1], set(ids), pd.Series(ids, dtype="str"), np.array(ids, object)):
        findings.report("no_length", ids=given)
    findings.report("no_length", ids=ids[:3])
    many, few = findings.items[0].ids, findings.items[-1].ids
    assert isinstance(many, ManyIds)
    assert all(found.ids == tuple(ids) for found in findings.items[:-1])
    assert (many[0], many[-1], many[2:4]) == (ids[0], ids[-1], tuple(ids[2:4]))
    assert " ".join(many) == " ".join(ids)
    assert [len(found.ids) for found in findings.ordered()] == [3] + 4 * [MANY + 5]
    assert few < many
    assert hash(many) == hash(findings.items[1].ids)
