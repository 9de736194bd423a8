"""The chart of a tip's days: days outside are marked, limits that reach far are cut, days are named."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figures.drawings import DAYS, drawn

from sts import figures
from sts.figures.marks import data_behind


def test_the_day_outside_its_limits_has_a_mark_of_its_own() -> None:
    with figures.house_style():
        behind = data_behind(drawn("tip_days"))
    outside = behind[behind["series"] == "day outside its limits"]
    assert outside["x"].tolist() == [3.0]
    assert outside["y"].item() == pytest.approx(3.3)
    assert len(behind[behind["mark"] == "interval"]) == len(DAYS)


def test_limits_that_reach_far_do_not_flatten_the_days() -> None:
    with figures.house_style():
        ax = figures.plot_tip_days(DAYS)
    low, high = ax.get_ylim()
    assert high < 6
    assert low >= 0
    assert [label.get_text() for label in ax.get_xticklabels()] == ["11-02", "11-05", "11-08", "a long name…"]


def test_a_tip_without_a_barrier_is_refused() -> None:
    nothing = DAYS.assign(barrier_eV=np.nan)
    with pytest.raises(ValueError, match="No day of this tip has a barrier"):
        figures.plot_tip_days(nothing)


def test_of_many_days_only_some_are_named() -> None:
    many = pd.concat([DAYS] * 8, ignore_index=True)
    with figures.house_style():
        ax = figures.plot_tip_days(many)
    assert len(ax.get_xticks()) == 8
