"""Names that differ from those taken already."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sts.naming import unique, unique_files


def test_a_name_that_is_taken_gets_the_next_free_number():
    taken: dict[str, int] = {}
    assert [unique(name, taken) for name in ("a", "a-2", "a", "b", "a")] == ["a", "a-2", "a-3", "b", "a-4"]


def test_a_file_keeps_its_ending():
    taken = {"a.csv": 1, ".csv": 1}
    assert unique("a.csv", taken, before_ending=True) == "a-2.csv"
    assert unique(".csv", taken, before_ending=True) == ".csv-2"  # a name of its own, no ending


@given(st.lists(st.sampled_from(["a", "A", "a-2", "A-2", "b.csv", "B.CSV", "b-2.csv"]), max_size=20))
def test_files_differ_also_where_capitals_do_not_count(names):
    found = unique_files(names)
    assert len(found) == len(names)
    assert len({name.lower() for name in found}) == len(names)
