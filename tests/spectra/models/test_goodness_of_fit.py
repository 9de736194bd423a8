"""When a fit is called poor: runs of residuals of one sign, and residuals larger than their noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.sandbox.stats.runs import runstest_1samp

from sts.spectra.models.goodness_of_fit import run_test, verdict

RNG = np.random.default_rng(4)


@pytest.mark.parametrize("points", [60, 300])
def test_the_run_test_is_that_of_a_statistics_library(points):
    """statsmodels: two-sided, with the same continuity correction above 50 points only; ours asks for few runs only."""
    residual = np.convolve(RNG.standard_normal(points + 1), [1, 0.6], "valid")
    z, _ = runstest_1samp(residual, cutoff=0, correction=False)
    sign = np.sign(residual)
    plus, minus = (sign > 0).sum(), (sign < 0).sum()
    spread = np.sqrt(2 * plus * minus * (2 * plus * minus - points) / (points**2 * (points - 1)))
    from scipy.stats import norm

    assert_allclose(run_test(residual), norm.cdf(z + 0.5 / spread), rtol=1e-9)


def test_noise_is_good_and_rarely_poor():
    poor = [verdict(RNG.standard_normal(200), 4, independent=1.0, scale=0.1)[0] != "good" for _ in range(400)]
    assert not any(poor)


@pytest.mark.parametrize(
    ("size", "words"), [(0.3, "good"), (1.2, "poor"), (5.0, "poor")], ids=["hidden", "small but smooth", "large"]
)
def test_a_smooth_misfit_is_poor_from_half_the_noise_in_power(size, words):
    """Reduced chi² near 1.7 is enough where the signs of neighbours agree."""
    residual = RNG.standard_normal(300) + size * np.sin(np.linspace(0, 12, 300))
    assert verdict(residual, 4, independent=1.0, scale=0.1)[0].startswith(words)


def test_noise_larger_than_stated_is_poor_only_when_gross():
    """Without runs of one sign an uncertainty stated twice too small is the likelier reason: widened, not called poor."""
    assert verdict(2 * RNG.standard_normal(300), 4, independent=1.0, scale=0.1)[0] == "good"
    assert verdict(4 * RNG.standard_normal(300), 4, independent=1.0, scale=0.1)[0].startswith("poor")


def test_residuals_of_one_sign_alone_are_no_chance_unless_they_are_few():
    """n of one sign come about with 2^(1-n): a thousandth for 11, every second time for two."""
    assert run_test(np.full(11, 0.3)) == 0.0
    assert run_test(-np.ones(10)) == 1.0
    assert run_test([0.0, np.nan]) == 1.0
