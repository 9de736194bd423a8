"""Intervals of a median and of standard deviations: against tables and closed forms, and their coverage by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.comparing.scatter_intervals import between_interval, median_interval, rate_interval, within_interval


@pytest.mark.parametrize(("n", "rank"), [(5, None), (6, 1), (8, 1), (9, 2), (12, 3), (15, 4), (20, 6), (25, 8)])
def test_the_ranks_are_those_of_the_tables_for_95_percent(n, rank):
    """Ranks of the sign test's interval as textbooks tabulate them (n = 6: 1, 9: 2, 12: 3, 15: 4, 20: 6, 25: 8; from memory)."""
    values = np.arange(1.0, n + 1)
    expected = (np.nan, np.nan) if rank is None else (rank, n + 1 - rank)
    assert_allclose(median_interval(values), expected)
    assert_allclose(median_interval([*values, np.nan]), expected)


def test_the_interval_of_a_median_covers_at_least_its_level():
    """Skewed values, as noise is: log-normal, median 1; 2000 trials each."""
    rng = np.random.default_rng(1)
    for n in (6, 10, 31):
        ends = np.array([median_interval(row) for row in np.exp(0.5 * rng.standard_normal((2000, n)))])
        assert 0.94 < np.mean((ends[:, 0] < 1) & (ends[:, 1] > 1)) <= 0.985


def test_one_group_has_the_interval_of_the_textbook():
    """s = 1 from 10 values: 0.688 to 1.826 (chi-square of 9 degrees: 19.02 and 2.700)."""
    assert_allclose(within_interval([1.0], [10]), (0.688, 1.826), atol=1e-3)
    assert np.isnan(within_interval([np.nan], [1])).all()


@pytest.mark.parametrize("counts", [(8, 8, 8, 8), (2, 3, 9, 5)])
def test_the_interval_of_scatter_within_groups_covers(counts):
    rng, inside = np.random.default_rng(2), 0
    for _ in range(1500):
        low, high = within_interval([rng.standard_normal(n).std(ddof=1) for n in counts], counts)
        inside += low < 1 < high
    assert 0.93 < inside / 1500 < 0.975


@pytest.mark.parametrize("tau", [0.0, 1.0, 4.0])
def test_the_interval_of_scatter_between_groups_covers(tau):
    """Four sites of different uncertainty; 600 trials. Without scatter, 0 is its end in 97.5 % of them."""
    rng, u, inside = np.random.default_rng(3), np.array([0.5, 1.0, 1.0, 1.5]), 0
    for _ in range(600):
        low, high = between_interval(tau * rng.standard_normal(4) + u * rng.standard_normal(4), u)
        inside += low <= tau <= high
    assert 0.92 < inside / 600 < 0.99


def test_where_groups_agree_exactly_there_is_an_end_at_zero_and_two_have_no_interval():
    assert between_interval([1.0, 1.0, 1.0], [0.1, 0.1, 0.1]) == (0.0, 0.0)
    assert np.isnan(between_interval([1.0, 2.0], [0.1, 0.1])).all()


def test_rate_of_counts_has_the_exact_interval():
    """Garwood's table, from memory: 0 events 0 to 3.689, 1 event 0.0253 to 5.572, 10 events 4.795 to 18.39 (95 %)."""
    low, high = rate_interval([0, 1, 10], 1.0)
    assert_allclose(low, [0.0, 0.0253, 4.795], rtol=2e-3)
    assert_allclose(high, [3.689, 5.572, 18.39], rtol=2e-3)
    assert_allclose(rate_interval(10, 2.0)[1], 18.39 / 2, rtol=2e-3)  # per 100, of 200 sweeps
