"""Causes in few words: what they say, what they leave out, and how they end."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from survey.comparison.causes import CAUSES
from survey.comparison.phrases import Cause, Part, assumed, shortened

LOSS, EXCITING = "no-load loss from the default table", "exciting current from the default"
CORE, DOUBT = (
    "core assumed five-legged, the worst of a grounded wye",
    "what was assumed could move it between low and high",
)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("", LOSS, "now assumed: no-load loss"),
        (LOSS, "", "no longer assumed: no-load loss"),
        (LOSS, f"{LOSS}; {EXCITING}; {DOUBT}", "now assumed: exciting current"),
        (f"{CORE}; {LOSS}", EXCITING, "now assumed: exciting current; no longer assumed: core, no-load loss"),
        ("", f"{CORE}; {LOSS}; {EXCITING}", "now assumed: core, no-load loss and 1 more"),
        (LOSS, f"{LOSS}; {DOUBT}", "assumptions changed"),
    ],
)
def test_assumptions_are_told_by_what_is_new(before, after, said):
    assert assumed(before, after) == said


def test_more_than_two_phrases_are_counted():
    assert shortened(["a", "b"]) == "a; b"
    assert shortened(["a", "b", "c", "d"]) == "a; b; 2 more"


def test_values_in_three_figures_ids_as_they_are():
    old = SimpleNamespace(length=1234.56, load=0.0, point="K_1", core="five_legged", missing=float("nan"))
    new = SimpleNamespace(length=9.8765, load=2.5, point="", core="three_legged", missing=3.0)
    assert Part("length", "cable", unit=" m").phrase(old, new) == "cable 1235 to 9.88 m"
    assert Part("length", "cable", unit=" m").words(old, new) == "cable 1235 -> 10 m"
    assert Part("missing", "dependable load", brief="load", unit=" kW").phrase(old, new) == "load none to 3 kW"
    assert Part("point", "point").phrase(old, new) == "no point any more"
    assert Part("point", "point").phrase(new, old) == "point now K_1"
    assert Part("core", "core", code=True).phrase(old, new) == "core now three legged"
    assert Cause("load", (Part("load", "load"),)).phrase(old, old) == "figures differ a little"
    assert not Part("missing", "load").differs(old, old)


def test_every_cause_has_words_and_a_phrase_of_its_columns():
    columns = {name for cause in CAUSES for name in cause.columns}
    texts = {"point_open_points", "feeder", "switch_id", "worst_switch_id", "gang_switch_id", "connection", "core"}
    old = SimpleNamespace(**{c: "A" if c in texts else 1.0 for c in columns})
    new = SimpleNamespace(**{c: "B" if c in texts else 2.0 for c in columns})
    for cause in CAUSES:
        assert 0 < len(cause.phrase(old, new)) <= 45
        assert len(cause.words(old, new)) >= len(cause.phrase(old, new)) - 5
