"""What rounded readings say of the noise, against numerical integration, closed forms and simulated truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from scipy.integrate import quad

from sts.barrier.exponential import Samples
from sts.barrier.interval_noise import excess, freedom, interval_noise, number_within, seen_share
from sts.barrier.noise import Noise, PooledNoise
from sts.barrier.rounding import Posterior, Readings, Start

SD = 0.25


def test_excess_is_the_second_moment_of_a_truncated_normal_variate():
    """Against numerical integration of the density over the interval."""
    u = np.linspace(0, 1, 6)
    current = np.round(20 * np.exp(-7 * u) + 0.3 + np.array([0.2, -0.3, 0.1, 0.25, -0.1, 0.3]))[None]
    made = Readings.of(Samples(u, current, np.ones_like(current)), np.ones(1))
    at = Posterior(np.array([[[np.log(20), 0.3, 7.0]]]), np.ones((1, 1)), np.ones(1))
    found = excess(made, Noise(np.array([[SD**2, 0.0, 0.0]])), at)[0]
    signal = 20 * np.exp(-7 * made.u) + 0.3
    for value, middle, reading in zip(found, signal, made.current[0], strict=True):
        a, b = (reading - 0.5 - middle) / SD, (reading + 0.5 - middle) / SD
        second, mass = (quad(lambda z, p=p: z**p * stats.norm.pdf(z), a, b)[0] for p in (2, 0))
        assert_allclose(value, second / mass - 1, atol=2e-3)


def test_rounding_leaves_as_much_of_the_noise_as_fisher_information_says():
    """With much noise, rounding adds s²/12 to a variance (Sheppard): its information falls by (1 + s²/12σ²)²; without, to 0."""
    ratio = np.array([1.0, 2.0, 5.0])
    assert_allclose(seen_share(ratio), (1 + 1 / (12 * ratio**2)) ** -2, rtol=0.01)
    share = seen_share(np.array([0.02, 0.1, 0.3, 1.0]))
    assert np.all(np.diff(share) > 0)
    assert share[0] < 0.1


def rounded(sweeps: int, sd: float = SD, gap: float = 0.0, points: int = 80) -> Readings:
    """exp decays from 40 steps over three decades, in steps of 1, each with its own zero."""
    rng = np.random.default_rng(1)
    u = np.linspace(0, 1, points)
    signal = 40 * np.exp(-7 * u) * (1 + gap * rng.standard_normal((sweeps, points)))
    true = signal + rng.uniform(-0.5, 0.5, (sweeps, 1)) + sd * rng.standard_normal((sweeps, points))
    return Readings.of(Samples(u, np.round(true), np.ones_like(true)), np.ones(sweeps))


@pytest.mark.parametrize(("sd", "gap"), [(0.1, 0.02), (0.3, 0.03)])
def test_the_noise_of_each_group_is_found_from_its_readings(sd: float, gap: float):
    """Simulated truth in groups of 12 sweeps; a group without coarse steps keeps its terms."""
    made = rounded(24, sd, gap)
    group = np.repeat([0, 2], 12)
    known = np.array([[0.3, 0.0, 1e-4]] * 3)
    nothing = np.zeros(3)
    pooled = PooledNoise(known, np.full(3, 40.0), np.array([1.0, np.nan, 1.0]), nothing, nothing, nothing > 0)
    first = Start(
        np.tile([np.log(40), 0.0, 7.0], (24, 1)), np.tile(np.diag([0.05, 0.3, 0.3]) ** 2, (24, 1, 1)), np.ones(24)
    )
    terms, found = interval_noise(made, first, group, pooled)
    assert_allclose(np.sqrt(terms[[0, 2], 0]), sd, rtol=0.2)
    assert_allclose(np.sqrt(terms[[0, 2], 2]), gap, rtol=0.35)
    assert np.array_equal(terms[1], known[1] * [1, 0, 1])
    dof = freedom(made, terms, found, group)
    assert np.all((dof[[0, 2]] > 50) & (dof[[0, 2]] < 12 * 77))
    again, _ = interval_noise(replace(made, usable=made.usable), first, group, pooled)
    assert np.array_equal(again, terms)


def test_sweeps_are_numbered_within_their_groups():
    assert number_within(np.array([3, 1, 3, 3, 1])).tolist() == [0, 0, 1, 2, 1]
