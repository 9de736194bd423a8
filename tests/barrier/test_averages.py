"""Averages along the ramp have the covariance that the samples give them."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy.linalg import toeplitz

from sts.barrier.averages import Averages, Kernel, averaged


def test_the_covariance_of_averages_is_that_of_sums_of_samples():
    row = np.exp(-np.arange(30) / 4.0)
    kernel = Kernel.of(row, 5)
    sums = np.kron(np.eye(6), np.ones(5)) / np.sqrt(5)
    assert_allclose(kernel.averages, sums @ toeplitz(row) @ sums.T, rtol=1e-12)
    inside = np.eye(5) - 0.2
    assert_allclose(kernel.within, np.trace(inside @ toeplitz(row[:5])) / 4, rtol=1e-12)


def test_masked_samples_count_nowhere():
    rng = np.random.default_rng(1)
    usable = (np.arange(100) < 77).astype(float)
    residual = rng.standard_normal((50, 100)) * usable
    columns = np.stack(
        [np.tile(usable * f, (50, 1)) for f in (np.linspace(1, 0, 100), np.ones(100), np.linspace(0, 1, 100))]
    )
    sizes = np.stack([np.tile(usable, (50, 1)), np.zeros((50, 100))])
    found = Averages.of(residual, columns, sizes)
    assert found.residual.shape == (50, 25)
    assert_allclose(found.missing[0], (np.arange(25) > 19).astype(float))
    assert_allclose(found.residual[:, :19].var(), 1, rtol=0.1)
    assert_allclose(found.within[:19], 1, rtol=0.4)
    assert_allclose(averaged(residual, 4).sum(), residual.sum() / 2, rtol=1e-9)
