"""Scatter between days from few of them: likelihood, mixtures and borrowed uncertainties against scipy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing.day_scatter import SCATTER, borrowed, quantile, scatter_weights, share_below, weigh


def test_mixture_of_one_normal_distribution_has_its_quantiles():
    assert_allclose(quantile(0.995, np.ones((1, 1)), np.full((1, 1), 2.0), np.full((1, 1), 3.0)),
                    stats.norm.ppf(0.995, 2, 3), rtol=1e-6)  # fmt: skip


def test_likelihood_of_two_days_is_that_of_their_difference():
    """x1 - x2 ~ N(0, u1² + u2² + 2 τ²) is all that two days tell: scipy's normal density, up to a constant."""
    days = weigh([1.3, 1.5], [0.03, 0.05])
    expected = stats.norm.logpdf(0.2, 0, np.sqrt(0.03**2 + 0.05**2 + 2 * SCATTER**2))
    assert_allclose(np.diff(days.log_likelihood[0]), np.diff(expected), atol=1e-9)
    assert scatter_weights(days.log_likelihood, days.information).sum() == pytest.approx(1.0)


def test_uncertain_days_lend_to_a_day_with_one_site():
    got = borrowed([0.02, 0.04, 0.001], [3, 3, np.nan], [4, 4, 1])
    assert 0.02 < got[0] < got[1] < 0.04
    assert got[2] == pytest.approx(np.sqrt(4 * (0.02**2 + 0.04**2) / 2))  # the scatter between sites, of one of them
    assert_allclose(borrowed([0.1, 0.2], [np.nan, 0], [1, 1]), [0.1, 0.2])  # nothing is known: as given


def test_share_below_is_that_of_the_parts_of_a_mixture():
    weights, mean, sd = np.array([[0.3, 0.7]]), np.array([[0.0, 1.0]]), np.array([[1.0, 2.0]])
    expected = 0.3 * stats.norm.cdf(0.5) + 0.7 * stats.norm.cdf(0.5, 1, 2)
    assert_allclose(share_below(np.array([0.5]), weights, mean, sd), [expected])
    assert_allclose(quantile(expected, weights, mean, sd), [0.5], atol=1e-9)
