"""States judged of long loops: all that count, and not many more."""

from __future__ import annotations

import numpy as np
from build import named, survey

from survey.network.ties.states import pair_devices

SITE_VA, MOST_VA = 300e3, 2.5e6


def loop(sites: int):
    """A loop of so many sites with a device on both sides of each, one of them open, and its running rating."""
    cables = [named(f"L{k:04}", f"n{k}", f"n{k + 1}", 100.0) for k in range(sites + 1)]
    middle = sites // 2
    devices = [
        (f"D{2 * k + end:05}", f"n{k + end}", f"guards=L{k:04}", *(["open"] if (k, end) == (middle, 0) else []))
        for k in range(sites + 1)
        for end in (0, 1)
    ]
    s = survey(
        cables,
        switches=devices,
        sites=[(f"X{k:04}", f"n{k}") for k in range(1, sites + 1)],
        sources=[("A", "n0"), ("B", f"n{sites + 1}")],
        most_states=0,
    )
    order = np.array([int(s.ids("switches")[d][1:]) for d in s.network.loops.device])
    return s, SITE_VA * ((order + 1) // 2)


def pairs_of(s, rating, *, most_states: int):
    single = np.ones(len(s.tables.switches), bool)
    loops = s.network.loops
    pairs = pair_devices(loops, single=single, rating_va=rating, most_va=MOST_VA, most_states=most_states)
    return pairs, set(zip(pairs.worked.tolist(), pairs.opened.tolist(), strict=True))


def test_every_state_that_counts_is_judged_and_the_last_on_either_side():
    s, rating = loop(40)
    every = pairs_of(s, rating, most_states=10**9)[1]
    few = pairs_of(s, rating, most_states=0)[1]
    counts = {(w, o) for w, o in every if abs(rating[w] - rating[o]) <= MOST_VA}
    assert counts < few < every
    last = len(rating) - 1
    assert {(w, o) for w, o in every if o in {0, last}} <= few


def test_the_number_of_states_grows_with_the_length_of_the_loop():
    count = [len(pairs_of(*loop(sites), most_states=2500)[1]) for sites in (60, 240)]
    assert np.log(count[1] / count[0]) / np.log(4) < 1.3


def test_long_loops_are_told():
    s, _ = loop(3)
    assert len(s.found("tie_states")) == 1
