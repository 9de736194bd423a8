"""Sweeps at a varying gap: brought to constant separation with the decay of the site."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.varying_gap import to_constant_separation


def test_a_varying_gap_is_brought_back_to_constant_separation():
    """A factor of 55 at 2 V for 1 Å/V and 2κ = 2 per Å (closed form)."""
    v = np.linspace(-2, 2, 101)
    at_constant = 1e-12 * v
    measured = at_constant * np.exp(-2e10 * 1e-10 * np.abs(v))
    assert_allclose(at_constant[-1] / measured[-1], 54.6, rtol=1e-3)
    current, relative = to_constant_separation(
        v, measured, gap_slope_m_per_V=1e-10, decay_per_m=2e10, decay_se_per_m=2e9
    )
    assert_allclose(current, at_constant, rtol=1e-12)
    assert_allclose(relative[-1], 0.4)
    _, unknown = to_constant_separation(v, measured, gap_slope_m_per_V=1e-10, decay_per_m=2e10)
    assert_allclose(unknown, 0.0)


def test_without_a_decay_the_step_is_refused():
    with pytest.raises(ValueError, match="no decay of the current is known"):
        to_constant_separation([1.0], [1e-9], gap_slope_m_per_V=1e-10, decay_per_m=float("nan"))
