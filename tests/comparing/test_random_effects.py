"""Random effects against published examples and a general library."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing.random_effects import (
    as_rows,
    half_interval,
    larger_scatter,
    places_in_rows,
    pool_random_effects,
    stands_apart,
    t_quantile,
)

# R. N. Kacker, Metrologia 41, 132 (2004), table 1: nine metrology institutes, values and variances (seen, in the
# statsmodels test suite; pooled values there from the R package metafor).
KACKER = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
KACKER_VARIANCE = np.array([0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])


def test_kacker_example_gives_the_published_paule_mandel_values():
    pooled = pool_random_effects(KACKER, KACKER_VARIANCE)
    assert_allclose(pooled.tau2, 0.705395309224248, rtol=1e-5)  # kacker_pm_tau2; the source iterated to 1e-6
    assert_allclose(pooled.mean, 62.4076199113286, rtol=1e-8)  # kacker_pm_mu
    assert_allclose(np.sqrt(pooled.tau2), 0.8399, atol=5e-5)  # kacker_tau_PM, as printed
    # At the Paule-Mandel tau^2 the Hartung-Knapp factor is 1, so that both uncertainties agree: kacker_pm_se
    assert_allclose(pooled.observed_se, 0.338030602684471, rtol=1e-6)
    assert pooled.observed_dof == 8


def test_agrees_with_statsmodels_for_unequal_rows():
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    rng = np.random.default_rng(7)
    for k in (3, 5, 8):
        v = rng.uniform(0.5, 3, k)
        x = rng.normal(0, 9, k)
        reference = meta.combine_effects(x, v, method_re="iterated", use_t=True, atol=1e-8, maxiter=500)
        pooled = pool_random_effects(x, v)
        assert reference.tau2 > 0
        assert_allclose(pooled.tau2, reference.tau2, rtol=1e-6)
        assert_allclose(pooled.mean, reference.mean_effect_re, rtol=1e-7)
        assert_allclose(pooled.observed_se, reference.sd_eff_w_re_hksj, rtol=1e-6)


def test_rows_of_different_length_are_pooled_as_if_alone():
    x = np.array([[1.0, 2.0, np.nan], [1.0, 2.0, 6.0]])
    together = pool_random_effects(x, np.full(x.shape, 0.1))
    alone = pool_random_effects([1.0, 2.0], [0.1, 0.1])
    assert_allclose([together.mean[0], together.tau2[0]], [alone.mean[0], alone.tau2[0]])
    assert list(together.count) == [2, 3]


def test_agreement_better_than_stated_gives_no_negative_variance():
    """The trap that one library falls into (statsmodels 0.15.0, DerSimonian-Laird: -0.093); the answer is 0."""
    pooled = pool_random_effects([1.0, 1.1, 0.9, 1.05], np.full(4, 0.1))
    assert pooled.tau2 == 0
    se, dof = larger_scatter(pooled.propagated_se, np.inf, pooled.observed_se, pooled.observed_dof)
    assert_allclose(se, np.sqrt(0.1 / 4))  # not the smaller observed scatter
    assert np.isinf(dof)


def test_level_weights_are_those_of_equal_values_and_never_above_the_middle_one():
    """One site with twenty repeats among three with one: the plain mean; one bad site among good ones still weighs less."""
    x, v = np.array([1.0, 1.1, 0.9, 1.3]), np.array([1.0, 1.0, 1.0, 0.05])
    pooled = pool_random_effects(x, v, level=True)
    assert_allclose(pooled.mean, x.mean(), rtol=1e-12)
    assert_allclose(pooled.observed_se, stats.sem(x), rtol=1e-12)
    assert_allclose(pooled.propagated_se, np.sqrt(v.sum()) / 4, rtol=1e-12)
    assert_allclose(pooled.tau2, pool_random_effects(x, v).tau2)
    assert pool_random_effects(x, [1, 1, 1, 20.0], level=True).weights[0, 3] < 0.02


def test_single_value_keeps_its_uncertainty_and_has_no_observed_scatter():
    pooled = pool_random_effects([3.0], [0.04])
    assert_allclose(pooled.propagated_se, 0.2)
    assert np.isnan(pooled.observed_se).all()
    assert np.isnan(pooled.tau2).all()


def test_value_without_variance_is_refused_with_count():
    with pytest.raises(ValueError, match="1 of 2 values have no positive variance"):
        pool_random_effects([1.0, 2.0], [0.1, 0.0])
    with pytest.raises(ValueError, match="Row 1 has no finite value"):
        pool_random_effects([np.nan], [0.1])


@pytest.mark.parametrize(("observed", "dof"), [(0.5, 8), (2.0, 8), (0.5, 1), (0.05, 1)])
def test_larger_of_propagated_and_observed_is_stated(observed: float, dof: float):
    se, nu = larger_scatter(1.0, np.inf, observed, dof)
    if dof >= 4:
        assert_allclose(se, max(1.0, observed))
    assert_allclose(
        t_quantile(nu, 0.95) * se,
        max(1.96, stats.t.ppf(0.975, dof) * observed) if dof < 4 or observed > 1 else 1.96,
        rtol=1e-4,
    )


def test_unknown_parts_leave_the_other_or_nothing():
    se, dof = larger_scatter([np.nan, 1.0, np.nan], [np.inf] * 3, [0.5, np.nan, np.nan], [4, 0, 0])
    assert_allclose(se, [0.5, 1.0, np.nan])
    assert_allclose(dof, [4, np.inf, np.nan])


@pytest.mark.parametrize("dof", [1, 2, 3, 5, 20])
@pytest.mark.parametrize("known", [0.0, 0.1, 0.3, 1.0, 3.0])
def test_an_interval_with_a_known_part_holds_as_often_as_it_says(dof: int, known: float):
    """By the formula of Welch and Satterthwaite alone it holds 87 % with one degree of freedom and a known part of 0.3."""
    rng, trials = np.random.default_rng(11), 20_000
    error = rng.standard_normal(trials) + known * rng.standard_normal(trials)
    own = np.sqrt(rng.chisquare(dof, trials) / dof)
    held = np.mean(np.abs(error) <= half_interval(own, dof, known, confidence=0.95))
    assert 0.938 <= held <= (0.985 if dof == 1 else 0.96)


def test_a_known_part_narrows_nothing_and_none_leaves_students_t():
    alone = half_interval(2.0, 1, 0.0, confidence=0.95)
    assert_allclose(alone, 2 * stats.t.ppf(0.975, 1), rtol=1e-12)
    assert (half_interval(2.0, 1, np.geomspace(0.01, 100, 50), confidence=0.95) >= alone).all()
    assert_allclose(half_interval(1e-9, 1, 1.0, confidence=0.95), stats.norm.ppf(0.975), rtol=1e-6)


def test_values_of_rows_stand_in_their_order_filled_up_with_nan():
    row = np.array([1, 0, 1, 1])
    assert_allclose(as_rows([10.0, 0.5, 11.0, 12.0], row), [[0.5, np.nan, np.nan], [10.0, 11.0, 12.0]])
    assert_allclose(as_rows([10.0, 0.5, 11.0, 12.0], row)[places_in_rows(row)], [10.0, 0.5, 11.0, 12.0])


def test_a_part_stands_apart_as_often_as_its_f_test_says():
    """scipy's F distribution; four parts, so that one of 400 of each may."""
    rng = np.random.default_rng(2)
    squares = rng.chisquare(3, (4000, 4))
    rest = squares.sum(axis=1, keepdims=True) - squares
    told = stands_apart(squares, 3.0, (rest, 9.0), 4)
    assert told.tolist() == (stats.f.sf((squares / 3) / (rest / 9), 3, 9) < 0.01 / 4).tolist()
    assert 0.005 < told.any(axis=1).mean() < 0.015
    assert not stands_apart(5.0, 0.0, (1.0, 3.0), 2)
