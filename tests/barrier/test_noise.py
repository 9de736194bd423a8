"""The noise law and its regression: planted terms come back, none is negative."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.barrier.noise import Noise, NoiseSums, noise_sums, solve_noise
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
