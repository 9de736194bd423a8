"""The smallest difference that a test shows, against drawn differences."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing.power import smallest_seen


def test_what_could_have_been_seen_is_the_power_of_the_t_test():
    """Nine of ten sessions with a true change of that size: by drawing them."""
    dof, rng = 4, np.random.default_rng(1)
    size = smallest_seen(dof, 0.95)
    t = (size + rng.normal(size=100_000)) / np.sqrt(rng.chisquare(dof, 100_000) / dof)
    assert_allclose(np.mean(t > stats.t.isf(0.025, dof)), 0.9, atol=0.005)
    assert_allclose(smallest_seen(np.inf, 0.95), stats.norm.ppf(0.975) + stats.norm.ppf(0.9))
    assert np.isfinite(smallest_seen(1.0, 0.999))
