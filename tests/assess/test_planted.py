"""One wrong record clears no neighbour; the script beside this file plants as many as one likes."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from exports import survey_tables
from planted import named, plant, planted, surveyed, tables, with_devices, with_records

from survey.assess.score import BANDS
from survey.findings import FindingList
from survey.settings import build_settings

NO_STUDY = {"study": {"run": False}}


def network():
    """A cutout, three cables in a row, three delta sites of 300 kVA; the first is the one that goes wrong."""
    cables = [named(f"c{k}", f"n{k}", f"n{k + 1}", 40.0) for k in range(3)]
    sites = [(f"t{k}", f"n{k}") for k in (1, 2, 3)]
    made = tables(cables, sites=sites, switches=[("w", "n0", "guards=c0")], sources=[("g", "n0")])
    records = with_records(made.transformers, random.Random(5)).assign(
        connection="delta", core="", rating_va=300e3, no_load_loss_w=600.0, exciting_pu=0.006
    )
    return replace(made, transformers=records, switches=with_devices(made.switches))


def told(tables):
    findings = FindingList()
    result = survey_tables(tables, settings=build_settings(NO_STUDY), findings=findings).result
    return result.sites.set_index("site_id"), {f.rule: f.ids for f in findings}


def test_a_sample_of_planted_records_clears_nobody_silently():
    assert [words for _, words in plant(60, seed=7) if words] == []


@pytest.mark.parametrize(
    ("field", "factor", "rule"),
    [
        ("voltage_v", 480.0, "kv_out_of_line"),
        ("voltage_v", 1 / 3**0.5, "kv_out_of_line"),
        ("rating_va", 1000, "kva_out_of_line"),
        ("no_load_loss_w", 10, "nll_w_out_of_line"),
        ("exciting_pu", 10, "exc_pct_out_of_line"),
    ],
)
def test_a_record_out_of_line_is_told_and_its_neighbours_are_judged_without_it(field, factor, rule):
    made = network()
    before, none = told(made)
    assert not any(name.endswith("_out_of_line") for name in none)
    after, found = told(planted(made, 0, field, factor))
    assert found[rule] == ("t1",)
    beside = after.notes.str.contains("the record of t1 on its section is out of line: the worse reading counts")
    assert beside.to_dict() == {"t1": False, "t2": True, "t3": True}
    assert (after.score[beside] >= before.score[beside] - 1e-9).all()
    assert (after.score_low[beside] <= after.score[beside]).all()
    assert (after.score_high[beside] >= after.score[beside]).all()


def test_the_voltage_of_a_section_is_that_of_its_cables_and_most_of_its_sites():
    made = network()
    before, _ = told(made)
    # two of the three sites are wrong, but the cables and the third have it
    wrong = made.transformers.assign(voltage_v=[480.0, 480.0, 12470.0])
    after, found = told(replace(made, transformers=wrong))
    assert found["kv_out_of_line"] == ("t1", "t2")
    assert BANDS.index(after.band["t3"]) >= BANDS.index(before.band["t3"])
    # without a word from the cables the higher of two even ones counts
    silent = made.cables.assign(voltage_v=np.nan)
    _, found = told(
        replace(made, cables=silent, transformers=made.transformers.assign(voltage_v=[7200.0, 7200.0, 12470.0]))
    )
    assert found["kv_out_of_line"] == ("t3",)
    even = made.transformers.iloc[:2].assign(voltage_v=[7200.0, 12470.0])
    _, found = told(replace(made, cables=silent, transformers=even))
    assert found["kv_out_of_line"] == ("t1",)


def test_of_two_even_voltages_that_counts_which_more_of_the_export_has():
    made = network()
    beside = (named("d", "n0", "m", 40.0), named("e", "m", "m1", 40.0))
    both = tables(
        [*(named(f"c{k}", f"n{k}", f"n{k + 1}", 40.0) for k in range(3)), *beside],
        sites=[("t1", "n1"), ("t2", "n2"), ("t3", "m1")],
        switches=[("w", "n0", "guards=c0"), ("x", "n0", "guards=d")],
        sources=[("g", "n0")],
    )
    records = made.transformers.assign(
        voltage_v=[12.47e6, 12470.0, 12470.0], node=both.transformers["node"], site_id=["t1", "t2", "t3"]
    )
    cables = both.cables.assign(voltage_v=np.nan)
    _, found = told(replace(both, cables=cables, transformers=records, switches=with_devices(both.switches)))
    assert found["kv_out_of_line"] == ("t1",)


def test_what_rests_on_one_record_says_so():
    made = network()
    plain = surveyed(made, study=False)
    big = surveyed(planted(made, 0, "rating_va", 9.0), study=False)
    assert big.bands["t2"] < plain.bands["t2"]
    assert "rests on the record of t1: without it" in big.notes["t2"]
    assert "rests on the record of t1" not in big.notes["t1"]


def test_sites_that_are_alike_rank_by_id():
    sites = survey_tables(network(), settings=build_settings(NO_STUDY), findings=FindingList()).result.sites
    assert sites["score"].nunique() == sites["risk"].nunique() == 1
    assert sites["site_id"].tolist() == ["t1", "t2", "t3"]
