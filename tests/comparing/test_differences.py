"""Sites that differ by more than their repeats are called different, equal ones at most as often as said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing.differences import differences, means_at_sites


def table(values, *, tips=("A",), se=1.0, feature="gap") -> pd.DataFrame:
    """Sweeps from an array (tips, sites, repeats, directions)."""
    values = np.asarray(values, float)
    places = np.indices(values.shape).reshape(4, -1)
    return pd.DataFrame(
        {
            "feature": feature,
            "tip": [tips[i] for i in places[0]],
            "day": "",
            "site": [f"s{i + 1}" for i in places[1]],
            "repeat": (places[0] * values.shape[1] + places[1]) * values.shape[2] + places[2],
            "value_mV": values.ravel(),
            "value_se_mV": se,
        }
    )


def test_sites_are_held_against_their_repeats_by_analysis_of_variance():
    """scipy.stats.f_oneway on the means of up and down."""
    values = np.random.default_rng(1).standard_normal((1, 4, 5, 2))
    row = differences(table(values)).iloc[0]
    assert_allclose(row["p"], stats.f_oneway(*values[0].mean(axis=-1)).pvalue, rtol=1e-12)
    assert (row["level"], row["units"], row["repeats"]) == ("site", 4, 20)
    assert_allclose(row["highest_mV"], values[0].mean(axis=(1, 2)).max())
    assert row["highest"] == f"s{values[0].mean(axis=(1, 2)).argmax() + 1}"


def test_tips_are_held_against_their_sites():
    values = np.random.default_rng(2).standard_normal((3, 4, 2, 2))
    row = differences(table(values, tips=("A", "B", "C"))).iloc[0]
    assert_allclose(row["p"], stats.f_oneway(*values.mean(axis=(2, 3))).pvalue, rtol=1e-12)
    assert row["level"] == "tip"


def test_single_repeats_are_held_against_the_noise_of_points():
    """Cochran's Q of three values 0, 0, 3 of variance 1 is 6; chance above that with 2 degrees of freedom: exp(-3)."""
    row = differences(table(np.array([0.0, 0.0, 3.0]).reshape(1, 3, 1, 1))).iloc[0]
    assert_allclose(row["p"], np.exp(-3), rtol=1e-12)
    assert row["against"] == "noise of points"


@pytest.mark.parametrize("shape", [(1, 4, 3, 2), (3, 3, 2, 1)], ids=str)
def test_equal_units_differ_in_one_per_cent(shape):
    """Three features at once, 80 times: expected 0.8, more than 4 would be a chance of 1 in 700 (binomial)."""
    rng = np.random.default_rng(3)
    called = 0
    for _ in range(80):
        parts = [table(rng.standard_normal(shape), tips="ABC", feature=name) for name in ("gap", "lower", "upper")]
        called += bool(differences(pd.concat(parts))["differ"].any())
    assert called <= 4


def test_means_have_the_interval_of_the_scatter_within_all_sites():
    """Pooled within-site variance and Student's t, written out with numpy and scipy."""
    values = np.random.default_rng(4).standard_normal((1, 3, 4, 1)) + np.arange(3).reshape(1, 3, 1, 1)
    found = means_at_sites(table(values))
    rows = values[0, ..., 0]
    half = stats.t.ppf(0.975, 9) * np.sqrt(rows.var(axis=1, ddof=1).mean() / 4)
    assert_allclose(found["mean_mV"], rows.mean(axis=1))
    assert_allclose(found["high_mV"] - found["low_mV"], 2 * half, rtol=1e-6)
    assert list(found["sweeps"]) == [4, 4, 4]


def test_one_site_is_no_comparison():
    assert differences(table(np.zeros((1, 1, 4, 2)))).empty
