"""States of tips from a column of a logbook: when they are compared, in which order, and what is said where they are not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from sts.analysis.states import states_of_tips
from sts.provenance import Order


def sweeps_of(states: dict[str, list[str]], *, sites: int = 3, **columns: Any) -> pd.DataFrame:
    """A retract and an approach at each site for each state of each tip, slopes 20 in the first state, 21 in the next ..."""
    rows = [
        (tip, state, f"{site}", direction, 20.0 + k + 0.1 * site + 0.02 * k * site)
        for tip, words in states.items()
        for k, state in enumerate(words)
        for site in range(sites)
        for direction in ("retract", "approach")
    ]
    table = pd.DataFrame(rows, columns=["tip", "state", "site", "direction", "decay_per_nm"])
    return table.assign(
        sweep=[f"s{k}" for k in range(len(table))], sample="gold", repeat=1.0, used=True, flags="", decay_se_per_nm=0.05,
        decay_common_per_nm=0.0, dof=50.0, duration_s=np.nan, range_nm=0.4,
    )[["sweep", "sample", "tip", "site", "direction", "repeat", "decay_per_nm", "decay_se_per_nm", "decay_common_per_nm", "dof",
       "used", "flags", "duration_s", "range_nm", "state"]].assign(**columns)  # fmt: skip


def in_order(sweeps: pd.DataFrame, basis: str = "started") -> Order:
    return Order(tuple(sweeps["sweep"]), basis)


TWO = {"heron": ["before", "after"], "stork": ["before", "after"]}


def test_a_column_with_one_value_for_each_tip_is_left_to_groups():
    sweeps = sweeps_of({"heron": ["cut"], "stork": ["etched"]})
    assert states_of_tips(sweeps, "state", in_order(sweeps)) is None
    assert states_of_tips(sweeps, "nothing", in_order(sweeps)) is None


def test_the_first_repeat_before_and_the_first_after_are_two():
    """Both have number 1 at the same site: their slopes are not averaged."""
    sweeps = sweeps_of(TWO)
    found = states_of_tips(sweeps, "state", in_order(sweeps))
    assert found is not None
    assert found.states == ("before", "after")
    assert (found.tips["sweeps"] == 6).all()
    heron = found.changes[found.changes["tip"] == "heron"].iloc[0]
    ratios = [((21 + 0.12 * k) / (20 + 0.1 * k)) ** 2 for k in range(3)]
    assert_allclose(heron["ratio"], np.prod(ratios) ** (1 / 3), rtol=1e-4)
    assert heron["units"] == "3 sites revisited"


def test_states_follow_the_clock_and_without_one_it_is_said_what_they_follow():
    sweeps = sweeps_of(TWO)
    backwards = Order(tuple(sweeps["sweep"][::-1]), "started")
    found = states_of_tips(sweeps, "state", backwards)
    assert found is not None
    assert found.states == ("after", "before")
    assert any("'after' was always measured ahead of 'before'" in note for note in found.notes)
    named = states_of_tips(sweeps, "state", in_order(sweeps, "names"))
    assert named is not None
    assert named.notes == ("No clock tells which state came first: they stand in order of the file names.",)


def test_sweeps_without_an_entry_or_left_out_do_not_count():
    sweeps = sweeps_of(TWO)
    sweeps.loc[:1, "state"] = ""
    sweeps.loc[6:7, "used"] = False
    found = states_of_tips(sweeps, "state", in_order(sweeps))
    assert found is not None
    assert "2 of 22 sweeps have no entry in 'state': left out." in found.notes
    assert list(found.tips["sites"]) == [2, 2, 3, 3]


def test_one_site_in_each_state_is_told_what_an_interval_needs():
    sweeps = sweeps_of({"heron": ["before", "after"]}, sites=1)
    found = states_of_tips(sweeps, "state", in_order(sweeps))
    assert found is not None
    assert any("Measure three sites or more in each state" in note for note in found.notes)


def test_columns_that_hold_no_states_are_refused_with_what_they_hold_and_what_would_do():
    sweeps = sweeps_of(TWO, note=[f"n{k}" for k in range(24)])
    order = in_order(sweeps)
    with pytest.raises(
        ValueError, match=r"'direction' is a label.*Columns of the logbook: state, note, day.*before and after"
    ):
        states_of_tips(sweeps, "direction", order)
    with pytest.raises(
        ValueError, match=r"'note' has 24 different values in 24 sweeps \(n0, n1, n2 \.\.\.\); states are"
    ):
        states_of_tips(sweeps, "note", order)
    half = sweeps.assign(state=["cut"] * 3 + [""] * 9 + ["etched"] * 12)
    with pytest.raises(
        ValueError, match=r"no tip with two states.*heron \(cut, no entry\), stork \(etched\)\. Fill in"
    ):
        states_of_tips(half, "state", order)
