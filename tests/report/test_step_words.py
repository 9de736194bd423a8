"""Words about tips that changed on the way: one line each, what it rests on, what to do; no mean over two states is shown."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from sts.report.step_words import change_lines, change_remedies, change_steps, tips_of_one_state

CHANGE = {
    "sample": "gold", "tip": "wren", "last_before": "wren_iz_07", "first_after": "wren_iz_08", "before_eV": 4.41,
    "before_low_eV": 4.21, "before_high_eV": 4.61, "after_eV": 1.02, "after_low_eV": 0.81, "after_high_eV": 1.21,
    "earliest": "wren_iz_07", "latest": "wren_iz_08", "places_may_differ": False, "time": "14:32",
    "order": "in order of measurement", "iv_after": 12,
}  # fmt: skip
RUN = {
    "sample": "gold",
    "tip": "teal",
    "site": "2",
    "first_sweep": "t_4",
    "last_sweep": "t_6",
    "first_eV": 1.24,
    "last_eV": 1.91,
}


def barrier(*changes: dict[str, Any], runs: tuple[dict[str, Any], ...] = ()) -> Any:
    """What the words are made of."""
    tips = pd.DataFrame({"sample": "gold", "tip": ["wren", "plover"], "sites": [4, 3], "barrier_eV": [2.4, 4.3],
                         "barrier_low_eV": [0.3, 4.1], "barrier_high_eV": [6.6, 4.5]})  # fmt: skip
    return SimpleNamespace(steps=pd.DataFrame(list(changes)), runs=pd.DataFrame(list(runs)), tips=tips)


def test_a_change_is_said_in_a_line_with_sweep_clock_and_both_levels():
    (said,) = change_lines(barrier(CHANGE))
    assert said == (
        "wren changed after sweep wren_iz_07 (14:32): 4.41 eV (4.21 to 4.61) before, 1.02 eV (0.81 to 1.21) after. "
        "12 I(V) sweeps of it came after."
    )


def test_where_places_may_differ_or_only_names_tell_the_order_that_is_said():
    unsure = CHANGE | {"places_may_differ": True, "time": "", "order": "in order of the file names", "iv_after": np.nan,
                       "earliest": "wren_iz_05"}  # fmt: skip
    (said,) = change_lines(barrier(unsure))
    assert said.startswith("wren changed after sweep wren_iz_07: 4.41 eV")
    assert "It may have been anywhere between wren_iz_05 and wren_iz_08." in said
    assert "Or its places differ" in said
    assert "This is in order of the file names." in said
    assert "I(V)" not in said


def test_what_to_do_never_asks_for_more_sites():
    both = barrier(CHANGE, runs=(RUN,))
    assert "two states" in change_remedies(both)[0]
    assert len(change_remedies(both)) == 2
    assert [text for text in change_steps(both) if "more sites do not narrow" in text]
    assert change_lines(both)[1] == "teal: repeats at site 2 run away, 1.24 to 1.91 eV from t_4 to t_6."


def test_the_mean_of_a_tip_that_changed_is_not_shown():
    shown = tips_of_one_state(barrier(CHANGE))
    assert shown["barrier_eV"].isna().tolist() == [True, False]
    assert shown["barrier_high_eV"].isna().tolist() == [True, False]
    assert shown["sites"].tolist() == [4, 3]
    assert barrier(CHANGE).tips["barrier_eV"].tolist() == [2.4, 4.3]


def test_nothing_is_said_where_nothing_changed():
    assert (change_lines(barrier()), change_remedies(barrier()), change_steps(barrier())) == ([], [], [])
    assert tips_of_one_state(barrier())["barrier_eV"].tolist() == [2.4, 4.3]
