"""Ids that are compared as whole numbers stand in the order of their text."""

import numpy as np
import pyarrow as pa
import pytest

from survey.read.ids import _order

WORDS = ("", "a", "ab", "é", "ZZ", "b" * 8, "b" * 9, "b" * 16, "b" * 24, "ü" * 12)


@pytest.mark.parametrize("words", [WORDS, ("x1", "x2"), (*WORDS, "b" * 25), (*WORDS, "a\0"), ()])
def test_rows_are_in_the_order_of_their_text_and_equal_ones_keep_theirs(words: tuple[str, ...]):
    drawn = [words[k] for k in np.random.default_rng(1).integers(0, len(words), 500)] if words else []
    texts = pa.array(["zz", *drawn, "zz"], pa.large_string())[1:-1]
    wanted = sorted(range(len(texts)), key=lambda row: (drawn[row].encode(), row))
    assert _order(texts).tolist() == wanted
