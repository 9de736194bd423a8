"""Pairs of tips: the reference distribution, invariance and verdicts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing import calibration_factor, compare_pairs, site_level, tip_level
from sts.comparing.pairs import (
    PAIR_COLUMNS,
    maximum_modulus_quantile,
    maximum_modulus_sf,
    simultaneous_pairs,
    unequal_dof,
)

# Headache relief, three groups (data after a SAS tutorial, in the docstring of scipy.stats.tukey_hsd; seen).
RELIEF = [[24.5, 23.5, 26.4, 27.1, 29.9], [28.4, 34.2, 29.5, 32.2, 30.1], [26.1, 28.3, 24.3, 26.2, 27.8]]


@pytest.mark.parametrize("dof", [1, 2, 3.3, 5, 12, 60, 1e4])
def test_one_comparison_is_students_t(dof: float):
    """Far into the tail too: p values are printed."""
    t = np.array([0.1, 1.0, 2.0, 5.0, 20.0])
    p = 2 * stats.t.sf(t, dof)
    assert_allclose(maximum_modulus_sf(t, 1, dof), p, rtol=1e-5, atol=1e-14)
    assert_allclose(maximum_modulus_quantile(0.95, 1, dof), stats.t.ppf(0.975, dof), rtol=1e-6)


@pytest.mark.parametrize("dof", [3, 5, 12])
@pytest.mark.parametrize("t", [1.5, 3.0])
def test_maximum_modulus_agrees_with_the_multivariate_t(t: float, dof: int):
    """Independent route: the multivariate t with unit shape over a cube (scipy)."""
    inside = stats.multivariate_t(shape=np.eye(3), df=dof, seed=1).cdf([t] * 3, lower_limit=[-t] * 3)
    assert_allclose(maximum_modulus_sf(t, 3, dof), 1 - inside, atol=3e-4)


def test_infinite_degrees_of_freedom_are_the_normal_distribution():
    assert_allclose(maximum_modulus_sf(2.0, 6, np.inf), 1 - (2 * stats.norm.cdf(2.0) - 1) ** 6, rtol=1e-9)


def test_one_pair_is_welchs_t_test():
    a, b = np.array(RELIEF[0]), np.array(RELIEF[1])
    reference = stats.ttest_ind(a, b, equal_var=False)
    pair = simultaneous_pairs([a.mean(), b.mean()], [a.std(ddof=1) / 5**0.5, b.std(ddof=1) / 5**0.5], [4, 4]).iloc[0]
    assert_allclose(pair["p_adjusted"], reference.pvalue, rtol=1e-3)
    assert_allclose(pair["dof"], reference.df, rtol=1e-12)


def test_three_groups_are_a_little_more_careful_than_the_studentized_range():
    """Games-Howell by scipy on the SAS example: same differences, our p a little larger, the verdicts alike."""
    groups = [np.array(g) for g in RELIEF]
    reference = stats.tukey_hsd(*groups, equal_var=False)
    pairs = simultaneous_pairs([g.mean() for g in groups], [g.std(ddof=1) / 5**0.5 for g in groups], [4, 4, 4])
    for a, b, difference, p in pairs[["a", "b", "difference", "p_adjusted"]].itertuples(index=False):
        assert_allclose(difference, reference.statistic[int(a), int(b)], rtol=1e-12)
        assert reference.pvalue[int(a), int(b)] - 1e-6 <= p < 1.15 * reference.pvalue[int(a), int(b)] + 0.01
    assert_allclose(pairs["difference"][0], -4.6)  # tukey_sas_01


def _tips(**arguments):
    calibration = calibration_factor(0.335, 0.01, "graphite")
    sites = site_level(make_repeats(**arguments), calibration=calibration)
    return tip_level(sites, calibration=calibration)


def test_planted_difference_is_found_and_equal_tips_are_not():
    pairs = compare_pairs(_tips(barriers={"a": 4.4, "b": 4.4, "c": 0.7}, site_sd=0.02, seed=2))
    assert list(pairs.columns[: len(PAIR_COLUMNS)]) == list(PAIR_COLUMNS)
    assert list(pairs["verdict"]) == ["no difference shown", "differ", "differ"]
    assert ((pairs["ratio_low"] < [1, 6.29, 6.29]) & (pairs["ratio_high"] > [1, 6.28, 6.28])).all()


def test_verdict_interval_and_p_agree():
    pairs = compare_pairs(_tips(barriers={"a": 4.4, "b": 4.6, "c": 4.9, "d": 5.2}, site_sd=0.02, seed=4))
    outside = (pairs["ratio_low"] > 1) | (pairs["ratio_high"] < 1)
    assert (outside == (pairs["p_adjusted"] < 0.05)).all()
    assert outside.any()
    assert not outside.all()


def test_height_scale_cancels_in_ratios():
    repeats = make_repeats({"a": 4.4, "b": 4.9}, site_sd=0.02)
    scaled = repeats.assign(
        decay_per_nm=repeats["decay_per_nm"] / 1.1, decay_se_per_nm=repeats["decay_se_per_nm"] / 1.1
    )
    one, two = (compare_pairs(tip_level(site_level(r))).iloc[0] for r in (repeats, scaled))
    for column in ("ratio", "ratio_low", "ratio_high", "p_adjusted"):
        assert_allclose(one[column], two[column], rtol=1e-9)
    assert_allclose(two["difference_eV"], one["difference_eV"] / 1.21, rtol=1e-9)


def test_two_sites_give_an_interval_but_no_test():
    pair = compare_pairs(_tips(barriers={"a": 4.4, "b": 0.7}, sites={"a": 4, "b": 2})).iloc[0]
    assert pair["verdict"] == "too few sites"
    assert np.isnan(pair["p_adjusted"])
    assert np.isfinite(pair["ratio_low"])


def test_one_site_gives_neither():
    pair = compare_pairs(_tips(barriers={"a": 4.4, "b": 0.7}, sites={"a": 4, "b": 1})).iloc[0]
    assert pair["verdict"] == "too few sites"
    assert np.isnan(pair["ratio_low"])
    assert pair["ratio"] > 5


def test_tips_on_different_samples_are_not_paired():
    tips = _tips(barriers={"a": 4.4, "b": 4.9, "c": 4.0})
    tips.loc[2, "sample"] = "graphite"
    assert len(compare_pairs(tips)) == 1


def test_equal_tips_are_called_different_in_about_one_of_twenty_comparisons():
    """500 samples with three equal tips of 3, 4 and 6 sites; the bound is five standard errors wide."""
    names = {f"{i} {t}": 4.5 for i in range(500) for t in "abc"}
    repeats = make_repeats(names, sites={n: {"a": 3, "b": 4, "c": 6}[n[-1]] for n in names}, site_sd=0.02, seed=12)
    pairs = compare_pairs(tip_level(site_level(repeats.assign(sample=repeats["tip"].str.split(" ").str[0]))))
    assert len(pairs) == 1500
    false = (pairs["verdict"] == "differ").groupby(pairs["sample"]).any().mean()
    assert 0.02 < false < 0.08


def test_more_curves_at_the_same_sites_are_no_evidence_that_tips_differ():
    """Fifty noise-free curves a site say what one says: the sites are what counts."""
    repeats = make_repeats({"a": 4.4, "b": 4.7}, site_sd=0.02, noise=0.0, repeats=2, seed=6)
    copies = pd.concat([repeats] * 25, ignore_index=True)
    few, many = (compare_pairs(tip_level(site_level(r))) for r in (repeats, copies))
    assert_allclose(many["p_adjusted"], few["p_adjusted"], rtol=1e-3)
    assert_allclose(many["ratio_low"], few["ratio_low"], rtol=1e-3)


def test_what_tips_share_makes_no_pair_clearer():
    value, se, dof = np.array([0.0, 0.1]), np.array([0.01, 0.01]), np.array([1.0, 1.0])
    alone = simultaneous_pairs(value, se, dof).iloc[0]
    for shared in (0.001, 0.01, 0.03):
        both = simultaneous_pairs(value, se, dof, shared=np.array([shared, 0.0])).iloc[0]
        assert both["quantile"] * both["se"] >= alone["quantile"] * alone["se"]
        assert both["p_adjusted"] >= alone["p_adjusted"]
        # The interval touches zero where the p value is its level.
        assert (both["quantile"] * both["se"] >= 0.1) == (both["p_adjusted"] >= 0.05)


def test_an_error_that_both_tips_share_widens_neither_ratio_nor_difference():
    """The zero of the bench moves both barriers together; what only one of them has, counts in full."""
    tips = tip_level(site_level(make_repeats({"a": 4.4, "b": 4.4}, site_sd=0.02, seed=3)))
    tips = tips.assign(decay_per_nm=20.0, barrier_eV=3.81, decay_common_per_nm=0.0)
    moved = 2 * tips["barrier_eV"] * 1.0 / 20.0
    wide = tips.assign(decay_common_per_nm=1.0, barrier_se_eV=np.hypot(tips["barrier_se_eV"], moved))
    (alone,), (both,) = (compare_pairs(table).to_dict("records") for table in (tips, wide))
    for name in ("ratio_low", "ratio_high", "difference_low_eV", "difference_high_eV"):
        assert_allclose(both[name], alone[name], rtol=1e-6)
    wide.loc[0, ["decay_common_per_nm", "barrier_se_eV"]] = [0.0, tips["barrier_se_eV"][0]]
    (one,) = compare_pairs(wide).to_dict("records")
    assert one["difference_high_eV"] - one["difference_low_eV"] > 3.9 * moved[0]
    assert one["ratio_high"] / one["ratio_low"] > np.exp(2 * 3.9 / 20.0)


Z = float(stats.norm.isf(0.025))


def _level(dof: tuple[int, int], ratio: float, rule) -> float:
    """Exact false alarm rate at 5 % of |difference| / se > t(rule), for means of dof + 1 normal values.

    Conditional on the ratio F of the two variances the difference over the pooled scatter is Student's t.
    """
    n = np.array(dof)[:, None] + 1
    f = stats.f.ppf((np.arange(2000) + 0.5) / 2000, *dof)
    variance = np.stack([ratio * f, np.ones_like(f)]) / n
    limit = stats.t.isf(0.025, rule(variance, n)) * np.sqrt(variance.sum(axis=0))
    pooled = (dof[0] * f + dof[1]) / sum(dof) * (ratio / n[0] + 1 / n[1])
    return float(np.mean(2 * stats.t.sf(limit / np.sqrt(pooled), sum(dof))))


def _ours(variance: np.ndarray, n: np.ndarray) -> np.ndarray:
    n = np.broadcast_to(n, variance.shape).astype(float)
    return unequal_dof(variance, n - 1, n, Z)


def _welch(variance: np.ndarray, n: np.ndarray) -> np.ndarray:
    return np.asarray(variance.sum(axis=0) ** 2 / (variance**2 / (n - 1)).sum(axis=0))


def test_exact_level_agrees_with_scipys_welch_test_by_simulation():
    rng = np.random.default_rng(4)
    a, b = 2 * rng.normal(size=(20_000, 3)), rng.normal(size=(20_000, 8))
    simulated = np.mean(stats.ttest_ind(a, b, axis=1, equal_var=False).pvalue < 0.05)
    assert_allclose(_level((2, 7), 4.0, _welch), simulated, atol=4 * np.sqrt(0.07 / 20_000))


@pytest.mark.parametrize("dof", [(2, 2), (3, 3), (2, 3), (2, 5), (2, 7), (3, 7), (2, 11), (5, 11)])
def test_equal_tips_are_called_different_in_three_to_six_of_a_hundred_whatever_they_scatter(dof: tuple[int, int]):
    levels = [_level(dof, ratio, _ours) for ratio in (1 / 9, 1 / 4, 1 / 2, 1, 2, 4, 9)]
    assert min(levels) > 0.03
    assert max(levels) < 0.06
    if dof == (2, 7):
        assert _level(dof, 4.0, _welch) > 0.068


def test_two_equal_variances_of_equally_many_values_have_all_degrees_of_freedom():
    """Student's pooled t test (scipy); and far fewer where one of them scatters ten times as much."""
    a, b = np.array([1.0, 2.0, 3.0, 4.0]), np.array([4.0, 5.0, 6.0, 7.5])
    b = b.mean() + (b - b.mean()) * a.std() / b.std()
    se = np.array([stats.sem(a), stats.sem(b)])
    pair = simultaneous_pairs([a.mean(), b.mean()], se, [3, 3], replicates=[4, 4]).iloc[0]
    assert_allclose(pair["p_adjusted"], stats.ttest_ind(a, b, equal_var=True).pvalue, rtol=1e-3)
    assert simultaneous_pairs([0, 1], se * [1, 10], [3, 3], replicates=[4, 4])["dof"][0] < 3.2


def test_known_variances_are_a_normal_test():
    pair = simultaneous_pairs([0.0, 2.5], [1.0, 1.0], [np.inf, np.inf], replicates=[4, 4]).iloc[0]
    assert np.isinf(pair["dof"])
    assert_allclose(pair["p_adjusted"], 2 * stats.norm.sf(2.5 / 2**0.5), rtol=1e-6)
