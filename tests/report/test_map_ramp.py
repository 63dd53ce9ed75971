"""The colour ramp: light to dark, even steps, and marks that differ without colour."""

import numpy as np

from survey.report.ramp import (
    BAND_MARKS,
    BANDS,
    NO_HAZARD,
    STATUS_MARKS,
    hazard_colours,
    mark_of,
    ramp_table,
    rank_size,
)


def lightness(rgb):
    """CIE L* of sRGB 0-255 (IEC 61966-2-1, CIE 15)."""
    linear = np.where(rgb / 255 <= 0.04045, rgb / 255 / 12.92, ((rgb / 255 + 0.055) / 1.055) ** 2.4)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    return 116 * np.cbrt(luminance) - 16


def test_lightness_falls_in_nearly_even_steps():
    steps = -np.diff(lightness(ramp_table().astype(float)))
    assert (steps > 0).all()
    assert steps.max() < 2.2 * steps.mean()


def test_bands_differ_in_shape_and_grow():
    assert [mark.key for mark in BAND_MARKS] == list(BANDS)
    assert len({mark.shape for mark in BAND_MARKS}) == len(BANDS)
    sizes = [mark.size_px for mark in BAND_MARKS]
    assert sizes == sorted(sizes)
    assert len(set(sizes)) == len(sizes)


def test_missing_hazard_is_grey_and_ends_are_clipped():
    grey, first, low, last, high = hazard_colours(np.array([np.nan, 0.0, -5.0, 100.0, 250.0]))
    assert grey == NO_HAZARD
    assert (first, last) == (low, high)
    assert first != last


def test_first_ranks_are_drawn_larger():
    assert [rank_size(rank) for rank in (1, 10, 11, 100, 101)] == [1.35, 1.35, 1.0, 1.0, 0.75]


def test_a_site_that_is_not_assessed_gets_its_status_mark():
    assert mark_of("low", "not_susceptible").label == "Not susceptible"
    assert mark_of("", "looped").label == "On a ring, undecided"
    assert mark_of("severe", "looped").label == "Severe"
    assert len({(mark.shape, mark.size_px) for mark in STATUS_MARKS}) == len(STATUS_MARKS)
    assert mark_of("severe", "assessed").shape == "diamond"
    assert mark_of("", "unreached").shape == "cross"
    assert mark_of("", "something new") is STATUS_MARKS[-1]
