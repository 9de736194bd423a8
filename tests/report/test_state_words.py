"""The changes of tips in words."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from figures.drawings import BARRIER

from sts.comparing.paired import CHANGE_COLUMNS, compare_states
from sts.report.state_words import ON_PAGE, mixed_with, state_answer


def test_the_treatment_comes_first_then_each_tip_and_what_would_have_been_shown():
    rows = [
        ("gold", "heron", "before", "after", 1.08, 1.05, 1.11, 0.01, "differ", "4 sites revisited", 3.0, 4.0),
        (
            "gold",
            "stork",
            "before",
            "after",
            1.01,
            0.97,
            1.05,
            0.6,
            "no difference shown",
            "3 sites revisited",
            2.0,
            6.24,
        ),
        ("gold", "all tips", "before", "after", 1.045, 0.8, 1.36, float("nan"), "too few tips", "2 tips", 1.0, 30.0),
    ]
    said = state_answer(replace(BARRIER, changes=pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))), 0.95)
    assert said.startswith(
        "All 2 tips together, after over before: 1.04 (0.80 to 1.36) (too few tips). heron, after over before: 1.08"
    )
    assert "no difference shown; 6.2 % would have been shown in nine of ten such sessions" in said
    wide = pd.DataFrame([(*rows[1][:-1], 2657.0)], columns=list(CHANGE_COLUMNS))
    assert "only a change by a factor of 28 would have been shown" in state_answer(replace(BARRIER, changes=wide), 0.95)
    assert "ratios of barriers with 95 % intervals" in said
    assert "more tip" not in said
    assert state_answer(BARRIER, 0.95) == ""


def test_what_came_with_the_states_stands_beside_the_answer():
    """The note of the comparison itself, and no other."""
    rows = [("a", state, f"{site}", 20.0 + site) for state in ("before", "after") for site in range(3)]
    repeats = pd.DataFrame(rows, columns=["tip", "state", "site", "decay_per_nm"]).assign(
        sample="gold", repeat=1.0, decay_se_per_nm=0.1, dof=50.0, sweeps=2, order=range(6)
    )
    notes = compare_states(repeats, "state").notes
    assert len(notes) == 1
    assert mixed_with(replace(BARRIER, notes=("another", *notes))) == notes[0]


def test_of_many_tips_the_rest_is_counted():
    row = ("gold", "t", "before", "after", 1.08, 1.05, 1.11, 0.01, "differ", "4 sites revisited", 3.0, 4.0)
    said = state_answer(replace(BARRIER, changes=pd.DataFrame([row] * 6, columns=list(CHANGE_COLUMNS))), 0.95)
    assert "2 more tips stand in the table." in said


def test_the_columns_of_the_page_are_those_of_the_table():
    assert {name for _, name, _ in ON_PAGE} <= set(CHANGE_COLUMNS)
