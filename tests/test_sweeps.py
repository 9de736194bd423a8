"""The data model checks what enters, once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sts.sweeps import COLUMNS, SweepSet, sweep_table

AXIS = np.linspace(-1, 1, 5)


def a_set(**changes):
    given = {
        "kind": "iv",
        "axis": AXIS,
        "current": np.arange(10.0).reshape(2, 5),
        "table": sweep_table(["a", "b"], tip=["t", None], made_by=["cut", "etched"]),
    } | changes
    return SweepSet(**given)


def test_unknown_columns_are_filled_with_unknown_and_own_columns_kept():
    table = a_set().table
    assert list(table.columns) == [*COLUMNS, "made_by"]
    assert np.isnan(table["temperature_K"]).all()
    assert list(table["tip"]) == ["t", ""]
    assert list(table["made_by"]) == ["cut", "etched"]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"kind": "vi"}, "kind is 'vi'; it must be 'iv'"),
        ({"axis": AXIS[::-1]}, "bias axis must ascend; point 2"),
        ({"axis": np.array([0, 1, 1, 2, 3.0])}, "point 3 .1. does not follow 1"),
        ({"axis": np.array([0, 1, np.nan, 2, 3])}, "1 that are not finite"),
        ({"current": np.zeros((2, 4))}, r"current must have shape \(sweeps, 5\)"),
        ({"current": np.zeros((0, 5))}, r"it has \(0, 5\)"),
        ({"lockin": np.zeros((2, 4))}, "lockin must have the shape"),
        ({"table": sweep_table(["a"])}, "1 rows for 2 sweeps"),
        ({"table": sweep_table(["a", "a"])}, "Two sweeps are called 'a'"),
        ({"table": sweep_table(["a", ""])}, "has no name"),
        ({"table": pd.DataFrame({"name": ["a", "b"]})}, "no column 'sweep'"),
    ],
)
def test_what_does_not_fit_is_refused_with_words(changes, message):
    with pytest.raises(ValueError, match=message):
        a_set(**changes)


def test_selecting_keeps_rows_together():
    chosen = a_set(lockin=np.ones((2, 5)), lockin_unit="S").select(np.array([False, True]))
    assert chosen.names == ["b"]
    np.testing.assert_array_equal(chosen.current, [[5, 6, 7, 8, 9]])
    assert chosen.lockin.shape == (1, 5)
    assert chosen.lockin_unit == "S"


def test_selecting_nothing_says_so():
    with pytest.raises(ValueError, match="No sweep is left"):
        a_set().select(np.array([False, False]))


def test_a_lockin_only_set_has_no_current():
    assert a_set().has_current
    assert not a_set(current=np.full((2, 5), np.nan), lockin=np.ones((2, 5))).has_current


def test_whether_a_current_was_recorded_is_looked_up_once_and_anew_for_one_sweep_of_a_set():
    sweeps = SweepSet("iv", [0.0, 1.0], [[np.nan, np.nan], [1.0, 2.0]], {"sweep": ["a", "b"]})
    assert sweeps.has_current
    assert not sweeps.one(0).has_current
    assert sweeps.one(1).has_current
    assert not sweeps.select([0]).has_current


def test_what_is_derived_is_that_of_the_set_and_not_of_the_one_it_was_made_from():
    current = np.array([[np.nan, np.nan, np.nan], [1e-9, 2e-9, 3e-9]])
    both = SweepSet("iv", [-1.0, 0.0, 1.0], current, sweep_table(["a", "b"]))
    assert both.has_current
    assert both.names == ["a", "b"]
    assert not both.one(0).has_current
    assert both.one(1).names == ["b"]
    assert both.with_table(sweep_table(["c", "d"])).names == ["c", "d"]
