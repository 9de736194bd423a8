"""Flags: one vocabulary, rows that join and read back."""

from __future__ import annotations

import numpy as np
import pytest

from sts.flags import FLAGS, flag_rows, flags_of, join_flags, no_flags


def test_every_flag_says_what_it_means_and_what_to_do():
    for name, flag in FLAGS.items():
        assert name == flag.name
        assert flag.meaning
        assert flag.remedy
        assert ";" not in name  # the tables join flags with it


def test_rows_join_without_repeats_and_read_back_in_order():
    one = flag_rows(["a", "b"], [True, False], "jump", ["x1.5 at 20 mV", ""])
    two = flag_rows(["a", "b"], [True, True], "saturated", "3 samples")
    joined = join_flags([one, no_flags(), two, one])
    assert flags_of(["b", "a", "c"], joined) == ["saturated", "jump;saturated", ""]
    assert flags_of(["a"], joined, column="detail") == ["x1.5 at 20 mV;3 samples"]


def test_an_unknown_flag_is_a_programmer_error():
    with pytest.raises(KeyError, match=r"add it to sts/flags\.py"):
        flag_rows(["a"], [True], "weird", "")


def test_the_size_over_its_limit_stays_beside_the_words_and_is_unknown_where_there_is_none():
    one = flag_rows(["a", "b"], [True, True], "jump", "x", times_limit=[1.2, 3.0])
    two = flag_rows(["a", "b"], [False, True], "saturated", "y")
    joined = join_flags([one, two, no_flags()])
    np.testing.assert_array_equal(joined["times_limit"], [1.2, 3.0, np.nan])
    assert joined["times_limit"].dtype == no_flags()["times_limit"].dtype == float


def test_words_that_are_made_by_place_are_made_for_flagged_sweeps_only():
    asked = []

    def words(place):
        asked.append(place)
        return f"number {place}"

    rows = flag_rows(list("abcd"), [False, True, False, True], "jump", words)
    assert rows["detail"].tolist() == ["number 1", "number 3"]
    assert asked == [1, 3]
