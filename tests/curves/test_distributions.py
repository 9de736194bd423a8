"""Quantiles and tails against scipy.stats, which is too slow to import for a command."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.curves.distributions import (
    at_most_heads,
    chi2_above,
    chi2_quantile,
    f_above,
    f_quantile,
    kendall_p,
    student_above,
    student_quantile,
    wider_of_few,
)

P = np.array([1e-9, 1e-3, 0.025, 0.3, 0.5, 0.8, 0.975, 0.999])[:, None]
DOF = np.array([np.nan, -1.0, 0.0, 0.3, 1.0, 2.0, 7.7, 30.0, 1e4, 1e9])
VALUE = np.array([0.0, 1e-3, 0.7, 2.0, 30.0])[:, None]


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (student_quantile(P, DOF), stats.t.ppf(P, DOF)),
        (student_quantile(P, np.inf), stats.norm.ppf(P)),
        (student_above(VALUE, DOF), stats.t.sf(VALUE, DOF)),
        (student_above(VALUE, np.inf), stats.norm.sf(VALUE)),
        (chi2_quantile(P, DOF), stats.chi2.ppf(P, DOF)),
        (chi2_above(VALUE, DOF[3:]), stats.chi2.sf(VALUE, DOF[3:])),
        (f_quantile(P, 3, DOF), stats.f.ppf(P, 3, DOF)),
        (f_above(VALUE, DOF, 5), stats.f.sf(VALUE, DOF, 5)),
        (at_most_heads(np.arange(12), 11), stats.binom.cdf(np.arange(12), 11, 0.5)),
    ],
)
def test_values_are_those_of_scipy_stats(ours: np.ndarray, theirs: np.ndarray):
    assert_allclose(ours, theirs, rtol=1e-12)


@pytest.mark.parametrize("n", [2, 5, 12, 33, 34, 60])
@pytest.mark.parametrize("ties", [False, True])
def test_trend_of_values_in_order_is_that_of_kendall(n: int, ties: bool):
    rng = np.random.default_rng(n)
    for rise in (0.0, 0.1, -0.3):
        values = rng.normal(size=n) + rise * np.arange(n)
        values = np.round(values) if ties else values
        assert_allclose(kendall_p(values), stats.kendalltau(np.arange(n), values).pvalue, rtol=1e-9)
    assert np.isnan(kendall_p([1.0]))
    assert np.isnan(kendall_p(np.zeros(6)))


@pytest.mark.parametrize("units", [2, 3, 5, 20, 1000])
def test_few_units_widen_a_normal_interval_to_students(units):
    assert wider_of_few(units) == pytest.approx(stats.t.ppf(0.975, units - 1) / stats.norm.ppf(0.975), rel=1e-12)
