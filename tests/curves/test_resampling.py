"""Bootstrap of whole sweeps: its scatter is known in closed form."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from sts.curves.resampling import resampled_counts


def test_every_sample_has_as_many_sweeps_as_there_are():
    counts = resampled_counts(7, 50, 1)
    assert counts.shape == (50, 7)
    assert (counts.sum(axis=1) == 7).all()
    assert (resampled_counts(7, 50, 1) == counts).all()
    assert (resampled_counts(7, 50, 2) != counts).any()


def test_resampled_means_scatter_as_the_mean_does():
    """Variance (m - 1)/m of that of the mean with the sample variance: Efron (1979), section 2; 4 % is 3 of its errors."""
    sweeps = np.random.default_rng(3).standard_normal(12)
    means = resampled_counts(12, 12000, 4) / 12 @ sweeps
    assert_allclose(means.mean(), sweeps.mean(), atol=3 * sweeps.std() / np.sqrt(12 * 12000))
    assert_allclose(means.var(), sweeps.var(ddof=1) / 12 * 11 / 12, rtol=0.04)
