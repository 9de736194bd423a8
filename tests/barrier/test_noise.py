"""The noise law and its regression: planted terms come back, none is negative."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.barrier.noise import CLIP, CLIP_MEAN, Noise, NoiseSums, fitted_base, noise_sums, solve_cautiously, solve_noise
from sts.quantities import ELEMENTARY_CHARGE

SIGNAL = 1e-9 * np.exp(-np.linspace(0, 7, 400)) * np.ones((300, 1))
NONE, ONE = np.zeros(300, int), np.ones_like(SIGNAL)


def found(terms, *, seed=1, rounds=6, jumps=0):
    """Terms out of normal noise of these terms, by scoring from equal noise on."""
    rng = np.random.default_rng(seed)
    residual = np.sqrt(Noise(np.array([terms])).variance(SIGNAL, NONE)) * rng.standard_normal(SIGNAL.shape)
    residual[:, :jumps] *= 100
    scale, floor, now = np.array([1e-9]), np.array([0.0]), np.array([[1e-22, 0.0, 0.0]])
    for _ in range(rounds):
        variance = Noise(now).variance(SIGNAL, NONE)
        now = solve_noise(noise_sums(residual, SIGNAL, variance, ONE, NONE, scale), scale, floor)
    return now[0]


@pytest.mark.parametrize("terms", [(1e-24, 0.0, 1e-4), (4e-24, 2 * ELEMENTARY_CHARGE * 1e5, 0.0), (1e-24, 0.0, 0.0)])
def test_planted_terms_come_back_and_those_that_are_not_there_stay_small(terms):
    """At the strongest current a term that was not planted makes less than a tenth of the noise of those that were."""
    alpha, beta, gamma = found(terms)
    assert_allclose(alpha, terms[0], rtol=0.05)
    strongest = Noise(np.array([terms])).variance(np.array([[1e-9]]))[0, 0]
    assert_allclose(beta * 1e-9 + gamma * 1e-18, terms[1] * 1e-9 + terms[2] * 1e-18, rtol=0.05, atol=0.1 * strongest)


def test_jumps_do_not_become_noise():
    clean, jumping = found((1e-24, 0.0, 1e-4)), found((1e-24, 0.0, 1e-4), jumps=2)
    assert 1 < jumping[2] / clean[2] < 1.4  # two hundredfold residuals of 400 would make it some hundred times larger


def test_no_term_is_negative_and_the_electronics_keep_their_floor():
    """The unconstrained solution has a negative term; the best of those without is that of scipy's nnls."""
    from scipy.optimize import nnls

    rng = np.random.default_rng(3)
    for _ in range(20):
        root = rng.standard_normal((5, 3))
        target = rng.standard_normal(5)
        sums = NoiseSums((root.T @ root)[None], (root.T @ target)[None])
        wanted = nnls(root, target)[0]
        ours = solve_noise(sums, np.ones(1), np.zeros(1))[0]
        assert_allclose(ours, wanted, rtol=1e-6, atol=1e-9)
        assert solve_noise(sums, np.ones(1), np.array([9.0]))[0, 0] >= 9.0


def test_the_units_of_the_terms():
    noise = Noise(np.array([[4e-24, 2 * ELEMENTARY_CHARGE * 1e4, 9e-4]]))
    assert_allclose([noise.electronics[0], noise.shot_bandwidth[0], noise.gap[0]], [2e-12, 1e4, 0.03], rtol=1e-12)
    signal = np.array([[-1e-9]])  # of either sign
    assert_allclose(noise.variance(signal), 4e-24 + 2 * ELEMENTARY_CHARGE * 1e4 * 1e-9 + 9e-4 * 1e-18, rtol=1e-12)


def test_the_mean_of_clipped_squares_is_that_of_a_truncated_normal_distribution():
    """scipy.stats.truncnorm within ±3, and 9 beyond."""
    inside, beyond = stats.truncnorm(-(CLIP**0.5), CLIP**0.5).var(), 2 * stats.norm.sf(CLIP**0.5)
    assert_allclose(CLIP_MEAN, inside * (1 - beyond) + CLIP * beyond, rtol=1e-12)


def test_with_a_base_the_sums_are_those_of_restricted_likelihood():
    """tr(P Vi P Vj) by dense matrices, sample by sample; what is masked counts for nothing."""
    u, rng = np.linspace(0, 1, 9), np.random.default_rng(4)
    signal = 1e-9 * np.exp(-np.outer([4.0, 7.0], u))
    variance, usable = (1e-12) ** 2 + (0.02 * signal) ** 2, np.ones(signal.shape)
    usable[1, :2] = 0
    base = fitted_base(signal, usable / variance, u)
    none = np.zeros(signal.shape)
    sums = noise_sums(none, signal, variance, usable, np.array([0, 0]), np.array([1e-9]), base)
    wanted = np.zeros((3, 3))
    for s, v, there in zip(signal, variance, usable > 0, strict=True):
        x, w = np.stack([s, np.ones(9), u * s], axis=1)[there], np.diag(1 / v[there])
        x = x / np.linalg.norm(np.sqrt(w) @ x, axis=0)
        p = (w - w @ x @ np.linalg.inv(x.T @ w @ x) @ x.T @ w) * 1e-18
        terms = [np.diag((s[there] / 1e-9) ** power) for power in range(3)]
        wanted += [[np.trace(p @ one @ p @ other) for other in terms] for one in terms]
    assert_allclose(sums.matrix[0], wanted, rtol=1e-6)
    residual = np.sqrt(variance) * rng.standard_normal(signal.shape) * 1e-3
    vector = noise_sums(residual, signal, variance, usable, np.array([0, 0]), np.array([1e-9]), base).vector[0]
    square = usable * residual**2 / variance**2 / CLIP_MEAN
    assert_allclose(vector, [(square * signal**i * 1e-9 ** (2 - i)).sum() for i in range(3)], rtol=1e-9)


@pytest.mark.parametrize("gap", [-2.0, 0.0, 0.7, 5.0])
def test_little_knowledge_of_the_gap_leaves_the_mean_of_what_it_may_be(gap):
    """scipy.stats.truncnorm: the estimate and its spread √2 are those of two terms that do not disturb each other."""
    total = NoiseSums(np.array([np.diag([4.0, 1.0, 1.0])]), np.array([[4.0, 0.0, gap]]))
    terms = solve_cautiously(total, np.ones(1), np.zeros(1))[0]
    mean = stats.truncnorm(-gap / 2**0.5, np.inf, loc=gap, scale=2**0.5).mean()
    assert_allclose(terms, [1.0, 0.0, mean], rtol=1e-9)
