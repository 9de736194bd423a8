"""The figure of tips before and after: what it draws is what the tables say."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest
from figures.example import changes_of

from sts.figures import data_behind, plot_changes
from sts.figures.changes import MOST_TIPS


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


def test_every_barrier_and_every_ratio_with_its_interval_is_drawn():
    states, changes = changes_of(3)
    axes = plot_changes(states, changes)
    drawn = data_behind(axes)
    above = drawn[(drawn["panel"] == 1) & (drawn["mark"] != "line")]
    assert set(above["series"]) == {"tip 0", "tip 1", "tip 2"}  # the tip with one state is not joined to anything
    np.testing.assert_allclose(above.groupby("series")["y"].apply(list).tolist(), [[4.0, 4.4]] * 3)
    below = drawn[drawn["panel"] == 2]
    assert list(below["series"]) == ["tip 0", "tip 1", "tip 2", "all tips"]
    assert [label.get_text() for label in axes[0].get_xticklabels()] == ["before", "after"]
    assert axes[1].get_xlabel() == "Ratio of apparent barrier heights, after over before, no unit"


def test_of_many_tips_the_first_are_lines_and_all_have_a_ratio():
    drawn = data_behind(plot_changes(*changes_of(MOST_TIPS + 3)))
    assert drawn.loc[(drawn["panel"] == 1) & (drawn["mark"] == "line"), "series"].nunique() == MOST_TIPS
    assert (drawn["panel"] == 2).sum() == MOST_TIPS + 4


def test_an_interval_of_one_difference_does_not_hide_the_others_and_none_is_no_trouble():
    states, changes = changes_of(3)
    changes.loc[0, ["ratio_low", "ratio_high"]] = [0.01, 90.0]
    changes.loc[1, ["ratio_low", "ratio_high"]] = np.nan
    low, high = plot_changes(states, changes)[1].get_xlim()
    assert 0.5 < low < 1 < 1.15 < high < 2
