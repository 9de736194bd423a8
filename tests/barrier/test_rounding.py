"""The likelihood of rounded readings against direct integration, and its pieces against closed forms and scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.barrier.exponential import Samples
from sts.barrier.noise import Noise
from sts.barrier.rounding import Posterior, Readings, Start, alike, filled_in, probability, resampled, search

STEP, SD = 1.0, 0.25


def readings(sweeps: int = 1, points: int = 24, seed: int = 1, step: float = STEP) -> Readings:
    """exp decays from 20 steps over three decades, with white noise of a quarter of a step."""
    rng = np.random.default_rng(seed)
    u = np.linspace(0, 1, points)
    true = 20 * np.exp(-7 * u) + 0.3 + SD * rng.standard_normal((sweeps, points))
    current = np.round(true / step) * step
    return Readings.of(Samples(u, current, np.ones_like(current)), np.full(sweeps, step))


def noise(sweeps: int = 1, sd: float = SD) -> Noise:
    return Noise(np.tile([sd**2, 0.0, 0.0], (sweeps, 1)))


def start(sweeps: int = 1) -> Start:
    covariance = np.diag([0.05, 0.3, 0.5]) ** 2
    return Start(np.tile([3.05, 0.1, 7.2], (sweeps, 1)), np.tile(covariance, (sweeps, 1, 1)), np.ones(sweeps))


@pytest.mark.parametrize("sd", [0.02, 0.3, 2.0])
def test_theprobability_of_a_reading_is_that_of_its_interval(sd: float):
    """Against the cumulative distribution of scipy.stats."""
    away = np.linspace(-4, 4, 41)
    wanted = stats.norm.cdf((away + 0.5) / sd) - stats.norm.cdf((away - 0.5) / sd)
    assert_allclose(probability(away, np.array(1.0), np.array(sd)), wanted, atol=3e-7)


def test_mean_and_spread_are_those_of_direct_integration():
    """The posterior summed on a grid of all three parameters, with probabilities of scipy.stats: no draws, no search."""
    made = readings()
    found = search(made, noise(), start(), (0.3, 0.0, 0.0), draws=4000)
    mean, covariance = found.mean[0], found.covariance[0]
    sizes = np.sqrt(np.diag(covariance))
    grids = [m + s * np.linspace(-5.5, 5.5, 41) for m, s in zip(mean, sizes, strict=True)]
    log, offset, decay = (part.ravel() for part in np.meshgrid(*grids, indexing="ij"))
    total = np.zeros(log.size)
    for u, reading in zip(made.u, made.current[0], strict=True):
        away = (reading - offset - np.exp(log - decay * u)) / SD
        total += np.log(stats.norm.cdf(away + 2) - stats.norm.cdf(away - 2) + 1e-300)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    for got, sd, values in zip(mean, sizes, (log, offset, decay), strict=True):
        centre = weight @ values
        spread = np.sqrt(weight @ (values - centre) ** 2)
        assert abs(got - centre) < 0.05 * spread  # 4000 draws: 0.016 and the outliers allowed for
        assert_allclose(sd, spread, rtol=0.05)


def test_what_is_known_of_the_offset_is_used():
    """An offset that is known to a hundredth of a step stays there."""
    made = readings()
    known = Readings(made.u, made.current, made.usable, made.step, np.array([[0.3, 1e4]]))
    found = search(known, noise(), start(), (0.3, 0.0, 0.0, 0.0))
    assert abs(found.mean[0, 1] - 0.3) < 0.01
    free = search(made, noise(), start(), (0.3, 0.0, 0.0)).covariance[0]
    assert_allclose(
        found.covariance[0, 2, 2], free[2, 2] - free[1, 2] ** 2 / free[1, 1], rtol=0.15
    )  # normal, conditional


def test_intervals_hold_the_truth_and_repeat_with_the_seed():
    """Simulated truth: 200 sweeps whose zero lies anywhere between two steps."""
    made, m = readings(200, seed=5), 200
    shift = np.random.default_rng(6).uniform(-0.5, 0.5, (m, 1))
    rng = np.random.default_rng(7)
    true = 20 * np.exp(-7 * made.u) + shift + SD * rng.standard_normal((m, made.u.size))
    made = Readings.of(Samples(made.u, np.round(true), made.usable), made.step)
    found = search(made, noise(m), start(m), (0.5, 0.25, 0.0, 0.0))
    z = (found.mean[:, 2] - 7) / np.sqrt(found.covariance[:, 2, 2])
    assert 0.91 < np.mean(np.abs(z) < 1.96) < 0.985  # 95 %, three standard errors either way
    assert abs(np.mean(z)) < 0.2
    again = search(made, noise(m), start(m), (0.5, 0.25, 0.0, 0.0))
    assert np.array_equal(found.mean, again.mean)


def test_filled_currents_lie_where_the_readings_say_and_scatter_as_the_noise():
    """Without what is not known of the parameters: the variance is that before the converter, not s²/12 more."""
    made, m = readings(100, seed=3), 100
    true = Posterior(np.tile([np.log(20), 0.3, 7.0], (m, 1, 1)), np.ones((m, 1)), np.ones(m))
    filled = filled_in(made, noise(m), true, np.random.default_rng(0))
    assert np.all(np.abs(filled - made.current) <= 0.5 + 1e-9)
    middle = 20 * np.exp(-7 * made.u) + 0.3
    assert_allclose((filled - middle).std(), SD, rtol=0.05)
    assert (made.current - middle).std() > 1.4 * SD  # that of the readings: Sheppard's s²/12 and what the far end adds


def test_draws_of_equal_weight_have_the_mean_of_the_weighted():
    found = search(readings(), noise(), start(), (0.3, 0.0))
    even = resampled(found, np.random.default_rng(0), 400)[0]
    assert np.all(np.abs(even.mean(axis=0) - found.mean[0]) < 0.1 * np.sqrt(np.diag(found.covariance[0])))


@pytest.mark.parametrize(("sd", "least", "most"), [(1e-3, 0.9, 1.0), (0.5, -0.2, 0.2)])
def test_errors_of_repeats_are_the_same_without_noise_and_their_own_with_much(sd: float, least: float, most: float):
    """Simulated: with noise of a thousandth of a step every repeat is read alike."""
    u, m = np.linspace(0, 1, 24), 20
    shift = np.random.default_rng(4).uniform(-0.5, 0.5, (m, 1))
    true = 20 * np.exp(-7 * u) + shift + sd * np.random.default_rng(8).standard_normal((m, u.size))
    made = Readings.of(Samples(u, np.round(true), np.ones_like(true)), np.ones(m))
    found = search(made, noise(m, sd), start(m), (0.5, 0.25, 0.1, 0.05, 0.02, 0.01, 0.0, 0.0, 0.0))
    both, each = alike(made, noise(m, sd), found, pairs=12)
    assert least < both.sum() / each.sum() <= most


def test_the_next_draws_scatter_where_all_but_one_of_the_last_were_impossible():
    """Weights that vanish to 0 left no spread to draw from: nothing but NaN was drawn next."""
    draws = np.random.default_rng(2).standard_normal((1, 64, 3))
    weight = np.zeros((1, 64))
    weight[0, 5] = 1.0
    found = Posterior(draws, weight, np.ones(1)).start()
    assert np.all(np.diagonal(found.covariance[0]) > 0.1)


def test_draws_of_currents_beyond_all_numbers_are_impossible_and_no_error():
    """A sweep that hardly decays in its first step may be drawn as one that rises by e^2000: its likelihood was no number."""
    first = start()
    wild = Start(first.mean + np.array([0.0, 0.0, 500.0]), first.covariance + np.diag([0.0, 0.0, 1e6]), first.sign)
    found = search(readings(), noise(), wild, (0.0,))
    assert np.all(np.isfinite(found.weight))
    assert_allclose(found.weight.sum(), 1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_signal_at_the_mean_falls_exponentially_and_has_the_sign_of_the_current(sign: float):
    """Closed form: 20 exp(-7 u) and its negative."""
    u = np.linspace(0, 1, 5)
    one = Posterior(np.tile([np.log(20.0), 0.3, 7.0], (2, 1, 1)), np.ones((2, 1)), np.full(2, sign))
    assert_allclose(one.signal(u), np.tile(sign * 20 * np.exp(-7 * u), (2, 1)), rtol=1e-12)
