"""A band falls with longer cable only where the study shows it over the whole range of uncertainty."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from survey.assess.behaviour import Figures, steadied


def test_less_hazard_on_longer_cable_is_believed_only_over_a_whole_range():
    zeros = {f.name: np.zeros(3) for f in fields(Figures)}
    here = replace(Figures(**zeros), hazard=np.array([20.0, 60.0, 90.0]), loaded=np.array([5.0, 0.0, 1.0]))
    below = replace(Figures(**zeros), hazard=np.array([80.0, 50.0, 90.0]), loaded=np.array([10.0, 0.0, 0.0]))
    got = steadied(here, below)
    assert got.hazard.tolist() == [80.0, 60.0, 90.0]
    assert got.loaded.tolist() == [10.0, 0.0, 1.0]
    assert got.peak_pu is here.peak_pu
