"""The scatter between sites, moderated over tips: against direct integration, at its limits, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from comparing.examples import make_repeats
from numpy.testing import assert_allclose
from often import repeated
from scipy import integrate, stats

from sts.comparing import compare_pairs, site_level, tip_level
from sts.comparing.pooled_scatter import _UNLIKE, _prior_dof, pool_scatter

SITES = np.full(4, 3.0)


def test_two_tips_or_one_stay_by_themselves() -> None:
    variance, dof, together = pool_scatter([[4.0, 1.0, np.nan]], [[2.0, 3.0, 0.0]])
    assert_allclose(variance, [[4.0, 1.0, np.nan]])
    assert_allclose(dof, [[2.0, 3.0, np.nan]])
    assert np.isinf(together[0])


def test_no_prior_scatter_is_the_one_that_it_is_called() -> None:
    draws = np.random.default_rng(1).chisquare(_prior_dof()[1:], size=(20_000, _UNLIKE.size - 1))
    assert_allclose(np.log(draws).std(axis=0) / 2, _UNLIKE[1:], rtol=0.03)


def test_the_interval_is_that_of_direct_integration_over_the_scatters() -> None:
    """Three tips, the first by scipy's quadrature over typical scatter and likeness."""
    seen, dof = np.array([0.5, 1.0, 2.5]), 3.0

    def joint(log_typical: float, prior: float) -> float:
        density = stats.f.pdf(seen / np.exp(log_typical), dof, prior) * seen / np.exp(log_typical)
        return float(np.prod(density))

    def outside(limit: float) -> float:
        above = below = 0.0
        for place, prior in enumerate(_prior_dof()):
            end = 0.5 if place in (0, _UNLIKE.size - 1) else 1.0

            def tail(log_typical: float, prior: float = float(prior)) -> float:
                scale = np.sqrt((prior * np.exp(log_typical) + dof * seen[0]) / (prior + dof))
                return joint(log_typical, prior) * float(2 * stats.t.sf(limit / scale, prior + dof))

            above += end * integrate.quad(tail, -4, 4)[0]
            below += end * integrate.quad(joint, -4, 4, args=(prior,))[0]
        return above / below

    variance, freedom, _ = pool_scatter([seen], [np.full(3, dof)])
    half = float(stats.t.ppf(0.975, freedom[0, 0]) * np.sqrt(variance[0, 0]))
    assert outside(half) == pytest.approx(0.05, rel=0.01)


def test_equal_scatter_gives_nearly_the_freedom_of_all_and_the_same_variance() -> None:
    variance, dof, together = pool_scatter([np.full(6, 2.0)], [np.full(6, 20.0)])
    assert together[0] == 120
    assert (dof > 70).all()
    assert_allclose(variance, 2.0, rtol=0.02)


def test_what_scatters_more_keeps_its_scatter_and_order_and_unit_mean_nothing() -> None:
    seen = np.array([1.0, 1.2, 0.8, 30.0])
    variance, dof, _ = pool_scatter([seen], [SITES])
    assert variance[0, 3] >= 30
    assert dof[0, 3] < 8  # less than all together
    turned, turned_dof, _ = pool_scatter([7 * seen[::-1]], [SITES])
    assert_allclose(turned[0, ::-1], 7 * variance[0])
    assert_allclose(turned_dof[0, ::-1], dof[0])


def test_a_tip_far_from_all_others_stands_by_itself_and_widens_none() -> None:
    """Sites at 4.4 and 1 eV: a tip that changed on the way says nothing of how far sites lie apart."""
    alike, alike_dof, _ = pool_scatter([[1.0, 1.3, 0.7]], [[5.0, 5.0, 5.0]])
    variance, dof, together = pool_scatter([[1.0, 1.3, 400.0, 0.7]], [[5.0, 5.0, 5.0, 5.0]])
    assert (variance[0, 2], dof[0, 2]) == (400.0, 5.0)
    assert_allclose(variance[0, [0, 1, 3]], alike[0])
    assert_allclose(dof[0, [0, 1, 3]], alike_dof[0])
    assert together[0] == 20


def test_sites_that_agree_to_the_last_digit_break_nothing() -> None:
    variance, dof, _ = pool_scatter([[0.0, 1.0, 1.0], [0.0, 0.0, 0.0]], np.full((2, 3), 2.0))
    assert np.isfinite(variance).all()
    assert variance[0, 0] > 0.1  # of the others
    assert np.isfinite(dof[0]).all()
    assert_allclose(variance[1], 0.0)  # nothing to pool


@repeated(600, 10_000)
def test_intervals_hold_where_tips_are_alike_and_where_not(repeats: int) -> None:
    rng = np.random.default_rng(5)
    t = stats.t.ppf(0.975, 2)
    for spread, least in ((0.0, 94.0), (0.35, 94.0), (0.7, 93.0)):
        sd = np.exp(spread * rng.normal(size=(repeats, 4)))
        mean, seen = sd * rng.normal(size=sd.shape) / np.sqrt(3), sd**2 * rng.chisquare(2, sd.shape) / 2
        variance, dof, _ = pool_scatter(seen, np.full(sd.shape, 2.0))
        half = stats.t.ppf(0.975, dof) * np.sqrt(variance / 3)
        share = 100 * (np.abs(mean) < half).mean()
        assert least < share < 97
        if spread == 0:
            assert np.mean(half) < 0.75 * np.mean(t * np.sqrt(seen / 3))


def test_tips_of_another_sample_are_not_asked() -> None:
    repeats = make_repeats({"a": 4.4, "b": 4.4, "c": 4.4}, site_sd=0.03)
    together = tip_level(site_level(repeats))
    apart = tip_level(site_level(repeats.assign(sample=repeats["tip"])))
    assert np.isfinite(together["scatter_dof"]).all()
    assert np.isinf(apart["scatter_dof"]).all()
    assert_allclose(together["barrier_eV"], apart["barrier_eV"])
    assert (together["dof"] > apart["dof"]).all()
    assert (compare_pairs(together)["dof"] <= together["scatter_dof"].max()).all()
