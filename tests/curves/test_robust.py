"""Spread from the median absolute deviation, against an independent routine."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import brentq
from scipy.stats import median_abs_deviation, norm

from sts.curves.robust import median_known, median_of_others, scaled_mad


@pytest.mark.parametrize("axis", [0, 1])
def test_agrees_with_scipy(axis):
    values = np.random.default_rng(1).standard_t(2, (40, 7))
    values[3, 2] = np.nan
    expected = median_abs_deviation(values, axis=axis, scale="normal", nan_policy="omit")
    assert_allclose(scaled_mad(values, axis), expected, rtol=1e-5)  # scipy has more digits of 1.4826


def test_a_tenth_of_wild_values_moves_it_by_what_the_formula_says():
    """With a tenth far above, the median is the quantile 5/9 of the normal, and 5/9 of it lie within the deviation."""
    values = np.random.default_rng(2).standard_normal(100_000)
    assert_allclose(scaled_mad(values), 1.0, rtol=0.01)
    values[::10] = 1e6
    middle = norm.ppf(5 / 9)
    within = brentq(lambda d: norm.cdf(middle + d) - norm.cdf(middle - d) - 5 / 9, 0, 3)
    assert_allclose(scaled_mad(values), within / norm.ppf(0.75), rtol=0.01)


@pytest.mark.parametrize("shape", [(1, 1), (2, 5), (7, 40), (40, 6), (3, 4, 5), (0, 3)])
@pytest.mark.parametrize("holes", [0.0, 0.4, 1.0])
def test_the_median_of_what_is_known_is_that_of_numpy(shape, holes):
    rng = np.random.default_rng(3)
    values = rng.normal(size=shape).round(1)
    values[rng.random(shape) < holes] = np.nan
    for axis in range(-1, len(shape)):
        for keepdims in (False, True):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)
                expected = np.nanmedian(values, axis=axis, keepdims=keepdims)
            assert_array_equal(median_known(values, axis, keepdims=keepdims), expected)


def test_nothing_left_gives_nan_without_a_warning():
    assert np.isnan(scaled_mad(np.full((3, 1), np.nan)))


@pytest.mark.parametrize("tied", [False, True])
def test_the_median_of_the_others_is_that_of_a_table_without_the_row(tied):
    """Against numpy's median of each row's others, one by one, with holes and equal values."""
    rng = np.random.default_rng(7)
    for rows in range(1, 10):
        group = rng.integers(0, 4, (rows, 6)).astype(float) if tied else rng.normal(size=(rows, 6))
        group[rng.random(group.shape) < 0.2] = np.nan
        own = np.vstack([group, rng.normal(size=(1, 6))])  # the last is none of the group
        found = median_of_others(group, own, np.arange(rows + 1) < rows)
        for i in range(rows + 1):
            others = (column[np.isfinite(column)] for column in np.delete(group, slice(i, i + 1), axis=0).T)
            assert_array_equal(found[i], [np.median(column) if column.size else np.nan for column in others])
