"""The noise along the ramp is found, from residuals of straight lines in noise that general libraries make."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.signal import lfilter

from sts.barrier.averages import Averages, averaged
from sts.barrier.memory import Memory, Usual, averaged_over, find, likelihood_of_white


def line_fits(noise: np.ndarray) -> tuple[Averages, np.ndarray, np.ndarray]:
    """Residuals of fits of a parabola as averages, the weights of its last parameter in averages, and those in samples."""
    k, n = noise.shape
    u = np.linspace(0, 1, n)
    columns = np.stack([u, np.ones(n), u**2], axis=1)
    weights = np.linalg.pinv(columns)
    residual = noise - noise @ weights.T @ columns.T
    data = Averages.of(
        residual, np.repeat(columns.T[:, None], k, axis=1), np.stack([np.zeros((k, n)), np.ones((k, n))])
    )
    in_samples = np.tile(weights[2], (k, 1))
    return data, averaged(in_samples, data.length), in_samples


def found_and_memory(noise: np.ndarray) -> tuple[float, float, Memory]:
    """Evidence, variance of the last parameter over the truth with white noise, and the memory."""
    data, coarse, weights = line_fits(noise)
    usual = Usual.of(noise.shape[1])
    found = find(data, usual)
    memory = averaged_over(found, data, usual, coarse)
    row = memory.noise[1].row
    evidence = 2 * (found.value - likelihood_of_white(data, usual))
    return evidence, float(weights[0] @ toeplitz(row) @ weights[0] / (weights[0] @ weights[0])), memory


def test_white_noise_stays_white():
    evidence, inflation, memory = found_and_memory(np.random.default_rng(3).standard_normal((30, 96)))
    assert evidence < 8
    assert 0.9 < inflation < 1.15
    assert memory.freedom > 50


def test_noise_of_the_gap_that_is_not_there_is_found_to_be_none():
    """Where noise of the gap would be five times all other, a step of scoring leads down: the search stood still."""
    rng = np.random.default_rng(4)
    k, n = 60, 150
    fading = np.exp(-7 * np.linspace(0, 1, n))
    columns = np.stack([fading, np.ones(n), np.linspace(0, 1, n) * fading], axis=1)
    noise = rng.standard_normal((k, n))
    residual = noise - noise @ np.linalg.pinv(columns).T @ columns.T
    sizes = np.stack([np.tile(5 * fading, (k, 1)), np.ones((k, n))])
    data = Averages.of(residual, np.repeat(columns.T[:, None], k, axis=1), sizes)
    found, usual = find(data, Usual.of(n)), Usual.of(n)
    assert 2 * (found.value - likelihood_of_white(data, usual)) > -3
    assert found.noise[0].row[0] * 25 < 0.5


@pytest.mark.parametrize("memory", [0.5, 0.9])
def test_noise_with_a_memory_moves_a_parameter_as_far_as_it_says(memory):
    """AR(1) noise of scipy.signal.lfilter, whose effect on the parameter is known in closed form."""
    rng = np.random.default_rng(0)
    noise = lfilter([np.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal((30, 400)))[:, 304:]
    evidence, inflation, _ = found_and_memory(noise)
    weights = line_fits(noise)[2][0]
    truth = weights @ toeplitz(memory ** np.arange(96)) @ weights / (weights @ weights)
    assert evidence > 50
    assert 0.7 < inflation / truth < 1.4
