"""Order of ids: that of Python's text, whatever the length."""

import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from survey.read.text_order import sort_order


@given(
    st.lists(st.text(max_size=40) | st.text(alphabet="ab\0", max_size=12)),
    st.sampled_from(["", "C-", "long common prefix "]),
)
def test_order_is_that_of_code_points(texts, prefix):
    values = [prefix + text.encode(errors="ignore").decode() for text in texts]
    order = sort_order(pa.array(values, pa.large_string()))
    assert sorted(order) == list(range(len(values)))
    got = [values[i] for i in order]
    # A zero character is told from the end of the text by nothing but its length; ids have none.
    assert [text.rstrip("\0") for text in got] == [text.rstrip("\0") for text in sorted(values)] or "\0" in "".join(
        values
    )
