"""The chart of a tip's days: limits of textbooks where days are certain, stated false alarms, changes found where they are."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from studies import record

from sts.comparing.control_chart import chart_days, find_changes

DAYS = np.array([1.48, 1.51, 1.43, 1.49, 1.46, 1.50])  # ln of 4.4 eV and so on
CERTAIN = np.full(6, 1e-4)


@pytest.mark.parametrize("before", [3, 4, 5])
def test_limits_are_those_of_a_prediction_interval_where_days_are_certain(before):
    """scipy's t: x̄ ± t s √(1 + 1/n), textbooks (a prediction interval for one further value)."""
    chart = chart_days([DAYS], [CERTAIN], false_alarm=0.01)[0]
    mean, sd = DAYS[:before].mean(), DAYS[:before].std(ddof=1)
    half = stats.t.ppf(0.995, before - 1) * sd * np.sqrt(1 + 1 / before)
    assert_allclose([chart.low[before], chart.high[before]], [mean - half, mean + half], rtol=1e-4)
    assert_allclose(chart.centre[before], mean, rtol=1e-6)


def test_level_is_the_t_interval_of_the_mean_where_days_are_certain():
    chart = chart_days([DAYS], [CERTAIN])[0]
    interval = stats.t.interval(0.95, 5, DAYS.mean(), DAYS.std(ddof=1) / 6**0.5)
    assert_allclose(chart.level, [DAYS.mean(), *interval], rtol=1e-4)
    assert chart.scatter_dof == 5


def test_other_tips_lend_their_degrees_of_freedom():
    """Pooled over two tips about their own means: s² of f1 + f2 degrees of freedom (textbooks)."""
    other = np.array([0.2, 0.24, 0.19, 0.22, 0.21])
    chart = chart_days([DAYS[:4], other], [CERTAIN[:4], CERTAIN[:5]])[0]
    squares = 2 * DAYS[:3].var(ddof=1) + 4 * other.var(ddof=1)
    half = stats.t.ppf(0.995, 6) * np.sqrt(squares / 6 * (1 + 1 / 3))
    assert_allclose([chart.low[3], chart.high[3]], DAYS[:3].mean() + half * np.array([-1, 1]), rtol=1e-4)


def test_scatter_is_not_known_from_one_day_or_from_tips_of_one_day():
    for chart in chart_days([[1.4], [1.5]], [[0.02], [0.02]]):
        assert np.isnan([*chart.low, *chart.next_limits, *chart.level[1:], chart.scatter]).all()
        assert chart.scatter_dof == 0
    assert chart.level[0] == pytest.approx(1.5)


def test_a_tip_that_falls_to_another_level_changed_on_that_day_and_the_others_did_not():
    rng = np.random.default_rng(3)
    days = [1.4 + 0.02 * rng.normal(size=10) for _ in range(3)]
    days[1][6:] -= 0.25
    charts = chart_days(days, [np.full(10, 0.02)] * 3, false_alarm=1e-3)
    assert [np.flatnonzero(chart.changed).tolist() for chart in charts] == [[], [6], []]
    value, low, high = charts[1].steps[0]
    assert low < -0.25 < high
    assert high - low < 0.12
    assert value == pytest.approx(-0.25, abs=0.03)


def test_two_tips_that_change_do_not_hide_each_other():
    rng = np.random.default_rng(4)
    days = [1.4 + 0.02 * rng.normal(size=8) for _ in range(3)]
    days[0][4:] -= 0.25
    days[1][5:] += 0.25
    found = find_changes(days, [np.full(8, 0.02)] * 3)
    assert [np.flatnonzero(one.changed).tolist() for one in found] == [[4], [5], []]


def test_a_day_that_is_off_alone_begins_no_stretch():
    days = np.append(DAYS, DAYS)
    days[8] -= 0.4
    found = find_changes([days], [np.full(12, 0.01)])[0]
    assert np.flatnonzero(found.alone).tolist() == [8]
    assert not found.changed.any()
    assert find_changes([days[:9]], [np.full(9, 0.01)])[0].changed[8]  # before the day after it is known


def test_days_without_a_number_are_refused():
    with pytest.raises(ValueError, match="leave it out"):
        chart_days([[1.4, np.nan]], [[0.1, 0.1]])
    with pytest.raises(ValueError, match="leave it out"):
        find_changes([[1.4, 1.5]], [[0.1, 0.0]])


@pytest.mark.parametrize(("tips", "days", "scatter"), [(1, 8, 0.05), (3, 6, 0.0), (3, 6, 0.05)])
def test_false_alarms_are_as_few_as_stated(tips, days, scatter):
    rng = np.random.default_rng(7)
    told = [
        find_changes(*record.draw_days(rng, tips, days, scatter), false_alarm=0.05) for _ in range(240 // (tips * days))
    ]
    alarms = sum(int((one.changed | one.alone).sum()) for found in told for one in found)
    assert alarms <= stats.binom.ppf(0.999, 240, 0.05)


@pytest.mark.study
def test_study_keeps_its_bounds():
    assert [f for f in record.run(quick=True, seed=2) if not f.kept] == []
